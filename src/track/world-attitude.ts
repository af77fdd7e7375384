import type { Pose, Quat } from "../geometry/optics.ts";
import type { Frame, InertialInput } from "./frame.ts";
import { Heading, yawBetween } from "./heading.ts";
import { MapLevel } from "./level.ts";

/** Samples at the end of a span over which the turn rate is averaged. Chosen by hand. */
const LAST_SAMPLES = 4;

/**
 * The base's rotation in the world: the orientation sensor's attitude, with the world's yaw (`heading`) and levelled by the map (`level`).
 * Where depth constrains the rotation, it corrects both.
 */
export class WorldAttitude {
  readonly heading = new Heading();
  readonly level = new MapLevel();

  /** The world's rotation of the base where the orientation sensor says `attitude`. */
  toWorld(attitude: Quat): Quat {
    return this.level.correct(this.heading.toWorld(attitude));
  }

  /** Brings the heading to a frame's time. A jump of the sensor's yaw is added to the frame's notes. */
  advance({ input: { inertial = null }, settings, dt, isSteadied, yawJump, notes }: Frame): void {
    const gyroBias = inertial?.lean?.gyroBias ?? 0;
    this.heading.age(Math.max(settings.yawDrift, gyroBias), dt, isSteadied);
    this.heading.turnAt(isSteadied ? yawRate(inertial!) : 0, inertial?.latenessSigma ?? 0);
    this.heading.turn(-yawJump);
    const jump = yawJump + (inertial?.yawJump ?? 0);
    if (jump !== 0) notes.push({ what: "yaw jump", angle: jump });
  }

  /**
   * Corrects the heading by the yaw that depth found, where no gyro steadies the attitude. A jump of the sensor's yaw is added to the frame's notes.
   * @param seen        the base's rotation by depth
   * @param yawVariance radians squared, of its yaw
   */
  follow({ input, yawNoise, notes }: Frame, seen: Quat, yawVariance: number): void {
    const off = yawBetween(this.toWorld(input.attitude), seen);
    const angle = this.heading.correct({ off, noise: yawNoise, variance: yawVariance });
    if (angle !== null) notes.push({ what: "yaw jump", angle });
  }

  /**
   * The same where a gyro steadies the attitude: gyro and depth are weighed.
   * @param lever radians per metre: how much a range error that all samples share can turn the yaw by depth
   */
  weigh({ input, yawNoise }: Frame, seen: Quat, yawVariance: number, lever: number): void {
    const off = yawBetween(this.toWorld(input.attitude), seen);
    const rate = yawRate(input.inertial!);
    this.heading.correctSteadied({ off, noise: yawNoise, variance: yawVariance, rate, lever });
  }

  /** Learns the level of a young map from the base's rotation in it. @param fused frames in the map so far */
  levelBy({ input }: Frame, base: Pose, fused: number): void {
    this.level.add(this.heading.toWorld(input.attitude), base.rotation, fused);
  }

  /** Takes the heading of a found pose. @param sigma radians, 1 sigma, of its yaw */
  findAgain(attitude: Quat, base: Pose, sigma: number): void {
    this.heading.findAgain(this.heading.offset + yawBetween(this.toWorld(attitude), base.rotation), sigma);
  }
}

/** rad/s about the vertical at the end of a span. */
function yawRate({ span: { count, rotation: q, rate } }: InertialInput): number {
  let sum = 0;
  const first = Math.max(0, count - LAST_SAMPLES);
  for (let n = first; n < count; n++) {
    const [x, y, z, w] = [q[4 * n]!, q[4 * n + 1]!, q[4 * n + 2]!, q[4 * n + 3]!];
    // The third row of the rotation matrix.
    sum += 2 * (x * z - w * y) * rate[3 * n]! + 2 * (y * z + w * x) * rate[3 * n + 1]!;
    sum += (1 - 2 * (x * x + y * y)) * rate[3 * n + 2]!;
  }
  return count > 0 ? sum / (count - first) : 0;
}
