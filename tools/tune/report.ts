import type { Score } from "./job.ts";
import { describeSettings, type Entry, type Given } from "./runs.ts";
import { FEWEST, judge, leaveOneOut, spearman, type Verdict } from "./statistics.ts";

/** What settings are ranked by, without truth; the first is the default. */
export const CRITERIA = ["agreement", "within", "error"] as const;
export type Criterion = (typeof CRITERIA)[number];

/** What a criterion measures, and the unit of a gain by it. */
export const BY: Readonly<Record<Criterion, { readonly unit: string; readonly about: string }>> = {
  agreement: { unit: "points", about: "points of agreement with held-out frames" },
  within: { unit: "points", about: "points of the share within 5 cm" },
  error: { unit: "mm", about: "mm of the median error" },
};

/** Settings whose numbers of held-out pixels differ by less than this share are comparable. */
const SAME_PIXELS = 0.01;

export interface LabelMeans {
  /** Share of the true edges' length, metres of false edge, share of true obstacles. */
  readonly edgesFound: number | null;
  readonly falseEdges: number;
  readonly obstaclesFound: number | null;
}

export interface Line {
  readonly settings: Given;
  /** Means over the recordings; see `Score`. */
  readonly agreement: number;
  readonly within5cm: number;
  readonly medianError: number;
  readonly frameTime: number;
  readonly mapSize: number;
  /** Means over the recordings with labels; null without any. */
  readonly labels: LabelMeans | null;
  /** Mean true map score; null where a recording's true geometry is not known. */
  readonly truth: number | null;
  /** Against the baseline, by the criterion; more is better. Null: scored on other pixels than the baseline. */
  readonly verdict: Verdict | null;
}

export interface Report {
  readonly by: Criterion;
  readonly recordings: number;
  readonly baseline: Omit<Line, "verdict">;
  /** Best first. */
  readonly lines: readonly Line[];
  readonly fit: { readonly chosenOn: number; readonly leftOut: number } | null;
  /** Rank correlations over all settings: of the criterion with each of them, and of each with the true map score. */
  readonly ranks: {
    readonly alike: Readonly<Record<Criterion, number>>;
    readonly true: Readonly<Record<Criterion, number>> | null;
  };
  readonly warnings: readonly string[];
}

const mean = (scores: readonly Score[], of: (score: Score) => number): number =>
  scores.reduce((sum, score) => sum + of(score), 0) / scores.length;

function labelMeans(scores: readonly Score[]): LabelMeans | null {
  const marked = scores.flatMap(({ labels }) => (labels === null ? [] : [labels]));
  if (marked.length === 0) return null;
  const meanOf = (values: readonly (number | null)[]): number | null => {
    const known = values.filter((value) => value !== null);
    return known.length === 0 ? null : known.reduce((sum, value) => sum + value, 0) / known.length;
  };
  return {
    edgesFound: meanOf(marked.map(({ edgesFound }) => edgesFound)),
    falseEdges: meanOf(marked.map(({ falseEdges }) => falseEdges))!,
    obstaclesFound: meanOf(marked.map(({ obstaclesFound }) => obstaclesFound)),
  };
}

/** Label scores in which the best setting is worse than the baseline; a gain in depth does not make up for them. */
function losses(baseline: LabelMeans | null, best: LabelMeans | null): string[] {
  if (baseline === null || best === null) return [];
  const out: string[] = [];
  const share = (what: string, before: number | null, after: number | null) => {
    if (before === null || after === null || after >= before) return;
    out.push(`${what} ${(100 * after).toFixed(1)} % instead of ${(100 * before).toFixed(1)} %`);
  };
  share("true edges found", baseline.edgesFound, best.edgesFound);
  share("obstacles found", baseline.obstaclesFound, best.obstaclesFound);
  if (best.falseEdges > baseline.falseEdges) {
    out.push(`false edges ${best.falseEdges.toFixed(2)} m instead of ${baseline.falseEdges.toFixed(2)} m`);
  }
  return out;
}

