import type { Pose } from "../geometry/optics.ts";
import { angleBetween } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";

/** The map is extended after this motion, metres or radians: at rest the same errors would be added again and again. Chosen by hand. */
const STEP = 0.015;
const TURN = 0.035;
/** Frames up to which a map is young. A young map is extended at rest, too. Chosen by hand. */
const YOUNG_FRAMES = 50;

/** Decides when a base with odometry has moved enough for its view to extend the map. */
export class NewView {
  #last: Pose | null = null;

  /** @param fused frames in the map so far. @returns whether to extend the map with this view, which then counts as done */
  take(base: Pose, fused: number): boolean {
    const last = this.#last;
    const hasMoved =
      last === null ||
      distance(last.position, base.position) > STEP ||
      angleBetween(last.rotation, base.rotation) > TURN;
    if (!hasMoved && fused >= YOUNG_FRAMES) return false;
    this.#last = base;
    return true;
  }

  /** The next view extends the map. */
  restart(): void {
    this.#last = null;
  }
}
