import { planarOf } from "../geometry/rigid.ts";
import type { Guard } from "../guard/guard.ts";
import type { Ground } from "./ground.ts";
import type { MotionKnown, Planar } from "./local-frame.ts";
import type { TrackState } from "./outputs.ts";
import type { PoseSources } from "./pose-sources.ts";
import type { Settings } from "./settings.ts";
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
   * @param time   microseconds: capture of the frame
   * @param source where poses come from: `pose.source`
   */
  follow(guard: Guard, placed: Placed, time: number, source: Settings["pose.source"]): void {
    const { state } = placed;
    const motion = motionAt(time, placed, this.#poses, source);
    this.#ground.advance(guard, motion);
    if (state?.hold === "lost") this.#lostAt ??= motion.world;
    else if (state !== null && this.#lostAt !== null) {
      this.#ground.findAgain(guard, this.#lostAt);
      this.#lostAt = null;
    }
  }
}

/**
 * Motion of the base at the time of a frame that has its pose.
 * @param source where poses come from: `pose.source`
 */
export function motionAt(
  time: number,
  { worldFromBase, state }: Placed,
  poses: PoseSources,
  source: Settings["pose.source"],
): MotionKnown {
  const isGiven = state === null && source !== "tracked";
  const [x, y, yaw] = planarOf(worldFromBase);
  return {
    time,
    isGiven,
    wheels: isGiven ? null : poses.wheelsAt(time),
    heading: isGiven ? null : poses.headingAt(time),
    world: { x, y, yaw },
    isHeld: state?.hold === "held",
    worldSigma: state === null ? 0 : placeSigma(state),
  };
}

/** Metres, 1 sigma, of points one metre from the base: uncertainty of its position and of its heading. */
const placeSigma = ({ covariance: [xx = 0, , , , yy = 0], yawSigma }: TrackState): number =>
  Math.sqrt(xx + yy + yawSigma * yawSigma);
