type Point = readonly number[];

/**
 * Area of a polygon by the sums of its corners' cross products, in the square of their unit; 0 for fewer than three corners.
 * Wrong where sides cross: see `doSidesCross`.
 * Source: shoelace formula (Gauss), from memory.
 */
export function areaOf(corners: readonly Point[]): number {
  let twice = 0;
  for (let n = 0; n < corners.length; n++) {
    const [x0, y0] = corners[n]! as readonly [number, number];
    const [x1, y1] = corners[(n + 1) % corners.length]! as readonly [number, number];
    twice += x0 * y1 - x1 * y0;
  }
  return Math.abs(twice) / 2;
}

/** Which side of the line from a to b the point c is on: positive for the left one, 0 on the line. */
const sideOf = (a: Point, b: Point, c: Point): number =>
  (b[0]! - a[0]!) * (c[1]! - a[1]!) - (b[1]! - a[1]!) * (c[0]! - a[0]!);

/** Whether the lines from a to b and from c to d cross. Lines that only touch do not. */
const doCross = (a: Point, b: Point, c: Point, d: Point): boolean =>
  sideOf(a, b, c) * sideOf(a, b, d) < 0 && sideOf(c, d, a) * sideOf(c, d, b) < 0;

const cornerOf = (corners: readonly Point[], n: number): Point => corners[n % corners.length]!;

/** Whether two sides of a polygon that are not neighbours cross. Sides that only touch do not. */
export function doSidesCross(corners: readonly Point[]): boolean {
  const count = corners.length;
  const end = (n: number): Point => cornerOf(corners, n);
  for (let n = 0; n < count; n++) {
    for (let m = n + 2; m < count; m++) {
      if (n === 0 && m === count - 1) continue; // neighbours: the last side ends where the first one begins
      if (doCross(end(n), end(n + 1), end(m), end(m + 1))) return true;
    }
  }
  return false;
}

/** Whether a side of one polygon crosses a side of another one. Sides that only touch do not. */
export const doOutlinesCross = (one: readonly Point[], other: readonly Point[]): boolean =>
  one.some((a, n) => other.some((c, m) => doCross(a, cornerOf(one, n + 1), c, cornerOf(other, m + 1))));
