import type { Quat, Vec3 } from "../geometry/optics.ts";
import { conjugate, fromRotationVector, multiply, toRotationVector } from "../geometry/rigid.ts";

/** Numbers of fused frames at which the young map is made level. Chosen by hand: the noise of the mean falls by a third from one to the next. */
const LEVEL_AT = [3, 8, 20, 50];

/**
 * The level of a young map. The first frame's tilt, with all its noise, would be the map's for ever; so while the map is young it is
 * turned to the mean of all attitudes so far.
 */
export class MapLevel {
  /** Mean tilt of the map against the attitudes, as a rotation vector, and how many frames it is of. */
  #mean: Vec3 = [0, 0, 0];
  #count = 0;
  /** What of the mean was already taken out of the map. */
  #taken: Vec3 = [0, 0, 0];

  /** A world attitude with what is known of the map's tilt. */
  correct(attitude: Quat): Quat {
    if (this.#count === 0) return attitude;
    const [x, y] = [this.#mean[0] - this.#taken[0], this.#mean[1] - this.#taken[1]];
    return multiply(fromRotationVector([x, y, 0]), attitude);
  }

  /**
   * @param attitude the base's rotation by the orientation sensor, not corrected
   * @param base     the base's rotation by depth
   * @param fused    frames that the map is of
   */
  see(attitude: Quat, base: Quat, fused: number): void {
    if (fused > LEVEL_AT.at(-1)!) return;
    const [x, y] = toRotationVector(multiply(base, conjugate(attitude)));
    const n = ++this.#count;
    const [a, b] = [x + this.#taken[0], y + this.#taken[1]];
    this.#mean = [this.#mean[0] + (a - this.#mean[0]) / n, this.#mean[1] + (b - this.#mean[1]) / n, 0];
  }

  /** The rotation vector by which the map must be turned now to be level; null when it is not due. */
  take(fused: number): Vec3 | null {
    if (!LEVEL_AT.includes(fused)) return null;
    const [x, y] = [this.#mean[0] - this.#taken[0], this.#mean[1] - this.#taken[1]];
    this.#taken = this.#mean;
    return [-x, -y, 0];
  }
}
