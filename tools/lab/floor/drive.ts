import type { PinholeOptics, Pose, Vec3 } from "../../../src/geometry/optics.ts";
import type { RayTable } from "../../../src/geometry/rays.ts";
import {
  fromYawPitchRoll,
  multiply,
  OPTICAL_IN_BODY,
  toMatrix,
  transformPoint,
  turn as turnBy,
} from "../../../src/geometry/rigid.ts";
import { type BodyDescription, parseFootprint } from "../../../src/guard/body.ts";
import type { Glancer } from "../../../src/guard/glance.ts";
import type { GlanceFrame } from "../../../src/guard/glance-frame.ts";
import { Guard, type GuardSettings } from "../../../src/guard/guard.ts";
import { DepthMask } from "../../../src/sense/mask.ts";
import { DEFAULT_RANGE_NOISE } from "../../../src/sense/noise.ts";
import { Random } from "../../../src/simulate/random.ts";
import { renderDepth, type SensorNoise, type SunPatch } from "../../../src/simulate/render.ts";
import type { Scene } from "../../../src/simulate/scene.ts";
import { CURVATURES, END, END_NAMES } from "../../../src/terms/safety.ts";

const RADIANS = Math.PI / 180;
const FOCAL = 80 / Math.tan(41.5 * RADIANS);

/** 160 x 120 pixels, 83 degrees across. */
export const OPTICS: PinholeOptics = {
  model: "pinhole",
  width: 160,
  height: 120,
  fx: FOCAL,
  fy: FOCAL,
  cx: 79.5,
  cy: 59.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.05,
  maxRange: 7,
};

/** The demo's trolley. */
export const BODY: BodyDescription = {
  footprint: parseFootprint("0.22,0.175 0.22,-0.175 -0.2,-0.175 -0.2,0.175"),
  height: 0.65,
  wheelRadius: 0.06,
  climbableStep: 0.015,
  tolerableDrop: 0.015,
  deceleration: 0.9,
  reactionDelay: 0.15,
};
const WHEELS = [0.14, -0.14].flatMap((x) => [0.15, -0.15].map((y) => [x, y] as const));
const LENS_X = 0.15;

export const GUARD: GuardSettings = {
  body: BODY,
  cellSize: 0.05,
  margin: 0.07,
  maxReach: 3,
  topSpeed: 1,
  topTurn: 1.5,
  maxBlind: 0.4,
  hold: 0,
  memory: 600,
  startTrust: 1.2,
  knockRepeat: 1,
  maxTrim: 5.5 * RADIANS,
  gate: 0,
};

/** Frames a second, and seconds from a frame's exposure until its pace is known. */
const RATE = 10;
const LATENCY = 0.06;
/** Seconds of one step of the base's motion. */
const TICK = 1 / 120;
const ACCELERATION = 0.6;

export interface Course {
  readonly scene: Scene;
  /** Lens above the floor, metres, and how far it looks down, degrees. */
  readonly height: number;
  readonly pitch: number;
  /** Where the base starts, metres and radians, and its wish. */
  readonly start: readonly [x: number, y: number, yaw: number];
  readonly speed: number;
  /** 1/m of the way that it wants to go; 0 straight. */
  readonly curvature: number;
  /** Seconds after which it is over, and the place (x) at which it is. */
  readonly duration: number;
  readonly until: number;
  readonly seed: number;
  /** Degrees of pitch per m/s^2 of braking. */
  readonly dip: number;
  /** Whether a wheel there has left the floor. */
  readonly isGone: (x: number, y: number) => boolean;
  readonly sun?: readonly SunPatch[];
  /** Height of the floor that carries the wheels; 0 everywhere when absent. */
  readonly ground?: (x: number, y: number) => number;
  /** Changes a frame as no renderer does: mirror-like patches. `where` is the place on level ground that a pixel looks at. */
  readonly spoil?: (
    shot: Shot,
    where: (i: number) => readonly [number, number] | null,
    random: Random,
  ) => void;
  /** What the base wants at a place, for a course that is not one way. */
  readonly steer?: (at: readonly [number, number, number]) => "ahead" | "back" | "left" | "stay";
  /** Wished speed at a time, for a base that starts and brakes. */
  readonly wish?: (time: number) => number;
  /** Places along x at which the time is noted. */
  readonly marks?: readonly number[];
  /** Looks on: a judged frame, and where the base really is. */
  readonly watch?: (frame: GlanceFrame, at: readonly [number, number, number]) => void;
}

export interface Shot {
  readonly counts: Uint16Array;
  readonly amplitude: Uint16Array;
}

