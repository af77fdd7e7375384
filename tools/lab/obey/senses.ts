import type { Pose, Vec3 } from "../../../src/geometry/optics.ts";
import {
  compose,
  conjugate,
  fromRotationVector,
  multiply,
  toRotationVector,
  turn,
} from "../../../src/geometry/rigid.ts";
import type { DepthEvent, HeadEvent } from "../../../src/sense/events.ts";
import { lensPose } from "../../../src/simulate/attitude.ts";
import { Random } from "../../../src/simulate/random.ts";
import { renderDepth, type SensorNoise } from "../../../src/simulate/render.ts";
import { usualNoise } from "../../../src/simulate/usual-noise.ts";
import type { Base } from "./base.ts";
import type { Fault } from "./knobs.ts";
import type { Rig } from "./rig.ts";

/** Sensor data of the base, and its arrival at the head; seconds from the start. */
export interface Sensed {
  readonly arrives: number;
  /** Stamped with microseconds from the start. */
  readonly event: HeadEvent;
}

/** Samples a second. */
const IMU_RATE = 100;
const WHEEL_RATE = 40;
/** Seconds from a sample's stamp to its arrival. */
const SAMPLE_LATE = 0.003;
const GRAVITY = 9.80665;
/** A cheap inertial sensor: white noise of each sample and constant biases, rad/s and m/s2. Chosen by hand. */
const GYRO_NOISE = 0.004;
const GYRO_BIAS = 0.006;
const ACCEL_NOISE = 0.05;
const ACCEL_BIAS = 0.06;
/** Of fused attitudes: radians of white noise, and rad/s of drift of the heading. */
const FUSED_NOISE = 0.002;
const FUSED_DRIFT = 0.002;

const micro = (seconds: number): number => Math.round(1e6 * seconds);

