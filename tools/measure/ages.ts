import { setTimeout as wait } from "node:timers/promises";
import { LiveError } from "../mount/live.ts";

/** Ages of a running head's reaches when they are sent, from its metrics. */
export interface Ages {
  /** Reaches in that time, and the time, seconds. */
  readonly count: number;
  readonly seconds: number;
  /** Milliseconds; each lies between the bounds of a bucket of the histogram. null: none was sent. */
  readonly median: Quantile | null;
  readonly most: Quantile | null;
}
export interface Quantile {
  readonly low: number;
  /** Infinity above the last bound. */
  readonly high: number;
}

/** Bucket bounds in seconds with how many values were at or below each. */
type Buckets = ReadonlyMap<number, number>;

const NAME = "brinkmap_reach_age_seconds_bucket";

/** Reads the buckets out of OpenMetrics text. Source: OpenMetrics 1.0, histograms: cumulative, `le` is the upper bound. */
export function bucketsOf(text: string): Buckets {
  const buckets = new Map<number, number>();
  for (const line of text.split("\n")) {
    if (!line.startsWith(NAME)) continue;
    const match = /le="([^"]+)"[^}]*\} ([\d.e+]+)/.exec(line);
    if (match !== null)
      buckets.set(match[1] === "+Inf" ? Number.POSITIVE_INFINITY : Number(match[1]), Number(match[2]));
  }
  return buckets;
}

/** Quantiles of what came between two readings. */
export function agesBetween(before: Buckets, after: Buckets, seconds: number): Ages {
  const bounds = [...after.keys()].sort((a, b) => a - b);
  const counts = bounds.map((bound) => after.get(bound)! - (before.get(bound) ?? 0));
  const count = counts.at(-1) ?? 0;
  const quantile = (share: number): Quantile | null => {
    if (count <= 0) return null;
    const index = counts.findIndex((below) => below >= share * count);
    return { low: 1000 * (bounds[index - 1] ?? 0), high: 1000 * bounds[index]! };
  };
  return { count, seconds, median: quantile(0.5), most: quantile(0.99) };
}

/**
 * Watches a running head for some time.
 * @param address http://<head>:4917
 * @throws {LiveError} when it does not answer, or needs a token
 */
export async function watchAges(address: string, seconds: number, signal: AbortSignal): Promise<Ages> {
  const begun = performance.now();
  const before = await read(address);
  await wait(1000 * seconds, undefined, { signal }).catch(() => {}); // Ctrl-C shortens it
  const after = await read(address);
  const ages = agesBetween(before, after, (performance.now() - begun) / 1000);
  if (ages.count < 0)
    throw new LiveError(`the head at ${address} was started again meanwhile: measure again`);
  return ages;
}

async function read(address: string): Promise<Buckets> {
  const token = process.env["BRINKMAP_TOKEN"];
  const headers: Record<string, string> = token === undefined ? {} : { authorization: `Bearer ${token}` };
  let answer: Response;
  try {
    answer = await fetch(new URL("/metrics", address), { headers });
  } catch {
    throw new LiveError(`no head answers at ${address} (serve tells its address)`);
  }
  const text = await answer.text();
  if (!answer.ok)
    throw new LiveError(
      `the head at ${address} does not give its metrics: ${text.trim()} (its token: BRINKMAP_TOKEN)`,
    );
  const buckets = bucketsOf(text);
  if (buckets.size === 0) throw new LiveError(`${address} is not a head: its metrics have no reach ages`);
  return buckets;
}

/** The ages as lines for people. */
export function describeAges({ count, seconds, median, most }: Ages): string[] {
  const range = (value: Quantile | null): string => {
    if (value === null) return "none: no frame was judged";
    return Number.isFinite(value.high)
      ? `${value.low.toFixed(0)} to ${value.high.toFixed(0)} ms`
      : `above ${value.low.toFixed(0)} ms`;
  };
  return [
    `reaches       ${count} in ${seconds.toFixed(0)} s`,
    `age, median   ${range(median)}`,
    `age, 99 %     ${range(most)}`,
  ];
}
