import type { Pose, Quat, Vec3 } from "../../src/geometry/optics.ts";
import { compose, conjugate, fromYawPitchRoll, multiply } from "../../src/geometry/rigid.ts";
import type { HeadEvent, Setup } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

const DEGREES = 180 / Math.PI;

/**
 * Kinds of drives: "whole" shows everything; "straight" never turns; "steady" turns all the time at one rate, neither starting
 * nor braking in view; "smooth" is straight on a base that does not nod.
 */
export const DRIVE_KINDS = ["whole", "straight", "smooth", "steady"] as const;
export type DriveKind = (typeof DRIVE_KINDS)[number];

/** Range of distances, metres, at which the simulated sensor just sees a white wall; a smaller one means more noise. */
export const SENSOR_KINDS = { milder: [5.5, 6.5], harsher: [4.5, 6] } as const;
export type SensorKind = keyof typeof SENSOR_KINDS;

/** A drive of a head whose mount only `truth` knows. */
export interface MountDrive {
  /** The assumed mount, which is wrong. */
  readonly setup: Setup;
  readonly events: Iterable<HeadEvent>;
  readonly truth: MountTruth;
  /** Whether the inertial sensor gives fused attitudes, raw samples, or both. */
  readonly inertial: "fused" | "raw" | "both";
}

export interface MountTruth {
  readonly baseFromLens: Pose;
  /** Yaw, pitch and roll of the lens on the base, radians (ISO 8855: pitch is positive nose down). */
  readonly angles: Vec3;
  readonly lensFromImu: Quat;
  /** Seconds by which attitudes (or raw samples, when there are no others) are late against depth. */
  readonly lateness: number;
  readonly odometryLateness: number;
  /** True radius and track of the wheels, divided by those that the odometry assumes. */
  readonly radius: number;
  readonly track: number;
}

/**
 * The same seed gives the same drive, whatever the sensor. One function, long as it is: random numbers are drawn in the order of the
 * text, so that a part moved elsewhere would change every drive.
 */
