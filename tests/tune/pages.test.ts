import { describe, expect, test } from "vitest";
import { drawChart } from "../../tools/output/chart.ts";
import { comparePage } from "../../tools/tune/compare-page.ts";
import type { Comparison } from "../../tools/tune/comparison.ts";
import type { Score } from "../../tools/tune/job.ts";
import { makeReport } from "../../tools/tune/report.ts";
import type { Entry } from "../../tools/tune/runs.ts";
import { judge } from "../../tools/tune/statistics.ts";
import { tunePage } from "../../tools/tune/tune-page.ts";

const entries: Entry[] = ["one", "<b>two</b>", "three", "four"].map((path, n) => ({
  path,
  content: `${n}`.repeat(64),
  settings: {},
  labels: null,
  labelsText: "",
  scenario: null,
}));
const score = (within5cm: number, r: number): Score => ({
  agreement: 0.9,
  found: 0.9,
  airFree: 0.9,
  believed: 0.9,
  within5cm: within5cm + 0.001 * ((r * 7) % 4),
  medianError: 0.01,
  answered: 0.9,
  pixels: 1000,
  frameTime: 2,
  mapSize: 2048,
  trajectory: null,
  labels: null,
  truth: null,
  recorded: 1,
  taken: 1,
  hash: "",
});
const candidate = (sigma0: number, within: number) => ({
  settings: { "evidence.sigma0": sigma0 },
  scores: entries.map((_, r) => score(within, r)),
});
const png = Uint8Array.of(137, 80, 78, 71);

/** Nothing that runs or is fetched. */
function expectAlone(page: string): void {
  expect(page).not.toMatch(/<script|<link|<iframe|@import|url\((?!#)|\son\w+=/i);
  for (const [, target] of page.matchAll(/(?:src|href)="([^"]*)"/g))
    expect(target).toMatch(/^data:image\/png/);
}

describe("a page about tuning", () => {
  const baseline = { settings: {}, scores: entries.map((_, r) => score(0.8, r)) };
  const report = makeReport(
    entries,
    baseline,
    [candidate(0.02, 0.9), candidate(0.3, 0.7), candidate(0.04, 0.85)],
    "within",
  );
  const page = tunePage(report, entries, [{ png, about: "baseline: 1 < 2" }]);

  test("is one file that needs nothing", () => {
    expectAlone(page);
    expect(page).toContain("default-src 'none'");
    expect(page).toContain(`data:image/png;base64,${Buffer.from(png).toString("base64")}`);
  });

  test("labels the points of its charts with the numbers of the table", () => {
    const sizes = /aria-label="Score against size of the map">(.*?)<\/svg>/s.exec(page)![1]!;
    const texts = [...sizes.matchAll(/<text[^>]*font-size:10px[^>]*>(.*?)<\/text>/g)].map(([, text]) => text);
    expect(texts.length).toBeGreaterThan(0);
    for (const text of texts) expect(["1", "2", "3"]).toContain(text);
  });

  test("lists the best settings, their changes, and every setting's gain", () => {
    expect(page).toContain("Significantly better: the best settings gain +10.000");
    // The default of evidence.sigma0 beside the best.
    expect(page).toMatch(/data-of="baseline">0\.01<.*data-of="best">0\.02 m</s);
    for (const value of [0.02, 0.3, 0.04]) expect(page).toContain(`>evidence.sigma0=${value}<`);
    expect(page.match(/<svg /g)).toHaveLength(3); // gains, cost, the one setting that was tried
  });

  test("a setting that the baseline has as text, as from a command line, is no change", () => {
    const typed = makeReport(
      entries,
      { ...baseline, settings: { "evidence.sigma0": "0.02" } },
      [candidate(0.02, 0.9)],
      "within",
    );
    expect(tunePage(typed, entries, [])).not.toContain(">evidence.sigma0<");
  });

  test("text that looks like marks stays text", () => {
    expect(page).not.toContain("<b>two");
    expect(page).toContain("&lt;b&gt;two&lt;/b&gt;");
    expect(page).toContain('alt="baseline: 1 &lt; 2"');
  });

  test("reports that nothing is better", () => {
    const worse = makeReport(entries, baseline, [candidate(0.3, 0.7)], "within");
    const text = tunePage(worse, entries, []);
    expect(text).toContain("Nothing that was tried scored higher than the baseline");
    expect(text).not.toContain("<img");
  });
});

test("a page that compares is one file that needs nothing, with both means", () => {
  const [first, second] = [
    [1, 2, 3, 4],
    [2, 3.1, 4, 5],
  ];
  const [difference] = judge([[1, 1.1, 1, 1]]);
  const one: Comparison = {
    name: "within 5 cm",
    unit: "%",
    digits: 2,
    first,
    second,
    difference: difference!,
  };
  const page = comparePage({
    entries,
    settings: [{}, { "map.voxelSize": 0.1 }],
    comparisons: [one],
    warnings: ["mind <this>"],
    maps: [],
  });
  expectAlone(page);
  expect(page).toContain(">2.50 %<");
  expect(page).toContain(">3.52 %<"); // (2 + 3.1 + 4 + 5) / 4 = 3.525, in binary just below
  expect(page).toContain("Warning: mind &lt;this&gt;.");
  expect(page).toContain('class="good">better<');
});

test("a chart has a mark for every point and is drawn in the ink of its page", () => {
  const chart = (count: number) =>
    drawChart({
      about: 'say "a"',
      height: 200,
      x: { name: "x" },
      y: { name: "y" },
      points: [
        {
          name: "a",
          color: "#009e73",
          shape: "rect",
          data: Array.from({ length: count }, (_, n) => [n, n * n] as const),
        },
      ],
    });
  const marks = (svg: string) => svg.match(/fill="#009e73"/g)!.length;
  expect(marks(chart(7)) - marks(chart(4))).toBe(3);
  expect(chart(3)).toContain("currentColor");
  expect(chart(3)).toContain('aria-label="say &quot;a&quot;"');
  expect(chart(3)).not.toContain("<style");
});
