import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { BEARINGS, END, FOOTING } from "../terms/safety.ts";
import type { FootingLayer, Place } from "./footing.ts";
import { type GlanceFrame, seesFloor } from "./glance-frame.ts";
import { turnsOf } from "./sweep.ts";

/** Where free, firm ground ends around the base. */
export interface ReachNow {
  /** (BEARINGS) metres from the base's floor point; bearing n is n * 2 pi / BEARINGS, counter-clockwise from forward. */
  readonly distance: Float32Array;
  /** (BEARINGS) an `END`. */
  readonly ends: Uint8Array;
  /** (BEARINGS) seconds since the last ground before the end was seen; Infinity when it never was. */
  readonly age: Float32Array;
  /** (BEARINGS) seconds since a sensor that looks there had a usable view of the floor; Infinity where none looks. */
  readonly viewAge: Float32Array;
}

/** An empty reach: everything unseen. */
export const openReach = (): ReachNow => ({
  distance: new Float32Array(BEARINGS),
  ends: new Uint8Array(BEARINGS).fill(END.unseen),
  age: new Float32Array(BEARINGS).fill(Number.POSITIVE_INFINITY),
  viewAge: new Float32Array(BEARINGS).fill(Number.POSITIVE_INFINITY),
});

export interface ReachLimits {
  /** Largest distance, metres. */
  readonly maxReach: number;
  /** Unseen ground narrower than this, metres, is crossed. */
  readonly gap: number;
  /** Metres from the base's floor point to its farthest corner. */
  readonly radius: number;
}

const FIRM: number = FOOTING.firm;
const GONE: number = FOOTING.gone;
const BLOCKED: number = FOOTING.blocked;
const KEPT_OUT: number = FOOTING.keptOut;
const DOUBTFUL: number = FOOTING.doubtful;

/** Share of the body's radius on which the base certainly stands; nearer ground is skipped. Chosen by hand. */
const STOOD_ON = 0.5;

/** Looks from the base along each bearing to the first place that is not free, firm ground. */
export class ReachAround {
  readonly #limits: ReachLimits;
  readonly #cos = Float64Array.from({ length: BEARINGS }, (_, n) => cosOf((2 * Math.PI * n) / BEARINGS));
  readonly #sin = Float64Array.from({ length: BEARINGS }, (_, n) => sinOf((2 * Math.PI * n) / BEARINGS));

  constructor(limits: ReachLimits) {
    this.#limits = limits;
  }

  /**
   * Computes the reach from memory alone.
   * @param at   pose of the base in the memory's frame
   * @param time now, microseconds
   * @param out  receives distances, ends and ages
   */
  look(footing: FootingLayer, { x, y, yaw }: Omit<Place, "floor">, time: number, out: ReachNow): void {
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    const per = 1 / footing.cellSize;
    for (let n = 0; n < BEARINGS; n++) {
      const dx = cos * this.#cos[n]! - sin * this.#sin[n]!;
      const dy = sin * this.#cos[n]! + cos * this.#sin[n]!;
      this.#follow(footing, n, x, y, dx, dy, out);
      const at = Math.max(0, out.distance[n]! - footing.cellSize / 2);
      const seen = footing.timeAt(Math.floor((x + dx * at) * per), Math.floor((y + dy * at) * per));
      out.age[n] = (time - seen) / 1e6;
    }
  }