export function mountDrive(
  seed: number,
  kind: DriveKind = "whole",
  sensor: SensorKind = "milder",
): MountDrive {
  const random = new Random(seed, 77);
  const between = (low: number, high: number): number => low + (high - low) * random.uniform();
  const pick = <T>(choices: readonly T[]): T => choices[Math.floor(random.uniform() * choices.length)]!;
  const wall = SENSOR_KINDS[sensor];
  const height = between(0.18, 0.6);
  const yaw = between(-6, 6);
  const pitch = between(8, 32);
  const roll = between(-5, 5);
  const lens = { position: [between(-0.05, 0.28), between(-0.06, 0.06), height], yaw, pitch, roll };
  const inertial = (["fused", "raw", "both"] as const)[seed % 3]!;
  // Soldered in any orientation of a board, with a small misalignment.
  const lie = pick([0, 90, 180, -90]);
  const flip = pick([0, 0, 180]);
  const imu = {
    position: [between(-0.04, 0.04), between(-0.04, 0.04), between(-0.02, 0.03)],
    yaw: lie + between(-4, 4),
    pitch: between(-4, 4),
    roll: flip - between(0, 4),
  };
  const lateness = between(-0.01, 0.045);
  const odometryLateness = between(0, 0.03);
  const gain = kind === "smooth" || (kind === "whole" && seed % 4 === 3) ? 0 : between(0.8, 2.2);
  const [w, d] = [between(3.6, 4.4), between(3.2, 4)];
  const far = w - 1.3;
  const json = {
    name: `mount drive ${seed}`,
    seed: 1 + (seed % 4_000_000_000),
    materials: {
      floor: { reflectance: between(0.2, 0.6) },
      wall: { reflectance: between(0.5, 0.8) },
      thing: { reflectance: between(0.3, 0.6) },
    },
    scene: [
      { shape: "floor", material: "floor", rect: [-1.4, -d / 2 - 0.1, far + 0.2, d / 2 + 0.1] },
      { shape: "box", material: "wall", at: [-1.3, 0], size: [0.2, d + 0.2, 2.4] },
      { shape: "box", material: "wall", at: [far + 0.1, 0], size: [0.2, d + 0.2, 2.4] },
      { shape: "box", material: "wall", at: [w / 2 - 1.3, -d / 2 - 0.1], size: [w + 0.2, 0.2, 2.4] },
      { shape: "box", material: "wall", at: [w / 2 - 1.3, d / 2 + 0.1], size: [w + 0.2, 0.2, 2.4] },
      ...Array.from({ length: 16 }, (_, n) => thingOf(n, between, { far, d })),
    ],
    base: {
      width: 0.3,
      bumper: 0.18,
      wheelbase: 0.25,
      track: 0.26,
      turnRate: between(35, 70),
      acceleration: between(0.4, 0.8),
      braking: between(0.6, 1),
      dip: { gain, frequency: between(2, 3), damping: between(0.3, 0.5) },
    },
    head: lens,
    imu,
    sensors: [
      {
        name: "front depth",
        rate: pick([8, 10, 12]),
        start: between(0, 0.05),
        optics: {
          width: 160,
          height: 120,
          fieldOfView: [between(68, 84), between(54, 64)],
          measures: "z",
          minRange: 0.12,
          maxRange: 6,
        },
        mount: {},
        noise: {
          gate: 150,
          seen: { reflectance: 0.8, range: between(wall[0], wall[1]) },
          frequency: 60e6,
          dark: 200,
          amplitudeUnit: 8,
        },
      },
    ],
    inertial:
      inertial === "fused"
        ? null
        : {
            gyroNoise: between(0.005, 0.012),
            gyroBias: [between(-0.3, 0.3), between(-0.3, 0.3), between(-0.3, 0.3)],
            gyroWalk: 0.002,
            accelNoise: between(0.001, 0.003),
            accelBias: [between(-0.06, 0.06), between(-0.06, 0.06), between(-0.06, 0.06)],
          },
    orientation:
      inertial === "raw" ? null : { yawDrift: between(-3, 3), noise: between(0.02, 0.1), late: lateness },
    odometry: {
      rate: pick([20, 30, 50]),
      scale: between(-0.012, 0.012),
      turnScale: between(-0.012, 0.012),
      noise: between(0.002, 0.005),
    },
    drive: { points: wayOf(kind, between) },
  };
  const scenario = loadScenario(json);
  const { sensors, baseFromHead, headFromImu } = scenario.setup;
  const { scale, turnScale } = scenario.odometry!;
  const baseFromLens = compose(baseFromHead, sensors[0]!.mount.pose);
  const lensFromImu = multiply(conjugate(sensors[0]!.mount.pose.rotation), headFromImu.rotation);
  // Half of the drives have an estimate by eye, half only "looks down a little".
  const isByEye = seed % 2 === 0;
  const guess = isByEye
    ? fromYawPitchRoll(0, Math.round(pitch / 5) * (5 / DEGREES), 0)
    : fromYawPitchRoll(0, 0.35, 0);
  const setup: Setup = {
    sensors,
    baseFromHead: { rotation: guess, position: [0.1, 0, 0.3] },
    headFromImu: {
      ...headFromImu,
      rotation: isByEye ? fromYawPitchRoll(lie / DEGREES, 0, flip / DEGREES) : fromYawPitchRoll(0, 0, 0),
    },
  };
  return {
    setup,
    events: eventsOf(scenario, { kind, inertial, lateness, odometryLateness }),
    truth: {
      baseFromLens,
      angles: [yaw / DEGREES, pitch / DEGREES, roll / DEGREES],
      lensFromImu,
      lateness,
      odometryLateness,
      radius: 1 / (1 + scale),
      track: (1 + turnScale) / (1 + scale),
    },
    inertial,
  };
}

type Between = (low: number, high: number) => number;

