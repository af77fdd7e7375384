import type { Guard } from "../guard/guard.ts";
import { motionAt } from "./base-motion.ts";
import type { Ground } from "./ground.ts";
import type { Planar } from "./local-frame.ts";
import type { PoseSources } from "./pose-sources.ts";
import type { Placed } from "./tracking.ts";

/**
 * Moves the local frame along with the base, frame by frame: by wheels and heading where poses are tracked, by the poses
 * themselves where they are given. When a lost base is found again elsewhere, the ground near it is forgotten.
 */
export class GroundMotion {
  readonly #ground: Ground;
  readonly #poses: PoseSources;
  /** Estimated place of the base when it became lost; null while it is not lost. */
  #lostAt: Planar | null = null;

  constructor(ground: Ground, poses: PoseSources) {
    this.#ground = ground;
    this.#poses = poses;
  }

  /**
   * Advances the local frame to a placed frame.
   * @param time    microseconds: capture of the frame
   * @param isGiven whether poses are given, and not tracked
   */
  follow(guard: Guard, placed: Placed, time: number, isGiven: boolean): void {
    const { state } = placed;
    const motion = motionAt(time, placed, this.#poses, isGiven);
    this.#ground.advance(guard, motion, isGiven);
    if (state?.hold === "lost") this.#lostAt ??= motion.world;
    else if (state !== null && this.#lostAt !== null) {
      this.#ground.findAgain(guard, this.#lostAt);
      this.#lostAt = null;
    }
  }
}
