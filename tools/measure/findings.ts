import type { BoardState } from "./board-state.ts";
import type { FrameCost, Measured } from "./frame-cost.ts";

/** Share of the time between frames beyond which a head sheds mapping (the governor's limit), and the share to aim for: a warm board is slower. */
const SHEDS = 0.85;
const AIM = 0.5;
/** A board that becomes slower by this share from its first seconds to its last ones is throttled. */
const SLOWED = 1.15;
/** Share of the processor below which other programs disturb the measurement. */
const DISTURBED = 0.9;
/** Degrees below its limit at which a board is called hot. */
const NEAR = 10;

const quantile = (values: readonly number[], q: number): number => {
  const sorted = values.toSorted((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(q * sorted.length))] ?? Number.NaN;
};
const whole = ({ binning, reach, map }: FrameCost): number => binning + reach + map;
const median = (costs: readonly FrameCost[], of = whole): number => quantile(costs.map(of), 0.5);

export interface Findings {
  /** Milliseconds: median and 99 % of frames, by stage. */
  readonly stages: readonly { readonly name: string; readonly median: number; readonly most: number }[];
  /** Share of one core at this rate. */
  readonly busy: number;
  /** Frames a second that this board could take, without time to spare. */
  readonly mostRate: number;
  /** Median of the last quarter of the time over that of the first. */
  readonly slowdown: number;
  /** Settings and steps to take, each a line. */
  readonly advice: readonly string[];
}

/** @param rate frames a second of the camera; @param before and @param after the board's state at the ends of the measurement */
export function findingsOf(
  { costs, worked, camera, held }: Measured,
  rate: number,
  before: BoardState,
  after: BoardState,
): Findings {
  const stage = (name: string, of: (cost: FrameCost) => number) => ({
    name,
    median: median(costs, of),
    most: quantile(costs.map(of), 0.99),
  });
  const quarter = Math.max(1, costs.length >> 2);
  const late = costs.slice(-quarter);
  const slowdown = median(late) / median(costs.slice(0, quarter));
  // What a warm board takes is what counts.
  const cost = late.reduce((sum, each) => sum + whole(each), 0) / late.length;
  const busy = (cost * rate) / 1000;
  const advice: string[] = [];
  if (busy > AIM) {
    const pixels = Math.round((worked.width * worked.height * AIM) / busy / 1000) * 1000;
    const slower = Math.floor((AIM / busy) * rate);
    advice.push(
      `${busy > SHEDS ? "the head would map fewer frames" : "little time is left for other programs and heat"}: set "mostPixels": ${Math.max(1000, pixels)}, or the camera to ${Math.max(1, slower)} frames a second`,
    );
  } else if (worked !== camera && 2.3 * busy < AIM) {
    advice.push(`there is time for finer images: set "mostPixels": ${2 * worked.width * worked.height}`);
  }
  if (held < DISTURBED) {
    advice.unshift(
      `other programs had the processor for ${Math.round(100 * (1 - held))} % of the time: stop them (a head that runs, too), and measure again`,
    );
  } else if (slowdown > SLOWED) {
    advice.push(
      `the board became ${Math.round(100 * (slowdown - 1))} % slower while it was busy: give it a heat sink or a fan, or measure again with --seconds 300`,
    );
  }
  const hottest = Math.max(before.temperature ?? 0, after.temperature ?? 0);
  if (after.limit !== null && hottest > after.limit - NEAR) {
    advice.push(
      `${hottest.toFixed(0)} degrees is near the ${after.limit.toFixed(0)} at which the board slows down: cool it`,
    );
  }
  if (after.governor !== null && ["powersave", "conservative"].includes(after.governor)) {
    advice.push(
      `the clock is chosen by "${after.governor}", which answers late: choose "performance" or "schedutil"`,
    );
  }
  return {
    stages: [
      ...(worked === camera ? [] : [stage("binning", ({ binning }) => binning)]),
      stage("to the reach", ({ reach }) => reach),
      stage("mapping", ({ map }) => map),
      stage("whole frame", whole),
    ],
    busy,
    mostRate: 1000 / cost,
    slowdown,
    advice,
  };
}
