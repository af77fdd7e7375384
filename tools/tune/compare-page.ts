import { OKABE_ITO } from "../../src/terms/palette.ts";
import { drawChart } from "../output/chart.ts";
import type { Comparison } from "./comparison.ts";
import {
  type Cell,
  chartFigure,
  figures,
  heading,
  list,
  NOISY_TIMES,
  paragraph,
  pictureFigure,
  renderPage,
  table,
} from "./page.ts";
import { describeDifference } from "./report.ts";
import type { MapPicture } from "./report-files.ts";
import { describeSettings, type Entry, type Given } from "./runs.ts";

const mean = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length;

interface ComparedSettings {
  /** Recordings on which both settings ran. */
  readonly entries: readonly Entry[];
  readonly settings: readonly [Given, Given];
  readonly comparisons: readonly Comparison[];
  readonly warnings: readonly string[];
  readonly maps: readonly MapPicture[];
}

/** Two settings side by side, as one HTML file. */
export function comparePage(compared: ComparedSettings): string {
  const { entries, settings, comparisons, warnings, maps } = compared;
  const rows = comparisons.map(({ name, unit, digits, first, second, difference }): Cell[] => {
    const { verdict } = difference;
    return [
      ...[name, `${mean(first).toFixed(digits)} ${unit}`, `${mean(second).toFixed(digits)} ${unit}`],
      describeDifference(difference),
      verdict === "not significant"
        ? verdict
        : { text: verdict, kind: verdict === "better" ? "good" : "bad" },
    ];
  });
  const parts = [
    list([`first: ${describeSettings(settings[0])}`, `second: ${describeSettings(settings[1])}`]),
    ...warnings.map((warning) => paragraph(`Warning: ${warning}.`, "care")),
    heading("Side by side"),
    table(["mean of recordings", "first", "second", "second - first (95 %)", "the second is"], rows),
    paragraph(
      `"Better" and "worse" allow for ${comparisons.length} questions asked at once (Holm 1979): at most 5 % risk that any of these ` +
        "words is wrong. The intervals are over the recordings.",
      "soft",
    ),
    paragraph(NOISY_TIMES, "soft"),
    // With one recording the table above says it all.
    ...(entries.length < 2
      ? []
      : [
          heading("By recording"),
          figures(
            comparisons.map((one) =>
              chartFigure(drawPairs(one), `${one.name}: each recording's two scores.`),
            ),
          ),
        ]),
    ...(maps.length > 0
      ? [heading("Maps"), figures(maps.map(({ png, about }) => pictureFigure(png, about)))]
      : []),
    heading("Recordings"),
    list(entries.map(({ path, content }, n) => `${n + 1}: ${path}, SHA-256 ${content.slice(0, 16)}`)),
  ];
  return renderPage({ title: "Two settings compared", parts });
}

function drawPairs({ name, unit, first, second }: Comparison): string {
  return drawChart({
    about: `${name} of each recording with the first and with the second settings`,
    height: 100 + 22 * first.length,
    x: { name: `${name}, ${unit}` },
    y: { name: "", labels: first.map((_, r) => String(r + 1)) },
    points: [
      { name: "first", color: null, shape: "circle", data: first.map((value, r) => [value, r + 1] as const) },
      {
        name: "second",
        color: OKABE_ITO.blue,
        shape: "diamond",
        data: second.map((value, r) => [value, r + 1] as const),
      },
    ],
    lines: first.map((value, r) => [
      [value, r + 1],
      [second[r]!, r + 1],
    ]),
  });
}
