import type { Score } from "./job.ts";
import { judge, type Verdict } from "./statistics.ts";

interface Measure {
  readonly name: string;
  readonly unit: string;
  /** Null where it is not measured. */
  readonly of: (score: Score) => number | null;
  readonly digits: number;
  /** Whether more is better. */
  readonly isMoreBetter: boolean;
}

const MEASURES: readonly Measure[] = [
  { name: "agreement", unit: "%", digits: 2, isMoreBetter: true, of: ({ agreement }) => 100 * agreement },
  { name: "surface found", unit: "%", digits: 2, isMoreBetter: true, of: ({ found }) => 100 * found },
  { name: "air free", unit: "%", digits: 2, isMoreBetter: true, of: ({ airFree }) => 100 * airFree },
  {
    name: "surface believed",
    unit: "%",
    digits: 2,
    isMoreBetter: true,
    of: ({ believed }) => 100 * believed,
  },
  { name: "within 5 cm", unit: "%", digits: 2, isMoreBetter: true, of: ({ within5cm }) => 100 * within5cm },
  {
    name: "median error",
    unit: "mm",
    digits: 2,
    isMoreBetter: false,
    of: ({ medianError }) => 1000 * medianError,
  },
  { name: "answered", unit: "%", digits: 2, isMoreBetter: true, of: ({ answered }) => 100 * answered },
  {
    name: "true map score",
    unit: "%",
    digits: 2,
    isMoreBetter: true,
    of: ({ truth }) => (truth === null ? null : 100 * truth.score),
  },
  {
    name: "true edges found",
    unit: "%",
    digits: 1,
    isMoreBetter: true,
    of: ({ labels }) => (labels?.edgesFound == null ? null : 100 * labels.edgesFound),
  },
  {
    name: "false edges",
    unit: "m",
    digits: 2,
    isMoreBetter: false,
    of: ({ labels }) => labels?.falseEdges ?? null,
  },
  {
    name: "obstacles found",
    unit: "%",
    digits: 1,
    isMoreBetter: true,
    of: ({ labels }) => (labels?.obstaclesFound == null ? null : 100 * labels.obstaclesFound),
  },
  { name: "a frame", unit: "ms", digits: 2, isMoreBetter: false, of: ({ frameTime }) => frameTime },
  { name: "map", unit: "kB", digits: 0, isMoreBetter: false, of: ({ mapSize }) => mapSize / 1024 },
];

export interface Comparison {
  readonly name: string;
  readonly unit: string;
  readonly digits: number;
  /** Per recording. */
  readonly first: readonly number[];
  readonly second: readonly number[];
  /** Of second - first; "better" and "worse" refer to the second. */
  readonly difference: Verdict;
}

/**
 * Compares each measure that all recordings have. The verdicts are corrected together, since each further test is one more
 * chance to be wrong.
 */
export function compareScores(first: readonly Score[], second: readonly Score[]): Comparison[] {
  const rows = MEASURES.flatMap(({ name, unit, of, digits, isMoreBetter }) => {
    const [a, b] = [first, second].map((scores) => scores.map(of).filter((value) => value !== null));
    if (a!.length < first.length || b!.length < second.length) return [];
    return { name, unit, digits, first: a!, second: b!, sign: isMoreBetter ? 1 : -1 };
  });
  const verdicts = judge(
    rows.map(({ sign, first: a, second: b }) => b.map((value, r) => sign * (value - a[r]!))),
  );
  return rows.map(({ sign, ...row }, i) => {
    const { mean, low, high, ...rest } = verdicts[i]!;
    const turned = sign < 0 ? { mean: -mean, low: -high, high: -low } : { mean, low, high };
    return { ...row, difference: { ...rest, ...turned } };
  });
}
