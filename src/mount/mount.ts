import type { Pose } from "../geometry/optics.ts";
import {
  compose,
  conjugate,
  fromYawPitchRoll,
  invert,
  multiply,
  OPTICAL_IN_BODY,
  toYawPitchRoll,
  turn,
} from "../geometry/rigid.ts";
import type { HeadEvent, Setup } from "../sense/events.ts";
import { findImu } from "./find-imu.ts";
import { findPlanar, planarMount } from "./find-planar.ts";
import { type Finding, isFound, type MountReport, type NotSeen } from "./findings.ts";
import { AttitudePath, type RawSample } from "./imu-mount.ts";
import { bodyOf, LensPath, levelOf } from "./lens-path.ts";
import { meanFloor, plausible } from "./mean-floor.ts";
import { motionOf, quietFrames, speedsOf } from "./motion.ts";
import { checkRange } from "./range-check.ts";
import { WheelPath } from "./wheels.ts";

export interface MountOptions {
  /** Which sensor of the setup; the first by default. */
  readonly sensor?: number;
  /** Metres by tape from the lens to the wall that it faces while the head rests at the start. */
  readonly tape?: number | null;
}

/**
 * Finds how a head sits on its base from a short drive: rest, turn on the spot both ways, drive straight on, brake, turn,
 * drive on. Deterministic: events in, a report out. Each quantity comes with its uncertainty, or is missing, with the motion that the
 * drive lacked.
 *
 * There are two tilts. The lens's pitch and roll are relative to the floor under the wheels, from the floor in view.
 * The imu's are relative to the lens, from the axis about which both turn. Neither uses gravity, so neither a sloping floor
 * nor the accelerometer's bias affects them; the direction of gravity is reported separately (`gravityTilt`).
 */
export class MountEstimator {
  readonly #setup: Setup;
  readonly #sensor: number;
  readonly #tape: number | null;
  readonly #path: LensPath;
  readonly #wheels = new WheelPath();
  readonly #fused = new AttitudePath();
  readonly #raw: RawSample[] = [];

  /** @throws {RangeError} if the sensor is not a camera of the setup, or the tape's length is invalid */
  constructor(setup: Setup, { sensor = 0, tape = null }: MountOptions = {}) {
    const own = setup.sensors[sensor];
    if (own === undefined) {
      throw new RangeError(`sensor ${sensor} is not one of the ${setup.sensors.length} in the setup`);
    }
    if (tape !== null && !(tape > 0.1 && tape < 20)) {
      throw new RangeError(`a tape of ${tape} m: give metres from the lens to the wall, 0.1 to 20`);
    }
    this.#setup = setup;
    this.#sensor = sensor;
    this.#tape = tape;
    this.#path = new LensPath(own.optics, turn(conjugate(this.#believed.rotation), [0, 0, 1]), tape !== null);
  }

  /** baseFromLens as the setup has it. */
  get #believed(): Pose {
    const { pose, on } = this.#setup.sensors[this.#sensor]!.mount;
    return on === "base" ? pose : compose(this.#setup.baseFromHead, pose);
  }