/** Higher is better, in points of a percentage or millimetres. */
const criterion = (score: Score, by: Criterion): number =>
  by === "agreement"
    ? 100 * score.agreement
    : by === "within"
      ? 100 * score.within5cm
      : -1000 * score.medianError;

/**
 * Compares candidates with a baseline over the same recordings.
 *
 * @param scores of each candidate, per recording; those with a failed replay are left out by the caller
 */
export function makeReport(
  entries: readonly Entry[],
  baseline: { readonly settings: Given; readonly scores: readonly Score[] },
  candidates: readonly { readonly settings: Given; readonly scores: readonly Score[] }[],
  by: Criterion,
): Report {
  const line = ({ settings, scores }: { settings: Given; scores: readonly Score[] }) => ({
    settings,
    agreement: mean(scores, ({ agreement }) => agreement),
    within5cm: mean(scores, ({ within5cm }) => within5cm),
    medianError: mean(scores, ({ medianError }) => medianError),
    frameTime: mean(scores, ({ frameTime }) => frameTime),
    mapSize: mean(scores, ({ mapSize }) => mapSize),
    labels: labelMeans(scores),
    truth: scores.some(({ truth }) => truth === null) ? null : mean(scores, ({ truth }) => truth!.score),
  });
  // A shorter range, for example, leaves out the pixels that are hard to predict.
  const isAlike = (scores: readonly Score[]) =>
    scores.every(({ pixels }, r) => Math.abs(pixels / baseline.scores[r]!.pixels - 1) <= SAME_PIXELS);
  const alike = candidates.filter(({ scores }) => isAlike(scores));
  const gains = alike.map(({ scores }) =>
    scores.map((score, r) => criterion(score, by) - criterion(baseline.scores[r]!, by)),
  );
  const verdicts = judge(gains);
  const lines: Line[] = alike.map((one, i) => ({ ...line(one), verdict: verdicts[i]! }));
  lines.sort((a, b) => b.verdict!.mean - a.verdict!.mean);
  const others = candidates.filter((one) => !alike.includes(one));
  lines.push(...others.map((one) => ({ ...line(one), verdict: null })));

  const fit = leaveOneOut(gains);
  const warnings: string[] = [];
  if (entries.length < FEWEST) {
    warnings.push(
      `${entries.length === 1 ? "one recording is" : "two recordings are"} too few: from ${FEWEST} on, ` +
        "differences can be significant",
    );
  }
  if (others.length > 0) {
    warnings.push(
      `${others.length} of ${candidates.length} settings were scored on other pixels than the baseline (mask, range or lost ` +
        "frames) and cannot be compared",
    );
  }
  if (fit !== null && fit.chosenOn > 0 && fit.leftOut < fit.chosenOn / 2) {
    const { unit } = BY[by];
    warnings.push(
      `over-fitted: the best settings gain ${fit.chosenOn.toFixed(3)} ${unit} on recordings that they were chosen on, ` +
        `${fit.leftOut.toFixed(3)} on those that they were not; record more, or try fewer settings`,
    );
  }
  const lost = losses(line(baseline).labels, lines[0]?.labels ?? null);
  if (lost.length > 0)
    warnings.push(`by the labels the first of the list is worse than the baseline: ${lost.join("; ")}`);
  const ranks = ranksOf(
    [baseline, ...alike].map(({ scores }) => line({ settings: {}, scores })),
    by,
  );
  return { by, recordings: entries.length, baseline: line(baseline), lines, fit, ranks, warnings };
}

type Means = Pick<Line, "agreement" | "within5cm" | "medianError" | "truth">;

const CRITERION: Readonly<Record<Criterion, (line: Means) => number>> = {
  agreement: ({ agreement }) => agreement,
  within: ({ within5cm }) => within5cm,
  error: ({ medianError }) => -medianError,
};

function ranksOf(all: readonly Means[], by: Criterion): Report["ranks"] {
  const against = (other: readonly number[]) =>
    Object.fromEntries(CRITERIA.map((one) => [one, spearman(all.map(CRITERION[one]), other)])) as Record<
      Criterion,
      number
    >;
  const isKnown = all.every(({ truth }) => truth !== null);
  return {
    alike: against(all.map(CRITERION[by])),
    true: isKnown ? against(all.map(({ truth }) => truth!)) : null,
  };
}

