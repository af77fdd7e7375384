import { resolveSettings, SETTINGS, type SettingName, type Settings } from "../../src/head/settings.ts";
import { drawChart } from "../output/chart.ts";
import {
  byVerdict,
  type Cell,
  chartFigure,
  drawGains,
  figures,
  heading,
  list,
  NOISY_TIMES,
  paragraph,
  pictureFigure,
  renderPage,
  table,
} from "./page.ts";
import {
  BY,
  bestOf,
  describeDifference,
  describeLabels,
  describeRanks,
  type Line,
  type Report,
} from "./report.ts";
import type { MapPicture } from "./report-files.ts";
import { describeSettings, type Entry, type Given } from "./runs.ts";

const MOST_ROWS = 25;

/** Settings of `given` that are not those of `baseline`. */
function changesOf(given: Given, baseline: Given): Given {
  // From a command line numbers come as text.
  const isOther = ([name, value]: [string, unknown]) => String(baseline[name]) !== String(value);
  return Object.fromEntries(Object.entries(given).filter(isOther));
}

/** What `tune` found, as one HTML file. */
export function tunePage(report: Report, entries: readonly Entry[], maps: readonly MapPicture[]): string {
  const { baseline, lines, fit, by } = report;
  const { unit } = BY[by];
  const best = bestOf(report);
  const compared = lines.filter(({ verdict }) => verdict !== null);
  const shown = compared.slice(0, MOST_ROWS);
  const parts = [
    paragraph(
      `${lines.length} settings on ${entries.length} recording${entries.length === 1 ? "" : "s"}, compared with: ` +
        `${describeSettings(baseline.settings)}.`,
      "soft",
    ),
    heading("What was found"),
    ...verdictOf(
      best,
      baseline.settings,
      resolveSettings({ ...entries[0]!.settings, ...baseline.settings }),
      unit,
    ),
    ...report.warnings.map((warning) => paragraph(`Warning: ${warning}.`, "care")),
    heading("How sure"),
    paragraph(howSure(report)),
    ...describeRanks(report).map((text) => paragraph(`${text.replace(/^r/, "R")}.`)),
    figures([
      // A chart with one row says no more than the table.
      ...(shown.length < 2
        ? []
        : [
            chartFigure(
              drawGains(
                shown.map(({ verdict }, n) => ({ name: String(n + 1), ...verdict! })),
                `gain, ${unit}`,
              ),
              `Gain over the baseline with its 95 % interval over the recordings; numbers are those of the table.`,
            ),
          ]),
      ...(compared.length > 2
        ? [
            chartFigure(
              drawChart({
                about: "Score against size of the map",
                height: 280,
                x: { name: "map, kB" },
                y: { name: `gain, ${unit}` },
                points: byVerdict(compared.map(flat), ({ mapSize, mean, label }) => [
                  mapSize / 1024,
                  mean,
                  label,
                ]),
                lines: [spanOf(compared.map(({ mapSize }) => mapSize / 1024))],
              }),
              "What a gain costs in memory; the line is the baseline. Numbers are those of the table.",
            ),
          ]
        : []),
      ...truthOf(compared, unit),
      ...effectsOf(report, compared),
    ]),
    ...(maps.length > 0
      ? [heading("Maps"), figures(maps.map(({ png, about }) => pictureFigure(png, about)))]
      : []),
    heading("Settings"),
    settingsTable(report, shown),
    paragraph(NOISY_TIMES, "soft"),
    ...(lines.length > shown.length
      ? [paragraph(`${lines.length - shown.length} more are in the JSON beside this file.`, "soft")]
      : []),
    heading("Recordings"),
    list(entries.map(({ path, content }) => `${path}, SHA-256 ${content.slice(0, 16)}`)),
    paragraph(
      "Scored by frames kept out of the map. A setting tuned for them is not tuned for safety; the head is no safety device." +
        (fit === null
          ? ""
          : ` Chosen on all recordings but one: gains ${fit.chosenOn.toFixed(3)} there, ${fit.leftOut.toFixed(3)} on the one left out.`),
      "soft",
    ),
  ];
  return renderPage({ title: "Tuning report", parts });
}

/** A setting for charts; its label is its number in the table, if it has a row there. */
const flat = (line: Line, n: number) => ({
  ...line,
  ...line.verdict!,
  verdict: line.verdict!.verdict,
  label: n < MOST_ROWS ? String(n + 1) : "",
});

function spanOf(values: readonly number[]): [number, number][] {
  return [
    [Math.min(...values), 0],
    [Math.max(...values), 0],
  ];
}

