import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import type { FootingLayer, Place } from "./footing.ts";
import { type GlanceFrame, seesFloor } from "./glance-frame.ts";

/** Margin around the body that is taken as firm, metres: the cell into which its outline reaches. */
const AROUND = 0.06;
/** Distance from the start, metres, at which the base has left it. */
const LEFT = 0.05;

/** A frame at the start. */
export interface StartInput {
  readonly footing: FootingLayer;
  readonly frame: GlanceFrame;
  /** Microseconds. */
  readonly time: number;
  readonly at: Place;
  /** Of the body, metres. */
  readonly radius: number;
  /** Largest distance, metres, from the body to the nearest floor in view for which the ground between is trusted. */
  readonly most: number;
}

/**
 * The ground around the start. When a base starts, it stands on ground that no sensor has seen: a disc around it, and the ground up to
 * the nearest floor in view, is taken as firm. Whoever starts the base vouches for it.
 */
export class StartTrust {
  /** Where the base was when its memory began; null before. */
  #start: readonly [x: number, y: number] | null = null;
  #isStarting = true;

  /** Trusts the ground as long as the base is at its start. */
  trust({ footing, frame, time, at, radius, most }: StartInput): void {
    const { x, y } = at;
    if (this.#start === null) {
      this.#start = [x, y];
      this.#isStarting = true;
      trustDisc(footing, time, at, radius + AROUND);
    }
    if (!this.#isStarting) return;
    this.#isStarting = hypot2(x - this.#start[0], y - this.#start[1]) < LEFT;
    if (this.#isStarting) trustNear({ footing, frame, time, at }, radius + most);
  }

  /** The frame in which the start is known was corrected: every place p lies at R(yaw) p + (x, y) from now on. */
  move(x: number, y: number, yaw: number): void {
    if (this.#start === null) return;
    const [px, py] = this.#start;
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    this.#start = [cos * px - sin * py + x, sin * px + cos * py + y];
  }

  /** Restarts: the next position of the base is its start. */
  forget(): void {
    this.#start = null;
  }
}

function trustDisc(footing: FootingLayer, time: number, { x, y, floor }: Place, radius: number): void {
  const step = footing.cellSize / 2;
  for (let dx = -radius; dx <= radius; dx += step) {
    for (let dy = -radius; dy <= radius; dy += step) {
      if (dx * dx + dy * dy <= radius * radius) footing.trust(x + dx, y + dy, time, floor);
    }
  }
}

/** From the base's floor point to the nearest floor in view, in the strips that see floor, no farther than `most` metres. */
function trustNear({ footing, frame, time, at }: Omit<StartInput, "radius" | "most">, most: number): void {
  const { x, y, yaw, floor } = at;
  const cos = cosOf(yaw);
  const sin = sinOf(yaw);
  const size = footing.cellSize;
  for (let n = 0; n < frame.strips; n++) {
    const bx = frame.nearX[n]!;
    const by = frame.nearY[n]!;
    const far = hypot2(bx, by);
    if (!seesFloor(frame, n) || far > most) continue;
    for (let s = 0; s <= far + size; s += size / 2) {
      const px = (bx * s) / far;
      const py = (by * s) / far;
      footing.trust(x + cos * px - sin * py, y + sin * px + cos * py, time, floor);
    }
  }
}
