import type { PinholeOptics, Pose } from "../../../src/geometry/optics.ts";
import {
  compose,
  fromYawPitchRoll,
  invert,
  multiply,
  toYawPitchRoll,
  turn,
} from "../../../src/geometry/rigid.ts";
import { wrapAngle } from "../../../src/geometry/vec.ts";
import { isPoseEvent, PoseSources } from "../../../src/head/pose-sources.ts";
import { openSensors } from "../../../src/head/sensors.ts";
import { resolveSettings } from "../../../src/head/settings.ts";
import { samplerSettings } from "../../../src/head/stage-settings.ts";
import { DepthTracking } from "../../../src/head/tracking.ts";
import type { HeadEvent, Setup } from "../../../src/sense/events.ts";
import { lensPose } from "../../../src/simulate/attitude.ts";
import {
  carried,
  inertialSamples,
  odometrySamples,
  orientationSamples,
} from "../../../src/simulate/motion.ts";
import { Random } from "../../../src/simulate/random.ts";
import { renderDepth } from "../../../src/simulate/render.ts";
import { loadScenario } from "../../../src/simulate/scenario.ts";
import { FrameSampler } from "../../../src/track/sampler.ts";
import type { TroubleCase } from "./cases.ts";

const RADIANS = Math.PI / 180;

/** What a base has besides its camera: wheels, raw inertial samples, attitudes fused by the sensor or by the head. */
export interface Senses {
  readonly wheels: boolean;
  readonly inertial: boolean;
  /** False: the head makes attitudes of inertial samples itself. */
  readonly fused: boolean;
}

export interface TroubleFrame {
  /** Seconds. */
  readonly time: number;
  readonly hold: string;
  /** Metres along each axis, metres, and radians from the truth. */
  readonly off: readonly number[];
  readonly error: number;
  readonly yaw: number;
  /** Metres, 1 sigma, along x, y and z. */
  readonly sigma: readonly number[];
  readonly yawSigma: number;
  readonly isInside: boolean;
  /** Metres from the truth: of wheels whose heading is the gyro's; NaN without. */
  readonly wheels: number;
  readonly notes: readonly string[];
}

/** A case with its frames drawn. */
export interface Drawn {
  readonly trouble: TroubleCase;
  readonly setup: Setup;
  readonly frames: readonly {
    readonly time: number;
    readonly counts: Uint16Array;
    readonly isDark: boolean;
  }[];
}

const MATERIALS = {
  boards: { reflectance: 0.4 },
  wall: { reflectance: 0.7 },
  wood: { reflectance: 0.5 },
  cloth: { reflectance: 0.4 },
  glass: { reflectance: 0.01, transparent: 0.92, glint: 6 },
  sealed: { reflectance: 0.04, mirror: 0.8, glint: 4 },
  rubber: { reflectance: 0.02 },
};

function scenarioOf({ shapes, moving, seed, rate = 12 }: TroubleCase) {
  return loadScenario({
    name: "trouble",
    seed,
    materials: MATERIALS,
    scene: shapes,
    moving: moving ?? [],
    head: { position: [0.12, 0, 0.3] },
    imu: { position: [0, 0, 0.01] },
    sensors: [
      {
        name: "front depth",
        rate,
        optics: {
          model: "pinhole",
          width: 160,
          height: 120,
          fieldOfView: [70, 55],
          measures: "z",
          minRange: 0.25,
          maxRange: 5,
        },
        mount: { on: "head", position: [0.03, 0, 0.05], pitch: 8 },
        noise: {
          gate: 150,
          seen: { reflectance: 0.8, range: 5.5 },
          frequency: 60000000.0,
          dark: 200,
          contrast: 0.8,
          saturation: 60000,
          amplitudeUnit: 8,
          subRays: 1,
        },
      },
    ],
    drive: { points: [{ at: [0, 0] }, { at: [0.1, 0] }], followFloor: false },
  });
}