/** Cameras, inertial sensor and wheels of a base that drives by itself. Called at each tick of the drive. */
export class Senses {
  readonly #rig: Rig;
  readonly #base: Base;
  readonly #noise: Random;
  readonly #gyroBias: Vec3;
  readonly #accelBias: Vec3;
  readonly #cameras: {
    next: number;
    sequence: number;
    readonly noise: SensorNoise | null;
    last: { readonly counts: Uint16Array; readonly amplitude: Uint16Array } | null;
  }[];
  #nextImu = 0;
  #lastFelt: HeadEvent | null = null;
  #nextWheels = 0;
  #lastRotation: Pose["rotation"] | null = null;
  #lastVelocity: Vec3 = [0, 0, 0];
  /** The imu's place one tick ago; its speed is taken over ticks. */
  #tickPlace: Vec3 | null = null;
  #velocity: Vec3 = [0, 0, 0];

  constructor(rig: Rig, base: Base) {
    const seed = Number(rig.knobs.seed);
    this.#rig = rig;
    this.#base = base;
    this.#noise = new Random(seed, 93);
    const bias = (size: number): Vec3 => [
      size * this.#noise.gauss(),
      size * this.#noise.gauss(),
      size * this.#noise.gauss(),
    ];
    this.#gyroBias = bias(GYRO_BIAS);
    this.#accelBias = bias(ACCEL_BIAS);
    const isNoisy = rig.knobs.noise === "yes";
    this.#cameras = rig.setup.sensors.map((_, n) => ({
      next: (0.31 * n) / rig.rate,
      sequence: 0,
      noise: isNoisy
        ? usualNoise(Number(rig.knobs["lens.sees"]), new Random(seed, 94 + n), { subRays: 2 })
        : null,
      last: null,
    }));
  }

  #worldFromImu(): Pose {
    const { baseFromHead, headFromImu } = this.#rig.setup;
    return compose(compose(this.#base.pose, baseFromHead), headFromImu);
  }

  /**
   * Sensor data of this tick.
   * @param fault the present fault of the sensors
   */
  *tick(time: number, dt: number, fault: Fault): Generator<Sensed> {
    const imu = this.#worldFromImu();
    const place = imu.position;
    const before = this.#tickPlace ?? place;
    this.#velocity = [(place[0] - before[0]) / dt, (place[1] - before[1]) / dt, (place[2] - before[2]) / dt];
    this.#tickPlace = place;
    if (time >= this.#nextImu - 1e-9) {
      this.#nextImu += 1 / IMU_RATE;
      const felt = this.#feel(imu, time);
      const isStill = fault === "orientation stands still" && this.#lastFelt !== null;
      const event = isStill ? { ...this.#lastFelt!, time: micro(time) } : felt;
      this.#lastFelt = event;
      if (event !== null && fault !== "orientation stops") yield { arrives: time + SAMPLE_LATE, event };
    }
    if (time >= this.#nextWheels - 1e-9) {
      this.#nextWheels += 1 / WHEEL_RATE;
      if (this.#rig.knobs.odometry === "yes" && fault !== "odometry stops") {
        yield { arrives: time + SAMPLE_LATE, event: this.#countWheels(time) };
      }
    }
    if (this.#base.knock !== null) {
      const [x, y] = this.#base.knock;
      this.#base.knock = null;
      yield { arrives: time + SAMPLE_LATE, event: { kind: "knock", time: micro(time), point: [x, y, 0.06] } };
    }
    for (const [sensor, camera] of this.#cameras.entries()) {
      if (time < camera.next - 1e-9) continue;
      camera.next += 1 / this.#rig.rate;
      camera.sequence++;
      if (fault === "front camera dies" && sensor === 0) continue;
      const isFrozen = fault === "image frozen" && sensor === 0 && camera.last !== null;
      const image = isFrozen ? camera.last! : this.#see(sensor, time, camera.noise);
      camera.last = image;
      const event: DepthEvent = {
        kind: "depth",
        time: micro(time),
        sensor,
        sequence: camera.sequence,
        ...image,
      };
      yield { arrives: time + Number(this.#rig.knobs["lens.late"]), event };
    }
  }

  #see(
    sensor: number,
    time: number,
    noise: SensorNoise | null,
  ): { counts: Uint16Array; amplitude: Uint16Array } {
    const { setup, scene } = this.#rig;
    const { optics } = setup.sensors[sensor]!;
    const counts = new Uint16Array(optics.width * optics.height);
    const amplitude = new Uint16Array(counts.length);
    const lens = lensPose(setup, sensor, this.#base.pose);
    renderDepth(scene, optics, { worldFromLens: lens, time, noise }, { counts, amplitude });
    return { counts, amplitude };
  }

  /** Mean rate and force since the sample before, with noise and biases; a fused attitude instead where that was chosen. */
  #feel(imu: Pose, time: number): HeadEvent | null {
    const random = this.#noise;
    const noisy = ([x, y, z]: Vec3, bias: Vec3, sigma: number): Vec3 => [
      x + bias[0] + sigma * random.gauss(),
      y + bias[1] + sigma * random.gauss(),
      z + bias[2] + sigma * random.gauss(),
    ];
    if (this.#rig.knobs.imu === "fused") {
      const jitter = fromRotationVector(noisy([0, 0, 0], [0, 0, 0], FUSED_NOISE));
      const drift = fromRotationVector([0, 0, FUSED_DRIFT * time]);
      return {
        kind: "orientation",
        time: micro(time),
        rotation: multiply(multiply(drift, imu.rotation), jitter),
      };
    }
    const last = this.#lastRotation;
    const [lastVelocity, velocity] = [this.#lastVelocity, this.#velocity];
    this.#lastRotation = imu.rotation;
    this.#lastVelocity = velocity;
    if (last === null) return null;
    const turned = toRotationVector(multiply(conjugate(last), imu.rotation));
    const half = multiply(last, fromRotationVector([turned[0] / 2, turned[1] / 2, turned[2] / 2]));
    const force = turn(conjugate(half), [
      (velocity[0] - lastVelocity[0]) * IMU_RATE,
      (velocity[1] - lastVelocity[1]) * IMU_RATE,
      (velocity[2] - lastVelocity[2]) * IMU_RATE + GRAVITY,
    ]);
    return {
      kind: "inertial",
      time: micro(time),
      gyro: noisy(
        [turned[0] * IMU_RATE, turned[1] * IMU_RATE, turned[2] * IMU_RATE],
        this.#gyroBias,
        GYRO_NOISE,
      ),
      accel: noisy(force, this.#accelBias, ACCEL_NOISE),
      mag: null,
    };
  }

  #countWheels(time: number): HeadEvent {
    const { counted, speed, curvature } = this.#base;
    const onSpot = curvature === Number.POSITIVE_INFINITY;
    return {
      kind: "motion",
      time: micro(time),
      pose: [counted.x, counted.y, counted.yaw],
      speed: onSpot ? [0, 0, speed] : [speed, 0, speed * curvature],
    };
  }
}
