import type { Pose } from "../geometry/optics.ts";
import { planarOf } from "../geometry/rigid.ts";
import type { Guard } from "../guard/guard.ts";
import type { Ground } from "./ground.ts";
import type { Planar } from "./local-frame.ts";
import type { TrackState } from "./outputs.ts";
import type { PoseSources } from "./pose-sources.ts";
import type { Placed } from "./tracking.ts";

/**
 * Moves the ground near the base along with the base, frame by frame: by wheels and heading where poses are tracked, by the poses
 * themselves where they are given. When a lost base is found again elsewhere, the ground near it is forgotten.
 */
export class GroundMotion {
  readonly #ground: Ground;
  readonly #poses: PoseSources;
  /** Where the base was taken to be when it became lost; null while it is not. */
  #lostAt: Planar | null = null;

  constructor(ground: Ground, poses: PoseSources) {
    this.#ground = ground;
    this.#poses = poses;
  }

  /**
   * Brings the ground near the base up to a placed frame.
   * @param time    microseconds: capture of the frame
   * @param isGiven whether poses are given, and not tracked
   */
  follow(guard: Guard, { state, worldFromBase }: Placed, time: number, isGiven: boolean): void {
    const world = planar(worldFromBase);
    const motion = {
      time,
      wheels: isGiven ? null : this.#poses.wheelsAt(time),
      heading: isGiven ? null : this.#poses.headingAt(time),
      world,
      isHeld: state?.hold === "held",
      worldSigma: state === null ? 0 : placeSigma(state),
    };
    this.#ground.advance(guard, motion, isGiven);
    if (state?.hold === "lost") this.#lostAt ??= world;
    else if (state !== null && this.#lostAt !== null) {
      this.#ground.findAgain(guard, this.#lostAt);
      this.#lostAt = null;
    }
  }
}

function planar(pose: Pose): Planar {
  const [x, y, yaw] = planarOf(pose);
  return { x, y, yaw };
}

/** Metres, 1 sigma, of places a metre from the base: errors of its place and of its heading. */
const placeSigma = ({ covariance: [xx = 0, , , , yy = 0], yawSigma }: TrackState): number =>
  Math.sqrt(xx + yy + yawSigma * yawSigma);