export interface Outcome {
  /** Whether a wheel left the floor (by more than the tolerable drop), and when. */
  readonly isMiss: boolean;
  /** Whether the base stood still at the end by the pace alone, and seconds for which it did altogether. */
  readonly stopped: boolean;
  readonly still: number;
  readonly stops: number;
  readonly time: number;
  readonly way: number;
  /** Where it ended. */
  readonly at: readonly [number, number, number];
  /** What limited it last. */
  readonly limit: string;
  /** Places of the edge as known at the end, world as odometry has it turned back to truth: x, y pairs. */
  readonly edges: readonly (readonly [number, number])[];
  /** Frames in which a brink was seen ahead. */
  readonly brinks: number;
  /** Seconds at which the marks were passed; NaN where they were not. */
  readonly marks: readonly number[];
  /** Milliseconds of the guard's own work, sum and number of frames. */
  readonly cost: number;
  readonly frames: number;
}

const rotation = new Float64Array(9);
const position = new Float64Array(3);

/** Drives a course: the base obeys the pace and nothing else. */
export function driveCourse(course: Course): Outcome {
  const random = new Random(course.seed, 3);
  const noise: SensorNoise = {
    gate: 150,
    seen: { reflectance: 0.8, range: 4.5 },
    frequency: 60e6,
    wrap: false,
    dark: 200,
    contrast: 0.8,
    sun: course.sun ?? [],
    saturation: 60000,
    amplitudeUnit: 8,
    shot: true,
    subRays: 3,
    random: new Random(course.seed, 4),
  };
  const guard = new Guard(GUARD);
  const mask = new DepthMask(OPTICS);
  const glance: Glancer = guard.openGlancer(OPTICS, mask.rays, mask.unitsPerMetre, DEFAULT_RANGE_NOISE)!;
  const pixels = OPTICS.width * OPTICS.height;
  const shot = { counts: new Uint16Array(pixels), amplitude: new Uint16Array(pixels) };
  // What nobody knows exactly: mount, height, wheels.
  const tiltBias = 0.25 * RADIANS * random.gauss();
  const rollBias = 0.25 * RADIANS * random.gauss();
  const heightBias = 0.003 * random.gauss();
  const scale = 1 + 0.01 * random.gauss();
  const late = 0.01 * random.uniform();

  let [x, y, yaw] = course.start;
  let [ox, oy] = [0, 0];
  let v = 0;
  let turn = 0;
  let dip = 0;
  let dipRate = 0;
  let next = 0;
  let still = 0;
  let longest = 0;
  let stops = 0;
  let way = 0;
  let isMiss = false;
  let limit: string = "";
  let brinks = 0;
  let cost = 0;
  let frames = 0;
  const standing = { forward: 0, backward: 0, left: 0, right: 0 };
  let permitted = standing;
  let until = 0;
  const queue: { due: number; until: number; pace: typeof standing }[] = [];
  const glanceEdges: [number, number][] = [];
  const marks = (course.marks ?? []).map(() => Number.NaN);
  let time = 0;
  for (; time < course.duration && !isMiss && x < course.until; time += TICK) {
    if (time >= next) {
      next += 1 / RATE;
      const [slope, height] = stand(course, x, y, yaw);
      const tilt = dip + slope;
      const truth = lensPose(course, [x, y, height], yaw, tilt, course.height);
      renderDepth(course.scene, OPTICS, truth, time, noise, shot.counts, shot.amplitude);
      course.spoil?.(shot, groundOf(mask.rays, truth), random);
      // What the head believes: stamps late, and a small error of its own.
      const believed = tilt - late * dipRate + tiltBias + 0.05 * RADIANS * random.gauss();
      const level = lensPose(course, [0, 0, 0], 0, believed, course.height + heightBias, rollBias);
      fill(level);
      const masked = mask.apply(shot.counts, shot.amplitude);
      const from = performance.now();
      const judged = glance.look({ ...masked, amplitude: shot.amplitude }, rotation, position, {
        x: ox,
        y: oy,
        yaw,
      });
      const captured = Math.round(time * 1e6);
      guard.tick(Math.round((time + LATENCY) * 1e6));
      guard.watch("front", judged, captured);
      guard.remember("front", judged, captured, { x: ox, y: oy, yaw, floor: 0 });
      const { pace, until } = guard.answer({ x: ox, y: oy, yaw }, captured);
      cost += performance.now() - from;
      frames++;
      const forward = course.curvature === 0 ? pace.forward : arcPace(pace.arcsForward, course.curvature);
      const permit = { forward, backward: pace.backward, left: pace.left, right: pace.right };
      queue.push({
        due: time + LATENCY + BODY.reactionDelay,
        until: until / 1e6 + BODY.reactionDelay,
        pace: permit,
      });
      limit = END_NAMES[pace.limit?.cause ?? END.open]!;
      course.watch?.(judged, [x, y, yaw]);
      glanceEdges.length = 0;
      for (let n = 0; n < judged.strips; n++) {
        if (judged.kind[n] === END.brink && Math.abs(judged.endY[n]!) < 0.2) brinks++;
        const isEdge = judged.kind[n] !== END.obstacle && judged.kind[n] !== END.overhang;
        if (!isEdge || Math.abs(judged.endY[n]!) > 0.2 || judged.range[n] === 0) continue;
        glanceEdges.push([
          x + Math.cos(yaw) * judged.endX[n]! - Math.sin(yaw) * judged.endY[n]!,
          y + Math.sin(yaw) * judged.endX[n]! + Math.cos(yaw) * judged.endY[n]!,
        ]);
      }
    }
    while (queue.length > 0 && queue[0]!.due <= time) ({ pace: permitted, until } = queue.shift()!);
    if (time > until) permitted = standing;
    const mode = course.steer?.([x, y, yaw]) ?? "ahead";
    const wished = course.wish?.(time) ?? course.speed;
    const wish =
      mode === "ahead"
        ? Math.min(wished, permitted.forward)
        : mode === "back"
          ? -Math.min(wished, permitted.backward)
          : 0;
    const change = wish - v;
    const most = (Math.abs(wish) < Math.abs(v) ? BODY.deceleration : ACCELERATION) * TICK;
    const dv = Math.max(-most, Math.min(most, change));
    v += dv;
    turn = mode === "left" ? Math.min(0.8, permitted.left) : v * course.curvature;
    yaw += turn * TICK;
    const step = v * TICK;
    x += step * Math.cos(yaw);
    y += step * Math.sin(yaw);
    ox += scale * step * Math.cos(yaw);
    oy += scale * step * Math.sin(yaw);
    way += Math.abs(step);
    // The chassis dips under braking: a damped spring.
    const push = course.dip * RADIANS * (-dv / TICK);
    const w = 2 * Math.PI * 2.5;
    dipRate += (w * w * (push - dip) - 2 * 0.4 * w * dipRate) * TICK;
    dip += dipRate * TICK;
    course.marks?.forEach((mark, n) => {
      if (x >= mark && Number.isNaN(marks[n])) marks[n] = time;
    });
    const isStill = Math.abs(v) < 0.005 && Math.abs(turn) < 0.005 && wished > 0 && mode !== "stay";
    if (isStill && time > 1.5) {
      still += TICK;
      if (still > 0.5 && still - TICK <= 0.5) stops++;
      longest = Math.max(longest, still);
    } else still = 0;
    if (still > 1.2) break;
    isMiss = WHEELS.some(([wx, wy]) =>
      course.isGone(x + Math.cos(yaw) * wx - Math.sin(yaw) * wy, y + Math.sin(yaw) * wx + Math.cos(yaw) * wy),
    );
  }
  const remembered = guard
    .brinks(ox, oy)
    .filter(({ error }) => error < 0.1)
    .flatMap(({ points }) => points);
  const back = (p: readonly [number, number]): [number, number] => [
    x + (p[0] - ox) / scale,
    y + (p[1] - oy) / scale,
  ];
  const edges = remembered.length > 0 ? remembered.map(back) : glanceEdges;
  return {
    isMiss,
    stopped: still > 1,
    still: longest,
    stops,
    time,
    way,
    at: [x, y, yaw],
    limit,
    edges,
    brinks,
    marks,
    cost,
    frames,
  };
}