/** Along the four walls, the long ones first, each reaching out as far as the way leaves room. */
function thingOf(n: number, between: Between, { far, d }: { far: number; d: number }): object {
  const [long, deep, tall] = [between(0.4, 0.9), between(0.25, 0.5), between(0.25, 1.6)];
  const x = between(-1, far - 0.2);
  const y = between(-d / 2 + 0.2, d / 2 - 0.2);
  const at = [
    [x, d / 2 - deep / 2],
    [x, -d / 2 + deep / 2],
    [far - deep / 2, y],
    [-1.2 + deep / 4, y],
  ][n % 4]!;
  const thing = { material: "thing", at };
  if (n % 3 === 2) return { ...thing, shape: "cylinder", radius: deep / 3, height: tall };
  return {
    ...thing,
    shape: "box",
    size: [
      [long, deep],
      [long, deep],
      [deep, long],
      [deep / 2, long],
    ][n % 4]!.concat(tall),
  };
}

/** Legs and turns of a kind of drive; "whole" follows docs/mounting-the-head.md. */
function wayOf(kind: DriveKind, between: Between): object[] {
  const speed = between(0.35, 0.6);
  if (kind === "straight" || kind === "smooth") {
    return [
      { at: [0, 0] },
      { at: [between(0.6, 0.8), 0], speed, pause: 1.2 },
      { at: [between(1.3, 1.5), 0], speed, pause: 1.2 },
      { at: [between(1.9, 2.1), 0], speed },
    ];
  }
  if (kind === "steady") {
    // Legs so short that their corners run into one another: a circle. Its beginning and end are cut off.
    const radius = between(0.5, 0.7);
    const turn = 0.0125 / radius;
    return Array.from({ length: Math.ceil((2.4 * Math.PI) / turn) }, (_, n) => ({
      at: [radius * Math.sin(n * turn), radius * (1 - Math.cos(n * turn))],
      speed: 0.3,
      corner: 0.4,
    }));
  }
  const side = between(-1, 1) < 0 ? -1 : 1;
  const [a, b] = [between(70, 120), between(70, 120)];
  const length = between(0.8, 1.3);
  const across = side * between(0.5, 0.7);
  return [
    { at: [0, 0], look: [side * a, -side * b, 0], pause: between(0.3, 0.7) },
    { at: [length, 0], speed, pause: between(0.3, 0.8) },
    { at: [length, across], speed, corner: 0, pause: between(0.3, 0.6) },
    { at: [0.1, across], speed, corner: 0, pause: 0.4 },
    { at: [0.1, 0], speed, corner: 0, pause: 0.3 },
    { at: [length, 0], speed, corner: 0, pause: 0.3 },
    { at: [length, -across], speed, corner: 0, pause: 0.3 },
    { at: [0.1, -across], speed, corner: 0 },
  ];
}

interface EventOptions {
  readonly kind: DriveKind;
  readonly inertial: MountDrive["inertial"];
  /** Seconds by which the stamps of the inertial sensor and of the wheels are late. */
  readonly lateness: number;
  readonly odometryLateness: number;
}

/** Shifts stamps like late sensors and wheels. */
function* eventsOf(scenario: ReturnType<typeof loadScenario>, options: EventOptions): Generator<HeadEvent> {
  const { kind, inertial, lateness, odometryLateness } = options;
  const total = scenario.lap * scenario.repeat;
  // The simulator's last second stands with its nose still down.
  const [first, last] = kind === "steady" ? [4, Math.min(total - 4, 22)] : [0, total - 1];
  for (const event of simulateEvents(scenario)) {
    if (event.time < first * 1e6 || event.time > last * 1e6) continue;
    const shift = (seconds: number): number => Math.max(0, event.time + Math.round(seconds * 1e6));
    if (event.kind === "reference") continue; // the estimator must not see the truth
    if (event.kind === "inertial" && inertial === "raw") yield { ...event, time: shift(lateness) };
    else if (event.kind === "motion") yield { ...event, time: shift(odometryLateness) };
    else yield event;
  }
}
