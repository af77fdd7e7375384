import * as port from "./elementary-port.ts";

// Elementary functions that give the same bits on every machine. Those of `Math` may differ in the last bit between processors and
// between versions of the runtime (the language leaves their accuracy open), and one bit is enough for another map. Square roots,
// the four operations, rounding, `fround`, `abs`, `min` and `max` are exact by the language's standard and are taken from `Math`.
// A lint rule (build/same-bits.grit) holds the core to this.

type OfOne = (x: number) => number;
type OfTwo = (x: number, y: number) => number;

export const sinOf: OfOne = port.sin;
export const cosOf: OfOne = port.cos;
export const tanOf: OfOne = port.tan;
export const asinOf: OfOne = port.asin;
export const acosOf: OfOne = port.acos;
export const atanOf: OfOne = port.atan;
/** Angle of the point (x, y); y comes first, as in `Math.atan2`. */
export const atan2Of: OfTwo = port.atan2;
export const expOf: OfOne = port.exp;
export const logOf: OfOne = port.log;
export const log1pOf: OfOne = port.log1p;
export const log2Of: OfOne = port.log2;
export const powOf: OfTwo = port.pow;
export const cbrtOf: OfOne = port.cbrt;

export const square: OfOne = (x) => x * x;
export const cube: OfOne = (x) => x * x * x;

/** Length of (x, y), for what has a physical size: squares must neither overflow nor vanish. */
export const hypot2: OfTwo = (x, y) => Math.sqrt(x * x + y * y);

/** Length of (x, y, z), for what has a physical size. */
export const hypot3 = (x: number, y: number, z: number): number => Math.sqrt(x * x + y * y + z * z);

/** Length of a vector of any size, for what has a physical size. */
export function lengthOf(values: ArrayLike<number>): number {
  let sum = 0;
  for (let n = 0; n < values.length; n++) sum += values[n]! * values[n]!;
  return Math.sqrt(sum);
}
