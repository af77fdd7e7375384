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
import { usualNoise } from "../../../src/simulate/usual-noise.ts";
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
  slowIn: [],
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
  /** Curvature of the wished path, 1/m; 0 is straight. */
  readonly curvature: number;
  /** The course ends after these seconds, or at this x. */
  readonly duration: number;
  readonly until: number;
  readonly seed: number;
  /** Degrees of pitch per m/s^2 of braking. */
  readonly dip: number;
  /** Whether a wheel at a place has left the floor. */
  readonly isGone: (x: number, y: number) => boolean;
  readonly sun?: readonly SunPatch[];
  /** Height of the floor that carries the wheels; 0 everywhere when absent. */
  readonly ground?: (x: number, y: number) => number;
  /** Changes a rendered frame: mirror-like patches. `where` is the place on level ground in a pixel's direction. */
  readonly spoil?: (
    shot: Shot,
    where: (i: number) => readonly [number, number] | null,
    random: Random,
  ) => void;
  /** The wish of the base at a place, for a course with several legs. */
  readonly steer?: (at: readonly [number, number, number]) => "ahead" | "back" | "left" | "stay";
  /** Wished speed at a time, for a base that starts and brakes. */
  readonly wish?: (time: number) => number;
  /** Places along x at which the time is noted. */
  readonly marks?: readonly number[];
  /** Observer: a judged frame, and the true place of the base. */
  readonly watch?: (frame: GlanceFrame, at: readonly [number, number, number]) => void;
}

export interface Shot {
  readonly counts: Uint16Array;
  readonly amplitude: Uint16Array;
}

export interface Outcome {
  /** Whether a wheel left the floor (by more than the tolerable drop), and when. */
  readonly isMiss: boolean;
  /** Whether the base stood still at the end because of the pace, and the total seconds for which it did. */
  readonly stopped: boolean;
  readonly still: number;
  readonly stops: number;
  readonly time: number;
  readonly way: number;
  /** Where it ended. */
  readonly at: readonly [number, number, number];
  /** The last limit. */
  readonly limit: string;
  /** Known points of the edge at the end, transformed from odometry to the true world: x, y pairs. */
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

/** Speeds that are permitted, m/s and rad/s. */
interface Permit {
  readonly forward: number;
  readonly backward: number;
  readonly left: number;
  readonly right: number;
}
const STANDING: Permit = { forward: 0, backward: 0, left: 0, right: 0 };

/** The base: its true place, its odometry, and the dip of its chassis. */
class Trolley {
  x: number;
  y: number;
  yaw: number;
  /** Place by odometry; the heading has no error. */
  wheelX = 0;
  wheelY = 0;
  /** m/s, rad/s, and radians of pitch. */
  speed = 0;
  turn = 0;
  dip = 0;
  dipRate = 0;
  /** Metres driven. */
  way = 0;
  readonly #course: Course;
  /** Scale of the wheels. */
  readonly #scale: number;

  constructor(course: Course, scale: number) {
    [this.x, this.y, this.yaw] = course.start;
    this.#course = course;
    this.#scale = scale;
  }

  get at(): [number, number, number] {
    return [this.x, this.y, this.yaw];
  }

  /** @param turn rad/s; null to follow the course's curvature */
  step(wish: number, turn: number | null): void {
    const change = wish - this.speed;
    const most = (Math.abs(wish) < Math.abs(this.speed) ? BODY.deceleration : ACCELERATION) * TICK;
    const dv = Math.max(-most, Math.min(most, change));
    this.speed += dv;
    this.turn = turn ?? this.speed * this.#course.curvature;
    this.yaw += this.turn * TICK;
    const step = this.speed * TICK;
    this.x += step * Math.cos(this.yaw);
    this.y += step * Math.sin(this.yaw);
    this.wheelX += this.#scale * step * Math.cos(this.yaw);
    this.wheelY += this.#scale * step * Math.sin(this.yaw);
    this.way += Math.abs(step);
    // The chassis dips under braking: a damped spring.
    const push = this.#course.dip * RADIANS * (-dv / TICK);
    const w = 2 * Math.PI * 2.5;
    this.dipRate += (w * w * (push - this.dip) - 2 * 0.4 * w * this.dipRate) * TICK;
    this.dip += this.dipRate * TICK;
  }