/** The best of the settings that can be compared, if it gains anything. */
export function bestOf({ lines }: Report): Line | null {
  const [first] = lines;
  return first?.verdict != null && first.verdict.mean > 0 ? first : null;
}

/** A difference with its interval. */
export function describeDifference({ mean: middle, low, high }: Verdict): string {
  const signed = (value: number) => `${value < 0 ? "" : "+"}${value.toFixed(3)}`;
  if (Number.isNaN(low)) return signed(middle);
  return `${signed(middle)} (${signed(low)} to ${signed(high)})`;
}

/** What labels say of a line; nothing without them. */
export function describeLabels(labels: LabelMeans | null): string {
  if (labels === null) return "";
  const share = (value: number | null) => (value === null ? "none marked" : `${(100 * value).toFixed(1)} %`);
  return ` | edges ${share(labels.edgesFound)}, false ${labels.falseEdges.toFixed(2)} m, obstacles ${share(labels.obstaclesFound)}`;
}

/** The true map score, where it is known. */
const describeTruth = (truth: number | null): string =>
  truth === null ? "" : ` | true map score ${(100 * truth).toFixed(2)} %`;

/** How far the criteria, and the truth where it is known, rank settings alike. */
export function describeRanks({ by, lines, ranks }: Report): string[] {
  if (lines.length < 4) return [];
  const list = (values: Readonly<Record<Criterion, number>>, names: readonly Criterion[]) =>
    names.map((name) => `${name} ${values[name].toFixed(2)}`).join(", ");
  const others = CRITERIA.filter((name) => name !== by);
  const out = [`ranks by ${by} agree with those by other scores (Spearman): ${list(ranks.alike, others)}`];
  if (ranks.true !== null)
    out.push(`ranks by the true map score agree with those by ${list(ranks.true, CRITERIA)}`);
  return out;
}

/** The report as lines for people. */
export function describeReport(report: Report, most = 20): string[] {
  const { baseline, lines, by, recordings, fit } = report;
  const unit = BY[by].about;
  const row = (difference: string, word: string, line: Omit<Line, "verdict">) =>
    `${(100 * line.agreement).toFixed(2).padStart(8)} % ${(100 * line.within5cm).toFixed(2).padStart(8)} % ${(1000 * line.medianError).toFixed(2).padStart(8)} mm ` +
    `${line.frameTime.toFixed(2).padStart(7)} ms ${(line.mapSize / 1024).toFixed(0).padStart(7)} kB  ` +
    `${difference.padEnd(28)} ${word.padEnd(15)} ${describeSettings(line.settings)}` +
    `${describeTruth(line.truth)}${describeLabels(line.labels)}`;
  const out = [
    `${lines.length} settings on ${recordings} recording${recordings === 1 ? "" : "s"}; gain in ${unit}, with its 95 % interval`,
    " agreement   within 5 cm  median    a frame     map   gain over the baseline       significant?    settings",
    row("", "the baseline", baseline),
  ];
  for (const line of lines.slice(0, most)) {
    const { verdict } = line;
    out.push(
      verdict === null
        ? row("", "other pixels", line)
        : row(describeDifference(verdict), verdict.verdict, line),
    );
  }
  if (lines.length > most) out.push(`  and ${lines.length - most} more (--json tells all)`);
  const count = (word: string) => lines.filter(({ verdict }) => verdict?.verdict === word).length;
  out.push(
    `${count("better")} significantly better, ${count("worse")} worse (5 % risk that any of these words is wrong, Holm)`,
  );
  if (fit !== null) {
    out.push(
      `the best, chosen on all recordings but one: gains ${fit.chosenOn.toFixed(3)} there and ${fit.leftOut.toFixed(3)} on the one left out`,
    );
  }
  out.push(...describeRanks(report));
  out.push(...report.warnings.map((warning) => `warning: ${warning}`));
  return out;
}