/** Draws the frames of a case. */
export function draw(trouble: TroubleCase): Drawn {
  const { course, rate = 12, seed, bias = 0, mounted, gaps = [], covered = [] } = trouble;
  const scenario = scenarioOf(trouble);
  const optics = scenario.setup.sensors[0]!.optics as PinholeOptics;
  const noise = { ...scenario.sensors[0]!.noise!, random: new Random(seed, 16) };
  const amplitude = new Uint16Array(optics.width * optics.height);
  const wrong = mounted === undefined ? null : fromYawPitchRoll(...radiansOf(mounted));
  const within = (spans: readonly (readonly [number, number])[], t: number) =>
    spans.some(([from, to]) => t >= from && t < to);
  const frames: { time: number; counts: Uint16Array; isDark: boolean }[] = [];
  for (let k = 0; k / rate < course.duration; k++) {
    const time = k / rate;
    if (within(gaps, time)) continue;
    const counts = new Uint16Array(amplitude.length);
    const isDark = within(covered, time);
    if (!isDark) {
      const lens = lensPose(scenario.setup, 0, course.poseAt(time));
      const at = wrong === null ? lens : { ...lens, rotation: multiply(lens.rotation, wrong) };
      renderDepth(scenario.scene, optics, { worldFromLens: at, time, noise }, { counts, amplitude });
      if (bias > 0) addBias(counts, optics, at, bias);
    }
    frames.push({ time: Math.round(1e6 * time), counts, isDark });
  }
  return { trouble, setup: scenario.setup, frames };
}

const radiansOf = ([roll, pitch, yaw]: readonly [number, number, number]): [number, number, number] => [
  yaw * RADIANS,
  pitch * RADIANS,
  roll * RADIANS,
];

/** Upright surfaces are measured too far; the floor is not. */
function addBias(counts: Uint16Array, o: PinholeOptics, worldFromLens: Pose, bias: number): void {
  for (let v = 0, i = 0; v < o.height; v++) {
    for (let u = 0; u < o.width; u++, i++) {
      const z = counts[i]! * o.unit;
      if (z === 0) continue;
      const ray = turn(worldFromLens.rotation, [(z * (u - o.cx)) / o.fx, (z * (v - o.cy)) / o.fy, z]);
      const height = worldFromLens.position[2] + ray[2];
      // It grows over the lowest 15 cm, where floor and wall light each other.
      const share = Math.min(1, Math.max(0, (height - 0.02) / 0.15));
      const range = Math.hypot(...ray);
      counts[i] = Math.round((z * (1 + (share * bias) / range)) / o.unit);
    }
  }
}

/** All events of a case but depth, by time of their stamps. */
function eventsOf({ trouble, setup }: Drawn, senses: Senses): HeadEvent[] {
  const { course, seed, late = 0, wheels = {}, yawJump } = trouble;
  const worldFromBase = (t: number) => course.poseAt(t);
  const worldFromImu = carried(worldFromBase, compose(setup.baseFromHead, setup.headFromImu));
  const events: HeadEvent[] = [];
  const inertial = {
    rate: 100,
    gyroNoise: 0.008 * RADIANS,
    gyroBias: [0.06 * RADIANS, -0.04 * RADIANS, 0.09 * RADIANS],
    gyroWalk: 0.002 * RADIANS,
    accelNoise: 0.002,
    accelBias: [0.03, -0.02, 0.05],
  } as const;
  if (senses.inertial) {
    events.push(...inertialSamples(worldFromImu, course.duration, inertial, new Random(seed, 1)));
  }
  if (senses.fused) {
    const noise = { rate: 100, yawDrift: (2 * RADIANS) / 60, noise: 0.1 * RADIANS, late };
    for (const event of orientationSamples(worldFromImu, course.duration, noise, new Random(seed, 2))) {
      const hasJumped = yawJump !== undefined && event.time / 1e6 >= yawJump[0];
      const jump = hasJumped ? fromYawPitchRoll(yawJump[1] * RADIANS, 0, 0) : null;
      events.push(jump === null ? event : { ...event, rotation: multiply(jump, event.rotation) });
    }
  }
  if (senses.wheels) {
    const noise = { rate: 50, scale: 0.01, turnScale: -0.015, noise: 0.004, slips: [], ...wheels };
    const random = new Random(seed, 3);
    const drive = { motionAt: (t: number) => course.motionAt(t), worldFromBase, duration: course.duration };
    events.push(...odometrySamples(drive, noise, random));
  }
  return events.sort((a, b) => a.time - b.time);
}

/** Microseconds by which samples may come after the frame that needs them. */
const SLACK = 100_000;