  /** Whether a wheel has left the floor. */
  isGone(): boolean {
    const { x, y, yaw } = this;
    return WHEELS.some(([wx, wy]) =>
      this.#course.isGone(
        x + Math.cos(yaw) * wx - Math.sin(yaw) * wy,
        y + Math.sin(yaw) * wx + Math.cos(yaw) * wy,
      ),
    );
  }

  /** Transforms a place by odometry to the truth. */
  truly([px, py]: readonly [number, number]): [number, number] {
    return [this.x + (px - this.wheelX) / this.#scale, this.y + (py - this.wheelY) / this.#scale];
  }
}

/** The head on the base: renders frames and judges them. */
class Watcher {
  /** Scale of the wheels. */
  readonly scale: number;
  /** The last limit of the pace. */
  limit = "";
  /** Points of the edge in the newest frame, in the world. */
  edges: [number, number][] = [];
  /** Frames in which a brink was seen ahead; frames; milliseconds of the guard's own work. */
  brinks = 0;
  frames = 0;
  cost = 0;
  readonly #course: Course;
  readonly #random: Random;
  readonly #noise: SensorNoise;
  readonly #guard = new Guard(GUARD);
  readonly #mask = new DepthMask(OPTICS);
  readonly #glance: Glancer;
  readonly #shot: Shot;
  /** Errors of mount, height and stamps. */
  readonly #tiltBias: number;
  readonly #rollBias: number;
  readonly #heightBias: number;
  readonly #late: number;

  constructor(course: Course) {
    const random = new Random(course.seed, 3);
    this.#course = course;
    this.#random = random;
    this.#noise = usualNoise(4.5, new Random(course.seed, 4), { sun: course.sun ?? [] });
    const { rays, unitsPerMetre } = this.#mask;
    this.#glance = this.#guard.openGlancer(OPTICS, rays, unitsPerMetre, DEFAULT_RANGE_NOISE)!;
    const pixels = OPTICS.width * OPTICS.height;
    this.#shot = { counts: new Uint16Array(pixels), amplitude: new Uint16Array(pixels) };
    this.#tiltBias = 0.25 * RADIANS * random.gauss();
    this.#rollBias = 0.25 * RADIANS * random.gauss();
    this.#heightBias = 0.003 * random.gauss();
    this.scale = 1 + 0.01 * random.gauss();
    this.#late = 0.01 * random.uniform();
  }