  /**
   * Takes one event, in the order of arrival; other sensors and kinds are ignored. Images may be overwritten
   * once it returns.
   * @throws {RangeError} if an image has another size than the sensor
   */
  take(event: HeadEvent): void {
    switch (event.kind) {
      case "depth":
        if (event.sensor === this.#sensor) this.#path.take(event.time, event.counts, event.amplitude);
        break;
      case "motion":
        this.#wheels.push(event.time, event.pose);
        break;
      case "orientation":
        this.#fused.push(event.time, event.rotation);
        break;
      case "inertial":
        if (this.#raw.length === 0 || event.time > this.#raw.at(-1)!.time) {
          this.#raw.push({ time: event.time, gyro: event.gyro, accel: event.accel });
        }
        break;
      default:
    }
  }

  /** The report of the drive so far. */
  solve(): MountReport {
    const frames = plausible(this.#path.frames);
    const strange = this.#path.frames.length - frames.length;
    const speeds = speedsOf(frames);
    const quiet = quietFrames(frames, speeds);
    const floor = meanFloor(quiet);
    const { way, turned } = motionOf(speeds);
    const seen = {
      frames: this.#path.frames.length,
      withFloor: frames.filter((frame) => frame.floor !== null).length,
      quiet: quiet.length,
      broken: this.#path.broken + strange,
      way,
      // A poorly constrained lens seems to turn although the base does not.
      turned: this.#wheels.count >= 10 ? Math.min(turned, this.#wheels.turned) : turned,
    };
    if (floor === null) return this.#nothing(seen);

    const levelFromLens = levelOf(floor.normal);
    const planar = planarMount(frames, levelFromLens, this.#wheels);
    const { yaw, forward, sideways, wheels } = findPlanar(planar, this.#wheels, seen);
    const [, pitch, roll] = toYawPitchRoll(bodyOf(levelFromLens));
    const { baseFromHead, headFromImu } = this.#setup;
    const baseFromImu = multiply(baseFromHead.rotation, headFromImu.rotation);
    const { imu, imuHeading, lateness, gravityTilt } = findImu({
      frames,
      speeds,
      levelFromLens,
      raw: this.#raw,
      fused: this.#fused,
      wheels: this.#wheels,
      wheelsLate: planar?.lateness ?? 0,
      yaw: isFound(yaw) ? yaw : null,
      believed: multiply(conjugate(baseFromImu), this.#believed.rotation),
      turned: seen.turned,
    });
    const report = {
      height: { value: floor.height, sigma: floor.heightSigma },
      pitch: { value: pitch, sigma: floor.pitchSigma },
      roll: { value: roll, sigma: floor.rollSigma },
      yaw,
      forward,
      sideways,
      wheels,
      imu,
      imuHeading,
      lateness,
      gravityTilt,
      slant: floor.slant,
      seen,
      range: this.#range(),
    };
    return { ...report, setup: this.#setupWith(report) };
  }

  #range(): MountReport["range"] {
    return this.#tape === null ? null : checkRange(this.#path.frames, this.#tape);
  }

  #nothing(seen: MountReport["seen"]): MountReport {
    const none: NotSeen =
      seen.withFloor === 0
        ? {
            why: "no floor was found in view",
            add: "tilt the head so that it sees floor, set its approximate mount, and start on open floor",
          }
        : {
            why: `only ${seen.quiet} frames with floor at rest or in steady motion`,
            add: "stand still for two seconds with open floor in view",
          };
    return {
      height: none,
      pitch: none,
      roll: none,
      yaw: none,
      forward: none,
      sideways: none,
      imu: none,
      imuHeading: none,
      lateness: none,
      wheels: { scale: none, turnScale: none, lateness: none },
      gravityTilt: null,
      slant: Number.NaN,
      seen,
      range: this.#range(),
      setup: this.#setup,
    };
  }

  /** The setup with the findings inserted. */
  #setupWith(report: Omit<MountReport, "setup">): Setup {
    const { height, pitch, roll, yaw, forward, sideways, imu } = report;
    const value = (finding: Finding, otherwise: number): number =>
      isFound(finding) ? finding.value : otherwise;
    const before = this.#believed;
    const [x, y, z] = before.position;
    const angles = toYawPitchRoll(bodyOf(before.rotation));
    const baseFromLens: Pose = {
      rotation: multiply(
        fromYawPitchRoll(value(yaw, angles[0]), value(pitch, angles[1]), value(roll, angles[2])),
        OPTICAL_IN_BODY,
      ),
      position: [value(forward, x), value(sideways, y), value(height, z)],
    };
    const sensor = this.#setup.sensors[this.#sensor]!;
    const { on, pose } = sensor.mount;
    // The mounts of the sensors in the head are the maker's; the mount of the head on the base is the finding.
    const baseFromHead = on === "head" ? compose(baseFromLens, invert(pose)) : this.#setup.baseFromHead;
    const sensors = this.#setup.sensors.map((other, i) =>
      i === this.#sensor && on === "base" ? { ...sensor, mount: { on, pose: baseFromLens } } : other,
    );
    const headFromLens = on === "head" ? pose : compose(invert(baseFromHead), baseFromLens);
    const headFromImu = isFound(imu)
      ? { ...this.#setup.headFromImu, rotation: multiply(headFromLens.rotation, imu.rotation) }
      : this.#setup.headFromImu;
    return { sensors, baseFromHead, headFromImu };
  }
}