/** Tracks a case as a head does. */
export function track(
  drawn: Drawn,
  senses: Senses,
  given: Readonly<Record<string, unknown>> = {},
): TroubleFrame[] {
  const { trouble, setup, frames } = drawn;
  const settings = resolveSettings({ "pose.source": "tracked", ...given });
  const sources = new PoseSources(setup, settings);
  const sensors = openSensors(setup, settings);
  const sampler = new FrameSampler(sensors[0]!.mask.rays, samplerSettings(settings));
  const start = trouble.course.poseAt(0);
  const tracking = new DepthTracking(start, settings);
  const events = eventsOf(drawn, senses);
  const reckoned = senses.wheels ? reckon(drawn, senses, events) : null;
  const tracked: TroubleFrame[] = [];
  let next = 0;
  let isLostByGap = false;
  for (const { time, counts, isDark } of frames) {
    for (; next < events.length && events[next]!.time <= time + SLACK; next++) {
      const event = events[next]!;
      if (isPoseEvent(event)) sources.take(event);
      if (
        event.kind !== "motion" &&
        tracking.noFrameUntil(event.time - SLACK, sources.hasInertial(event.time))
      ) {
        isLostByGap = true;
      }
    }
    const { depth, unitsPerMetre } = sensors[0]!.mask.apply(counts, null);
    const answer = sources.at(0, time);
    if (answer.kind !== "trackable") continue;
    const { attitude, odometry, baseFromLens, inertial } = sources.steadied(answer, time);
    const placed = tracking.place({
      time,
      sensor: 0,
      sampler,
      depth,
      unitsPerMetre,
      isClear: !isDark,
      isFloorZero: false,
      attitude,
      odometry,
      baseFromLens,
      inertial,
    });
    const truth = trouble.course.poseAt(time / 1e6);
    const off = placed.worldFromBase.position.map((v, k) => v - truth.position[k]!);
    const [yaw] = toYawPitchRoll(multiplyInverse(truth, placed.worldFromBase));
    const { hold, covariance, yawSigma } = placed.state!;
    const sigma = [0, 4, 8].map((k) => Math.sqrt(covariance[k]!));
    const notes = placed.notes.map(({ what }) => what);
    if (isLostByGap) notes.push("lost");
    isLostByGap = false;
    tracked.push({
      time: time / 1e6,
      hold,
      off,
      error: Math.hypot(...off),
      yaw: Math.abs(wrapAngle(yaw)),
      sigma,
      yawSigma,
      isInside: off.every((v, k) => Math.abs(v) <= 3 * sigma[k]!) && Math.abs(yaw) <= 3 * yawSigma,
      wheels: reckoned?.(time) ?? Number.NaN,
      notes,
    });
  }
  return tracked;
}

const multiplyInverse = (from: Pose, to: Pose) => compose(invert(from), to).rotation;

/** Wheels alone with the heading of the gyro, from the true start: metres from the truth at a time. */
function reckon({ trouble: { course } }: Drawn, senses: Senses, events: readonly HeadEvent[]) {
  const places: { time: number; x: number; y: number }[] = [];
  let last: readonly number[] | null = null;
  let [x, y] = course.poseAt(0).position;
  let gyroYaw = toYawPitchRoll(course.poseAt(0).rotation)[0];
  let before = Number.NaN;
  for (const event of events) {
    if (event.kind === "inertial") {
      if (!Number.isNaN(before)) gyroYaw += event.gyro[2] * ((event.time - before) / 1e6);
      before = event.time;
    }
    if (event.kind !== "motion") continue;
    const [px, py, yaw] = event.pose;
    if (last !== null) {
      const ahead = Math.hypot(px - last[0]!, py - last[1]!);
      const sign = Math.cos(last[2]!) * (px - last[0]!) + Math.sin(last[2]!) * (py - last[1]!) < 0 ? -1 : 1;
      const heading = senses.inertial ? gyroYaw : yaw;
      x += sign * ahead * Math.cos(heading);
      y += sign * ahead * Math.sin(heading);
    }
    last = [px, py, yaw];
    places.push({ time: event.time, x, y });
  }
  return (time: number): number => {
    const place = places.findLast((p) => p.time <= time) ?? places[0]!;
    const [tx, ty] = course.poseAt(time / 1e6).position;
    return Math.hypot(place.x - tx, place.y - ty);
  };
}
