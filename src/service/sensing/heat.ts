import { readdir, readFile } from "node:fs/promises";
import { join } from "node:path";

// A board that is too hot slows itself down, and its reaches become late. Mapping less before that keeps it cool.

/** Heat of the hottest zone of a board, degrees Celsius. */
export interface Heat {
  readonly temperature: number;
  /** Degrees at which that zone slows the board down: its lowest passive or hot trip point; null: not told. */
  readonly limit: number | null;
}

const text = (...path: readonly string[]): Promise<string | null> =>
  readFile(join(...path), "utf8").then(
    (content) => content.trim(),
    () => null, // not every kernel has each file
  );
async function millidegrees(...path: readonly string[]): Promise<number | null> {
  const content = await text(...path);
  return content === null || !/^-?\d+$/.test(content) ? null : Number(content) / 1000;
}

/**
 * Reads the heat from the kernel's files; null where it tells nothing.
 * Source: Linux documentation, driver-api/thermal/sysfs-api (millidegrees).
 * @param system the folder /sys, or another in tests
 */
export async function readHeat(system = "/sys"): Promise<Heat | null> {
  const folder = join(system, "class/thermal");
  let hottest: { readonly zone: string; readonly temperature: number } | null = null;
  for (const zone of await readdir(folder).catch(() => [])) {
    if (!/^thermal_zone\d+$/.test(zone)) continue;
    const temperature = await millidegrees(folder, zone, "temp");
    if (temperature !== null && temperature > (hottest?.temperature ?? Number.NEGATIVE_INFINITY))
      hottest = { zone, temperature };
  }
  if (hottest === null) return null;
  const trips: number[] = [];
  for (const name of await readdir(join(folder, hottest.zone))) {
    if (!/^trip_point_\d+_type$/.test(name)) continue;
    if (!["passive", "hot"].includes((await text(folder, hottest.zone, name)) ?? "")) continue;
    const at = await millidegrees(folder, hottest.zone, name.replace("_type", "_temp"));
    if (at !== null && at > 0) trips.push(at);
  }
  return { temperature: hottest.temperature, limit: trips.length === 0 ? null : Math.min(...trips) };
}

/** Microseconds: how far ahead the temperature is followed, and over how long its slope is taken. */
const AHEAD = 30e6;
const SLOPE_OVER = 30e6;
/** Microseconds between two steps down and up: the temperature shows the effect of a step only after a while. */
const STEP_AFTER = 10e6;
const BACK_AFTER = 60e6;
/** Degrees below the limit at which a step is taken back. */
const MARGIN = 5;
const MOST_LEVEL = 4;

/** Sheds load while the temperature that a board reaches in 30 s, at its present slope, is at its limit or above. */
export class HeatGovernor {
  #level = 0;
  #readings: { readonly time: number; readonly temperature: number }[] = [];
  #changed = Number.NEGATIVE_INFINITY;

  /** The level of a shed event: one frame in 2^n is mapped. */
  get level(): number {
    return this.#level;
  }

  /** Takes a reading. @param time microseconds */
  add(time: number, { temperature, limit }: Heat): void {
    if (limit === null) return;
    this.#readings.push({ time, temperature });
    this.#readings = this.#readings.filter((reading) => time - reading.time <= SLOPE_OVER);
    // A board that cools is judged by its present temperature.
    const expected = temperature + Math.max(0, this.#slope()) * AHEAD;
    const since = time - this.#changed;
    if (expected >= limit && since >= STEP_AFTER && this.#level < MOST_LEVEL) {
      this.#level++;
      this.#changed = time;
    } else if (expected < limit - MARGIN && since >= BACK_AFTER && this.#level > 0) {
      this.#level--;
      this.#changed = time;
    }
  }

  /** Degrees a microsecond, by least squares; 0 until half of the time is there. */
  #slope(): number {
    const [first, last] = [this.#readings[0]!, this.#readings.at(-1)!];
    if (last.time - first.time < SLOPE_OVER / 2) return 0;
    const count = this.#readings.length;
    const mean = (of: (reading: typeof first) => number): number =>
      this.#readings.reduce((sum, reading) => sum + of(reading), 0) / count;
    const [time, temperature] = [mean((r) => r.time), mean((r) => r.temperature)];
    let [up, down] = [0, 0];
    for (const reading of this.#readings) {
      up += (reading.time - time) * (reading.temperature - temperature);
      down += (reading.time - time) ** 2;
    }
    return up / down;
  }
}