function verdictOf(best: Line | null, baseline: Given, before: Settings, unit: string): string[] {
  if (best === null) return [paragraph("Nothing that was tried scored higher than the baseline. Keep it.")];
  const { verdict } = best;
  const gain = `${describeDifference(verdict!)} ${unit}`;
  const text =
    verdict!.verdict === "better"
      ? `Significantly better: the best settings gain ${gain}.`
      : `The highest score gains ${gain}, which is not significant.`;
  const rows = Object.entries(changesOf(best.settings, baseline)).map(([name, value]) => {
    const { unit: of = "", help = "" } = SETTINGS[name as SettingName] as { unit?: string; help?: string };
    return [name, String(before[name as SettingName]), `${String(value)} ${of}`.trim(), help];
  });
  return [
    paragraph(text, verdict!.verdict === "better" ? "good" : ""),
    table(["setting", "baseline", "best", "what it is"], rows),
  ];
}

function howSure({ lines, recordings }: Report): string {
  const count = (word: string) => lines.filter(({ verdict }) => verdict?.verdict === word).length;
  return (
    `${count("better")} of ${lines.length} settings are significantly better than the baseline, ${count("worse")} are worse, ` +
    `${count("not significant")} show no significant difference. If nothing differed, the chance that any of these words is wrong would be ` +
    `at most 5 % (Holm 1979). Recordings are the sample: ${recordings} of them.`
  );
}

/** Compares held-out scores with the ground truth, if known. */
function truthOf(compared: readonly Line[], unit: string): string[] {
  const known = compared.map(flat).filter(({ truth }) => truth !== null);
  if (known.length < 3) return [];
  return [
    chartFigure(
      drawChart({
        about: "Gain against the true map score",
        height: 280,
        x: { name: "true map score, %" },
        y: { name: `gain, ${unit}` },
        points: byVerdict(known, ({ truth, mean, label }) => [100 * truth!, mean, label]),
      }),
      "Gain by held-out frames against the map's score by the true geometry: the better they agree, the more rising. Numbers are those of the table.",
    ),
  ];
}

/** A chart for each numeric setting, over all values of the others. */
function effectsOf({ baseline, by }: Report, compared: readonly Line[]): string[] {
  const names = new Set(
    compared.flatMap(({ settings }) => Object.keys(changesOf(settings, baseline.settings))),
  );
  return Array.from(names).flatMap((name) => {
    const of = compared.map(flat).filter(({ settings }) => typeof settings[name] === "number");
    const values = of.map(({ settings }) => settings[name] as number);
    if (new Set(values).size < 3) return [];
    const isLog = Math.min(...values) > 0 && Math.max(...values) / Math.min(...values) >= 10;
    const { unit = "" } = SETTINGS[name as SettingName] as { unit?: string };
    return [
      chartFigure(
        drawChart({
          about: `Gain against ${name}`,
          height: 240,
          x: { name: unit === "" ? name : `${name}, ${unit}`, isLog },
          y: { name: `gain, ${BY[by].unit}` },
          points: byVerdict(of, ({ settings, mean, label }) => [settings[name] as number, mean, label]),
        }),
        `${name}: all settings tried, whatever else they changed. Numbers are those of the table.`,
      ),
    ];
  });
}

function settingsTable({ baseline }: Report, shown: readonly Line[]): string {
  const numbers = (line: Omit<Line, "verdict">): string[] => [
    `${(100 * line.agreement).toFixed(2)} %`,
    `${(100 * line.within5cm).toFixed(2)} %`,
    `${(1000 * line.medianError).toFixed(2)} mm`,
    `${line.frameTime.toFixed(2)} ms`,
    `${(line.mapSize / 1024).toFixed(0)} kB`,
    ...(baseline.truth === null ? [] : [line.truth === null ? "" : `${(100 * line.truth).toFixed(2)} %`]),
    ...(baseline.labels === null ? [] : [describeLabels(line.labels).replace(" | ", "")]),
  ];
  const rows: Cell[][] = [["baseline", describeSettings(baseline.settings), ...numbers(baseline), "", ""]];
  for (const [n, line] of shown.entries()) {
    const { verdict } = line.verdict!;
    const word: Cell =
      verdict === "not significant"
        ? verdict
        : { text: verdict, kind: verdict === "better" ? "good" : "bad" };
    rows.push([
      String(n + 1),
      describeSettings(changesOf(line.settings, baseline.settings)),
      ...numbers(line),
      describeDifference(line.verdict!),
      word,
    ]);
  }
  return table(
    [
      "no.",
      "settings",
      "agreement",
      "within 5 cm",
      "median error",
      "a frame",
      "map",
      ...(baseline.truth === null ? [] : ["true map score"]),
      ...(baseline.labels === null ? [] : ["by labels"]),
      "gain (95 %)",
      "significant?",
    ],
    rows,
  );
}
