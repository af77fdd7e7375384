import { powOf } from "../../src/geometry/elementary.ts";
import { resolveSettings, SETTINGS, SettingError, type SettingName } from "../../src/head/settings.ts";
import { Random } from "../../src/simulate/random.ts";
import type { Given } from "./runs.ts";

/** Values of one setting to try: a list, or all from `low` to `high`. */
type Range =
  | { readonly name: SettingName; readonly values: readonly (string | number)[] }
  | { readonly name: SettingName; readonly low: number; readonly high: number };

const MOST = 10_000;

/**
 * Reads `name=a,b,c` or `name=low..high`.
 * @throws {SettingError} naming what is wrong with it; every value is checked against the setting's bounds
 */
export function parseTry(word: string): Range {
  const at = word.indexOf("=");
  if (at < 1) throw new SettingError(`--try takes name=a,b,c or name=low..high, got "${word}"`);
  const name = word.slice(0, at) as SettingName;
  const text = word.slice(at + 1);
  const checked = (value: string) => resolveSettings({ [name]: value.trim() })[name];
  if (Object.hasOwn(SETTINGS, name) && SETTINGS[name].type === "text") {
    throw new SettingError(`${name} is a text; --try takes numbers and choices`);
  }
  const ends = /^(.+?)\.\.(.+)$/.exec(text);
  if (ends === null) return { name, values: [...new Set(text.split(",").map(checked))] };
  const [low, high] = [checked(ends[1]!), checked(ends[2]!)];
  if (typeof low !== "number" || typeof high !== "number" || !(low < high)) {
    throw new SettingError(`--try ${word}: the first number must be less than the second`);
  }
  return { name, low, high };
}

/** @throws {SettingError} when a range has no list of values, or there are more than 10,000 settings */
export function grid(ranges: readonly Range[]): Given[] {
  let out: Given[] = [{}];
  for (const range of ranges) {
    if (!("values" in range)) {
      throw new SettingError(`--try ${range.name}=${range.low}..${range.high} needs --random <n>`);
    }
    if (out.length * range.values.length > MOST) {
      throw new SettingError(`the grid has more than ${MOST} settings; try fewer values, or --random <n>`);
    }
    out = out.flatMap((given) => range.values.map((value) => ({ ...given, [range.name]: value })));
  }
  return out;
}

/**
 * Draws `count` settings from the ranges. The same seed gives the same settings, and a larger count extends the list. A range over
 * a factor of ten and more is drawn by its logarithm.
 */
export function draw(ranges: readonly Range[], count: number, seed: number): Given[] {
  const random = new Random(seed);
  return Array.from({ length: count }, () =>
    Object.fromEntries(
      ranges.map((range) => {
        const share = random.uniform();
        if ("values" in range) return [range.name, range.values[Math.floor(share * range.values.length)]!];
        const { name, low, high } = range;
        const isWide = low > 0 && high / low >= 10;
        const value = isWide ? low * powOf(high / low, share) : low + (high - low) * share;
        if (SETTINGS[name].type === "integer") return [name, Math.round(value)];
        return [name, Math.min(high, Math.max(low, Number(value.toPrecision(3))))];
      }),
    ),
  );
}