/** Between two curvatures the slower of them. */
function arcPace(arcs: readonly number[], curvature: number): number {
  const above = CURVATURES.findIndex((one) => one >= curvature - 1e-9);
  const isListed = Math.abs(CURVATURES[above]! - curvature) < 1e-9;
  return Math.min(arcs[above]!, isListed ? Number.POSITIVE_INFINITY : arcs[above - 1]!);
}

/** Pitch (nose down) and height of a base on its wheels. */
function stand(course: Course, x: number, y: number, yaw: number): readonly [pitch: number, height: number] {
  const { ground } = course;
  if (ground === undefined) return [0, 0];
  const [c, s] = [0.14 * Math.cos(yaw), 0.14 * Math.sin(yaw)];
  const front = ground(x + c, y + s);
  const rear = ground(x - c, y - s);
  return [Math.atan2(rear - front, 0.28), (front + rear) / 2];
}

/** worldFromLens of a lens on a base that is pitched about its floor point, nose down. */
function lensPose(course: Course, at: Vec3, yaw: number, pitch: number, height: number, roll = 0): Pose {
  const rotation = fromYawPitchRoll(yaw, pitch, roll);
  const look = multiply(fromYawPitchRoll(0, course.pitch * RADIANS, 0), OPTICAL_IN_BODY);
  const position = transformPoint({ rotation, position: at }, [LENS_X, 0, height]);
  return { rotation: multiply(rotation, look), position };
}

function fill(pose: Pose): void {
  const m = toMatrix(pose);
  for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) rotation[3 * i + j] = m[4 * j + i]!;
  position.set(pose.position);
}

/** Where pixels look at the plane z = 0. */
function groundOf(rays: RayTable, pose: Pose): (i: number) => readonly [number, number] | null {
  return (i) => {
    const [dx, dy, dz] = turnBy(pose.rotation, [rays.x[i]!, rays.y[i]!, rays.z[i]!]);
    if (dz > -0.02) return null;
    const t = -pose.position[2] / dz;
    return [pose.position[0] + t * dx, pose.position[1] + t * dy];
  };
}