  /** Follows one bearing through every cell on it. Source: Amanatides and Woo 1987. */
  #follow(
    footing: FootingLayer,
    n: number,
    x: number,
    y: number,
    dx: number,
    dy: number,
    out: ReachNow,
  ): void {
    const { maxReach, gap, radius } = this.#limits;
    const { cellSize } = footing;
    const per = 1 / cellSize;
    const half = cellSize / 2;
    const from = STOOD_ON * radius;
    let i = Math.floor((x + dx * from) * per);
    let j = Math.floor((y + dy * from) * per);
    const stepI = dx < 0 ? -1 : 1;
    const stepJ = dy < 0 ? -1 : 1;
    const acrossI = Math.abs(cellSize / dx);
    const acrossJ = Math.abs(cellSize / dy);
    let nextI = dx === 0 ? Number.POSITIVE_INFINITY : ((i + (dx < 0 ? 0 : 1)) * cellSize - x) / dx;
    let nextJ = dy === 0 ? Number.POSITIVE_INFINITY : ((j + (dy < 0 ? 0 : 1)) * cellSize - y) / dy;
    let firm = 0;
    let end: number = END.open;
    let isDoubtful = false;
    for (let enter = from; enter <= maxReach; ) {
      const leave = nextI < nextJ ? nextI : nextJ;
      const what = footing.forWheels(i, j, gap);
      if (what === FIRM) {
        firm = leave - half; // the ground may end anywhere within the last cell
        isDoubtful = false;
      } else if (what === GONE || what === BLOCKED || what === KEPT_OUT) {
        end = what === GONE ? END.brink : what === BLOCKED ? END.obstacle : END.keptOut;
        firm = Math.max(firm, enter - half);
        break;
      } else {
        if (what === DOUBTFUL) isDoubtful = true;
        if (leave - firm > gap + half && leave > radius) {
          end = isDoubtful ? END.doubtful : END.unseen;
          break;
        }
      }
      if (nextI < nextJ) {
        i += stepI;
        nextI += acrossI;
      } else {
        j += stepJ;
        nextJ += acrossJ;
      }
      enter = leave;
    }
    out.distance[n] = end === END.open ? maxReach : firm;
    out.ends[n] = end;
  }
}

/** Strips farther apart than this, in bearings, have an unseen gap between them. */
const MOST_APART = BEARINGS / 8;

/**
 * Shortens a reach by frames that are not in memory yet, along the bearings that their strips cover.
 * @param isAlone whether there is no memory: bearings that no frame covers are then unseen from the start
 */
export function limitByFrames(frames: readonly GlanceFrame[], isAlone: boolean, out: ReachNow): void {
  if (isAlone) {
    out.distance.fill(0);
    out.ends.fill(END.unseen);
    out.age.fill(Number.POSITIVE_INFINITY);
  }
  const isSet = new Uint8Array(BEARINGS);
  const put = (bearing: number, distance: number, end: number): void => {
    const n = (bearing + BEARINGS) % BEARINGS;
    if (isAlone && isSet[n] === 0) out.age[n] = 0;
    else if (out.distance[n]! <= distance) return;
    isSet[n] = 1;
    out.distance[n] = distance;
    out.ends[n] = end;
  };
  for (const frame of frames) {
    const { strips, endX, endY, nearX, nearY, farX, farY, kind } = frame;
    let before: { readonly bearing: number; readonly distance: number; readonly end: number } | null = null;
    for (let s = 0; s < strips; s++) {
      if (nearX[s] === farX[s] && nearY[s] === farY[s]) {
        before = null; // no floor in its view
        continue;
      }
      const now = {
        bearing: turnsOf(endX[s]!, endY[s]!),
        // Without memory the ground may end anywhere between the base and the nearest row of a strip that sees no floor.
        distance: isAlone && !seesFloor(frame, s) ? 0 : hypot2(endX[s]!, endY[s]!),
        end: kind[s]!,
      };
      put(now.bearing, now.distance, now.end);
      // Bearings between two strips end at the nearer of the two ends.
      if (before !== null && Math.abs(before.bearing - now.bearing) < MOST_APART) {
        const nearer: { distance: number; end: number } = before.distance < now.distance ? before : now;
        const low = Math.min(before.bearing, now.bearing);
        const high = Math.max(before.bearing, now.bearing);
        for (let n = low + 1; n < high; n++) put(n, nearer.distance, nearer.end);
      }
      before = now;
    }
  }
}