  /** Takes a frame. @returns the permitted speeds, and their end of validity in seconds */
  look(time: number, base: Trolley): { permit: Permit; until: number } {
    const course = this.#course;
    const guard = this.#guard;
    const { counts, amplitude } = this.#shot;
    const { x, y, yaw } = base;
    const [slope, height] = stand(course, x, y, yaw);
    const tilt = base.dip + slope;
    const truth = lensPose(course, [x, y, height], { yaw, pitch: tilt, height: course.height });
    renderDepth(course.scene, OPTICS, { worldFromLens: truth, time, noise: this.#noise }, this.#shot);
    course.spoil?.(this.#shot, groundOf(this.#mask.rays, truth), this.#random);
    // The attitude that the head gets: with late stamps and a small error.
    const believed =
      tilt - this.#late * base.dipRate + this.#tiltBias + 0.05 * RADIANS * this.#random.gauss();
    fill(
      lensPose(course, [0, 0, 0], {
        yaw: 0,
        pitch: believed,
        height: course.height + this.#heightBias,
        roll: this.#rollBias,
      }),
    );
    const masked = this.#mask.apply(counts, amplitude);
    const wheels = { x: base.wheelX, y: base.wheelY, yaw };
    const from = performance.now();
    const judged = this.#glance.look({ ...masked, amplitude }, rotation, position, wheels);
    const captured = Math.round(time * 1e6);
    guard.tick(Math.round((time + LATENCY) * 1e6));
    guard.watch("front", judged, captured);
    guard.remember("front", judged, captured, { ...wheels, floor: 0 });
    const { pace, until } = guard.answer(wheels, captured);
    this.cost += performance.now() - from;
    this.frames++;
    this.limit = END_NAMES[pace.limit?.cause ?? END.open]!;
    course.watch?.(judged, [x, y, yaw]);
    this.#noteEdges(judged, base);
    const forward = course.curvature === 0 ? pace.forward : arcPace(pace.arcsForward, course.curvature);
    const { backward, left, right } = pace;
    return { permit: { forward, backward, left, right }, until: until / 1e6 };
  }

  #noteEdges(judged: GlanceFrame, { x, y, yaw }: Trolley): void {
    this.edges = [];
    for (let n = 0; n < judged.strips; n++) {
      if (judged.kind[n] === END.brink && Math.abs(judged.endY[n]!) < 0.2) this.brinks++;
      const isEdge = judged.kind[n] !== END.obstacle && judged.kind[n] !== END.overhang;
      if (!isEdge || Math.abs(judged.endY[n]!) > 0.2 || judged.range[n] === 0) continue;
      this.edges.push([
        x + Math.cos(yaw) * judged.endX[n]! - Math.sin(yaw) * judged.endY[n]!,
        y + Math.sin(yaw) * judged.endX[n]! + Math.cos(yaw) * judged.endY[n]!,
      ]);
    }
  }

  /** Known points of the edge around the base, by odometry. */
  remembered({ wheelX, wheelY }: Trolley): readonly (readonly [number, number])[] {
    return this.#guard
      .brinks(wheelX, wheelY)
      .filter(({ error }) => error < 0.1)
      .flatMap(({ points }) => points);
  }
}

/** Drives a course: the base obeys the pace and nothing else. */
export function driveCourse(course: Course): Outcome {
  const head = new Watcher(course);
  const base = new Trolley(course, head.scale);
  let next = 0;
  let still = 0;
  let longest = 0;
  let stops = 0;
  let isMiss = false;
  let permitted = STANDING;
  let until = 0;
  const queue: { due: number; until: number; permit: Permit }[] = [];
  const marks = (course.marks ?? []).map(() => Number.NaN);
  let time = 0;
  for (; time < course.duration && !isMiss && base.x < course.until; time += TICK) {
    if (time >= next) {
      next += 1 / RATE;
      const answer = head.look(time, base);
      queue.push({
        due: time + LATENCY + BODY.reactionDelay,
        until: answer.until + BODY.reactionDelay,
        permit: answer.permit,
      });
    }
    while (queue.length > 0 && queue[0]!.due <= time) ({ permit: permitted, until } = queue.shift()!);
    if (time > until) permitted = STANDING;
    const mode = course.steer?.(base.at) ?? "ahead";
    const wished = course.wish?.(time) ?? course.speed;
    const wish =
      mode === "ahead"
        ? Math.min(wished, permitted.forward)
        : mode === "back"
          ? -Math.min(wished, permitted.backward)
          : 0;
    base.step(wish, mode === "left" ? Math.min(0.8, permitted.left) : null);
    course.marks?.forEach((mark, n) => {
      if (base.x >= mark && Number.isNaN(marks[n])) marks[n] = time;
    });
    const isStill =
      Math.abs(base.speed) < 0.005 && Math.abs(base.turn) < 0.005 && wished > 0 && mode !== "stay";
    if (isStill && time > 1.5) {
      still += TICK;
      if (still > 0.5 && still - TICK <= 0.5) stops++;
      longest = Math.max(longest, still);
    } else still = 0;
    if (still > 1.2) break;
    isMiss = base.isGone();
  }
  const remembered = head.remembered(base);
  return {
    isMiss,
    stopped: still > 1,
    still: longest,
    stops,
    time,
    way: base.way,
    at: base.at,
    limit: head.limit,
    edges: remembered.length > 0 ? remembered.map((place) => base.truly(place)) : head.edges,
    brinks: head.brinks,
    marks,
    cost: head.cost,
    frames: head.frames,
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

interface LensStand {
  /** Of the base, radians. */
  readonly yaw: number;
  readonly pitch: number;
  readonly roll?: number;
  /** Of the lens over the base's floor point, metres. */
  readonly height: number;
}

/** worldFromLens of a lens on a base that is pitched about its floor point, nose down. */
function lensPose(course: Course, at: Vec3, { yaw, pitch, height, roll = 0 }: LensStand): Pose {
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

/** Points of the plane z = 0 in the pixels' directions. */
function groundOf(rays: RayTable, pose: Pose): (i: number) => readonly [number, number] | null {
  return (i) => {
    const [dx, dy, dz] = turnBy(pose.rotation, [rays.x[i]!, rays.y[i]!, rays.z[i]!]);
    if (dz > -0.02) return null;
    const t = -pose.position[2] / dz;
    return [pose.position[0] + t * dx, pose.position[1] + t * dy];
  };
}
