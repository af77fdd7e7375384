import { cosOf, sinOf } from "../geometry/elementary.ts";
import { FOOTING } from "../terms/safety.ts";
import type { FootingLayer } from "./footing.ts";
import type { Turned } from "./sweep.ts";

/** Metres around the base within which remembered ground is checked; ground farther away is given up. */
const WITHIN = 1.6;
/** Shares of the step that are checked: none, parts of it, and a little more than all, because the step is measured, too. */
const SHARES = [0, 0.25, 0.5, 0.75, 1, 1.25];

/** Where the base would be in a memory, and by what it may be elsewhere: metres and radians, in the memory's frame. */
export interface Displacement {
  readonly at: Turned;
  readonly by: Turned;
  /** Metres: wheels cross unseen ground so narrow. */
  readonly gap: number;
  /** Microseconds: floor touched later stays firm. */
  readonly since: number;
}

/**
 * Gives up firm ground that may not be firm: the base is perhaps not at its place in this memory, but farther by a step, or by a part of
 * it. A cell near the base stays firm if the memory has firm ground at its place relative to the base in each of these cases.
 */
export function giveUpDisplaced(footing: FootingLayer, { at, by, gap, since }: Displacement): void {
  const { cellSize } = footing;
  const steps = SHARES.map((share) => ({
    x: at.x + share * by.x,
    y: at.y + share * by.y,
    cos: cosOf(share * by.yaw),
    sin: sinOf(share * by.yaw),
  }));
  const isFirm = (x: number, y: number): boolean =>
    footing.forWheels(Math.floor(x / cellSize), Math.floor(y / cellSize), gap) === FOOTING.firm;
  const isFirmForAll = (dx: number, dy: number): boolean =>
    steps.every(({ x, y, cos, sin }) => isFirm(x + cos * dx - sin * dy, y + sin * dx + cos * dy));
  const half = Math.ceil(WITHIN / cellSize);
  const side = 2 * half + 1;
  const [i0, j0] = [Math.floor(at.x / cellSize) - half, Math.floor(at.y / cellSize) - half];
  // All cells are judged before any is changed.
  const stays = Uint8Array.from({ length: side * side }, (_, n) => {
    const dx = (i0 + (n % side) + 0.5) * cellSize - at.x;
    const dy = (j0 + Math.floor(n / side) + 0.5) * cellSize - at.y;
    return isFirmForAll(dx, dy) ? 1 : 0;
  });
  footing.giveUpFirmExcept((i, j) => {
    const [u, v] = [i - i0, j - j0];
    const isNear = u >= 0 && u < side && v >= 0 && v < side;
    return footing.timeAt(i, j) >= since || (isNear && stays[v * side + u] === 1);
  });
}
