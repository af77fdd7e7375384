import type { Quat, Vec3 } from "../geometry/optics.ts";
import { conjugate, fromRotationVector, multiply, toRotationVector } from "../geometry/rigid.ts";

/** The young map is levelled at these numbers of fused frames. Chosen by hand: the noise of the mean falls by a third from one to the next. */
const LEVEL_AT = [3, 8, 20, 50];

/**
 * The level of a young map. Without it the map would keep the tilt error of the first frame. So the young map is turned to the mean of all
 * attitudes so far.
 */
export class MapLevel {
  /** Mean tilt of the map against the attitudes, as a rotation vector; and the number of frames in the mean. */
  #mean: Vec3 = [0, 0, 0];
  #count = 0;
  /** The part of the mean by which the map was already turned. */
  #taken: Vec3 = [0, 0, 0];

  /** A world attitude, corrected by the known tilt of the map. */
  correct(attitude: Quat): Quat {
    if (this.#count === 0) return attitude;
    const [x, y] = [this.#mean[0] - this.#taken[0], this.#mean[1] - this.#taken[1]];
    return multiply(fromRotationVector([x, y, 0]), attitude);
  }

  /**
   * Adds a frame to the mean.
   * @param attitude the base's rotation by the orientation sensor, not corrected
   * @param base     the base's rotation by depth
   * @param fused    frames fused into the map so far
   */
  add(attitude: Quat, base: Quat, fused: number): void {
    if (fused > LEVEL_AT.at(-1)!) return;
    const [x, y] = toRotationVector(multiply(base, conjugate(attitude)));
    const n = ++this.#count;
    const [a, b] = [x + this.#taken[0], y + this.#taken[1]];
    this.#mean = [this.#mean[0] + (a - this.#mean[0]) / n, this.#mean[1] + (b - this.#mean[1]) / n, 0];
  }

  /** The rotation vector by which the map must be turned now to be level; null when levelling is not due. */
  take(fused: number): Vec3 | null {
    if (!LEVEL_AT.includes(fused)) return null;
    const [x, y] = [this.#mean[0] - this.#taken[0], this.#mean[1] - this.#taken[1]];
    this.#taken = this.#mean;
    return [-x, -y, 0];
  }
}
