import { existsSync, readFileSync } from "node:fs";
import { join } from "node:path";
import type { PinholeOptics, Pose, Quat } from "../../src/geometry/optics.ts";
import {
  compose,
  fromRotationVector,
  fromYawPitchRoll,
  multiply,
  OPTICAL_IN_BODY,
} from "../../src/geometry/rigid.ts";
import { rangeSigma, type TimeOfFlightNoise } from "../../src/sense/noise.ts";
import { Random } from "../../src/simulate/random.ts";
import { renderDepth } from "../../src/simulate/render.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { usualNoise } from "../../src/simulate/usual-noise.ts";
import { pngSize, readPng } from "../../tools/import/png.ts";
import { FramePoses, type PoseOptions } from "../../tools/import/poses.ts";
import { readBytes } from "../../tools/import/text.ts";

/** Depth frames of one camera with known poses. */
export interface PoseSet {
  readonly name: string;
  readonly optics: PinholeOptics;
  readonly frames: readonly PoseFrame[];
  /** Where the lens sits on the base, whose x axis is ahead. */
  readonly baseFromLens: Pose;
  /** Settings of the head that its user would change for such a set. */
  readonly settings: Readonly<Record<string, unknown>>;
}

export interface PoseFrame {
  /** Microseconds. */
  readonly time: number;
  readonly counts: Uint16Array;
  readonly worldFromLens: Pose;
}

/** A camera in a hand: it looks ahead of its base, and goes anywhere. */
const HANDHELD = {
  baseFromLens: { rotation: OPTICAL_IN_BODY, position: [0, 0, 0] },
  settings: { "track.rolling": "off" },
} as const;

const WIDTH = 240;
const HEIGHT = 180;

/** The camera of our own scenes. */
const SMALL_OPTICS: PinholeOptics = {
  model: "pinhole",
  width: WIDTH,
  height: HEIGHT,
  fx: 171,
  fy: 171,
  cx: 119.5,
  cy: 89.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.15,
  maxRange: 6,
};

type Intrinsics = readonly [fx: number, fy: number, cx: number, cy: number];

/** A camera of `width` pixels across with the field of view of one of 640 x 480 with this lens. */
function smallOptics([fx, fy, cx, cy]: Intrinsics, width = WIDTH): PinholeOptics {
  const s = width / 640;
  return {
    model: "pinhole",
    width,
    height: (HEIGHT * width) / WIDTH,
    fx: s * fx,
    fy: s * fy,
    cx: s * (cx + 0.5) - 0.5,
    cy: s * (cy + 0.5) - 0.5,
    measures: "z",
    unit: 0.001,
    minRange: 0.2,
    maxRange: 6,
  };
}

/**
 * Makes an image smaller. 1/z is linear across a plane, so between four pixels of one surface it is interpolated; at
 * edges the nearest pixel is taken.
 */
export function shrink(from: Uint16Array, width: number, height: number): Uint16Array {
  const out = new Uint16Array(WIDTH * HEIGHT);
  const s = width / WIDTH;
  for (let row = 0; row < HEIGHT; row++) {
    for (let col = 0; col < WIDTH; col++) {
      const u = (col + 0.5) * s - 0.5;
      const v = (row + 0.5) * (height / HEIGHT) - 0.5;
      const [i, j] = [Math.min(width - 2, Math.floor(u)), Math.min(height - 2, Math.floor(v))];
      const [a, b, c, d] = [0, 1, width, width + 1].map((k) => from[j * width + i + k]!) as [
        number,
        number,
        number,
        number,
      ];
      const [low, high] = [Math.min(a, b, c, d), Math.max(a, b, c, d)];
      const nearest = from[Math.round(v) * width + Math.round(u)]!;
      if (low === 0 || high > 1.03 * low) {
        out[row * WIDTH + col] = nearest;
        continue;
      }
      const [x, y] = [u - i, v - j];
      const w = (1 - y) * ((1 - x) / a + x / b) + y * ((1 - x) / c + x / d);
      out[row * WIDTH + col] = Math.round(1 / w);
    }
  }
  return out;
}

function readSet(
  name: string,
  optics: PinholeOptics,
  files: readonly (readonly [number, string])[],
  poses: PoseOptions,
): PoseSet {
  const known = new FramePoses(poses);
  const frames = files.map(([number, file]): PoseFrame => {
    const bytes = readBytes(file);
    const { width, height } = pngSize(bytes, file);
    const whole = new Uint16Array(width * height);
    readPng(whole, bytes, file, { width, height });
    const pose = known.get(number)!.worldFromLens;
    return {
      time: Math.round((number * 1e6) / 30),
      counts: width === optics.width ? whole : shrink(whole, width, height),
      worldFromLens: pose,
    };
  });
  return { name, optics, frames, ...HANDHELD };
}

/** The synthetic living room. `poses` "shipped" are those that came with it, "refined" better ones. */
export function livingRoom(folder: string, poses: "refined" | "shipped" = "refined"): PoseSet {
  const root = join(folder, "depth-living-room");
  const pad = (n: number) => String(n).padStart(5, "0");
  const files = Array.from({ length: 211 }, (_, n) => [n, join(root, "depth", `${pad(n)}.png`)] as const);
  const path = join(root, poses === "refined" ? "poses_refined_zup.csv" : "poses_world_yup.csv");
  const optics = smallOptics([525, 525, 319.5, 239.5]);
  return readSet(`living room, ${poses}`, optics, files, { path, up: poses === "refined" ? "z" : "y" });
}

/** The clip of a real office, `width` pixels across: 240 or 640. */
export function office(folder: string, width = WIDTH): PoseSet {
  const root = join(folder, "depth-office", "frames");
  const first = 935;
  const pad = (n: number) => String(n).padStart(6, "0");
  const files = Array.from({ length: 50 }, (_, n) => {
    return [first + n, join(root, `frame-${pad(first + n)}.depth.png`)] as const;
  });
  const optics = smallOptics([570.342205, 570.342205, 320, 240], width);
  const poses = { path: join(root, "frame-{n}.pose.txt"), up: "y" } as const;
  return readSet("office", optics, files, poses);
}

/**
 * A furnished room of our own with exact truth. The base follows the scenario's drive, but wobbles as in a hand, sideways too: harder than
 * a base that rolls, for the shipped `track.rolling`. The camera has the noise of a time-of-flight sensor.
 * @param length metres of way
 */
export function furnishedRoom(seed: number, length = 7, exact = false): PoseSet {
  // From tests/helpers, and from its built copy in dist.
  const places = ["../../", "../../../"].map(
    (up) => new URL(`${up}datasets/yard-room.json`, import.meta.url),
  );
  const text = readFileSync(places.find((place) => existsSync(place))!, "utf8");
  const scenario = loadScenario(JSON.parse(text), { exact: false });
  const optics = SMALL_OPTICS;
  const plan = scenario.sensors[0]!.noise!;
  const noise = exact ? null : { ...plan, random: new Random(seed, 77) };
  const amplitude = new Uint16Array(WIDTH * HEIGHT);
  const frames: PoseFrame[] = [];
  let way = 0;
  let before: Pose | null = null;
  for (let n = 0; n < 2000 && way < length; n++) {
    const seconds = n / 30;
    const base = scenario.drive.poseAt(seconds);
    const wobble = fromRotationVector([
      0.03 * Math.sin(2.1 * seconds),
      0.04 * Math.sin(1.7 * seconds + 1),
      0.02 * Math.sin(2.6 * seconds + 2),
    ]);
    const head: Pose = {
      position: [0.1, 0.01 * Math.sin(3 * seconds), 0.3 + 0.01 * Math.sin(4.1 * seconds)],
      rotation: multiply(wobble, fromYawPitchRoll(0, 0.25, 0)),
    };
    const worldFromHead = compose(base, head);
    const worldFromLens = compose(worldFromHead, { rotation: OPTICAL_IN_BODY, position: [0, 0, 0] });
    if (before !== null) {
      const [a, b] = [before.position, worldFromLens.position];
      way += Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
    }
    before = worldFromLens;
    if (n % 2 !== 0) continue; // rendered at 15 a second
    const counts = new Uint16Array(WIDTH * HEIGHT);
    renderDepth(scenario.scene, optics, { worldFromLens, time: seconds, noise }, { counts, amplitude });
    frames.push({ time: Math.round(seconds * 1e6), counts, worldFromLens });
  }
  const name = exact ? "furnished room, exact" : "furnished room, noise";
  return { name, optics, frames, baseFromLens: lensAt(0.1, 0, 0.3, 0, 0.25), settings: {} };
}

/** Upright boxes from the floor at z = 0: x, y of the middle, width, depth, height. */
const upright = (rows: readonly (readonly [number, number, number, number, number])[]) =>
  rows.map(([x, y, w, d, h]) => ({ shape: "box", material: "wall", at: [x, y], base: 0, size: [w, d, h] }));

/** Three furnished rooms round which a base drives 35 m, back to where it started; metres. */
export const THREE_ROOMS = {
  walls: upright([
    [5, -0.1, 10.4, 0.2, 2.5],
    [5, 8.1, 10.4, 0.2, 2.5],
    [-0.1, 4, 0.2, 8.4, 2.5],
    [10.1, 4, 0.2, 8.4, 2.5],
    [5, 0.7, 0.1, 1.4, 2.5],
    [5, 3.3, 0.1, 1.4, 2.5],
    [1, 4, 2, 0.1, 2.5],
    [5, 4, 4, 0.1, 2.5],
    [9, 4, 2, 0.1, 2.5],
  ]),
  things: upright([
    [0.3, 2.2, 0.4, 1.1, 1.6],
    [2.6, 0.25, 1.3, 0.4, 0.9],
    [2.4, 2.1, 0.9, 0.5, 0.45],
    [4.7, 3.4, 0.4, 0.7, 1.2],
    [6.2, 0.3, 0.8, 0.5, 1.8],
    [7.6, 1.8, 0.5, 1.1, 0.7],
    [9.75, 2.2, 0.4, 0.6, 1.1],
    [5.6, 3.6, 0.7, 0.5, 0.8],
    [8.8, 7.7, 1.5, 0.5, 1.0],
    [6.8, 5.6, 1.0, 0.6, 0.5],
    [4.6, 7.7, 0.6, 0.5, 1.7],
    [3.6, 5.4, 0.4, 0.4, 1.3],
    [0.3, 6.0, 0.4, 0.9, 0.8],
    [2.2, 6.1, 0.3, 0.7, 0.6],
    [9.7, 5.2, 0.4, 0.5, 1.9],
  ]),
  way: [
    [1.2, 1.2],
    [4, 1],
    [4, 2],
    [6, 2],
    [6.6, 0.9],
    [9, 1],
    [9, 3],
    [7.5, 3],
    [7.5, 5],
    [9, 6.5],
    [7, 7.2],
    [5, 5.2],
    [3, 7],
    [1.2, 7],
    [1.2, 5],
    [2.5, 5],
    [2.5, 3],
    [1, 3.3],
  ] as readonly (readonly [number, number])[],
};

/** Where the lens sits on the base of that round: 0.35 m up, looking a little down. */
export const ROUND_MOUNT = lensAt(0, 0, 0.35, 0, 0.12);

/** A lens along the round through the three rooms and `more` metres of a second one. */
export function threeRooms(seed: number, more = 0, rate = 12): PoseSet {
  const { walls, things, way } = THREE_ROOMS;
  const poses: Pose[] = [];
  const corners = [...way, ...way, ...way];
  const lap = way.reduce(
    (sum, [x, y], n) =>
      sum + Math.hypot(way[(n + 1) % way.length]![0] - x, way[(n + 1) % way.length]![1] - y),
    0,
  );
  let heading: number | null = null;
  let gone = 0;
  for (let n = 0; gone < lap + more; n++) {
    const [ax, ay] = corners[n]!;
    const [bx, by] = corners[n + 1]!;
    const length = Math.hypot(bx - ax, by - ay);
    const wanted = Math.atan2(by - ay, bx - ax);
    heading ??= wanted;
    // On the spot at 60 degrees a second, then ahead at 0.6 m/s.
    const off = wanted - heading - 2 * Math.PI * Math.round((wanted - heading) / (2 * Math.PI));
    const turns = Math.ceil(Math.abs(off) / ((60 * Math.PI) / 180 / rate));
    for (let k = 1; k <= turns; k++) poses.push(lensAt(ax, ay, 0.35, heading + (off * k) / turns, 0.12));
    heading = wanted;
    const steps = Math.ceil(Math.min(length, lap + more - gone) / (0.6 / rate));
    for (let k = 1; k <= steps; k++) {
      const share = Math.min(1, (k * (0.6 / rate)) / length);
      poses.push(lensAt(ax + share * (bx - ax), ay + share * (by - ay), 0.35, heading, 0.12));
    }
    gone += length;
  }
  const floor = { shape: "box", material: "wall", at: [5, 4], base: -0.2, size: [12, 10, 0.2] };
  const baseFromLens = ROUND_MOUNT;
  return sceneSet("three rooms", [floor, ...walls, ...things], poses, { seed, rate, baseFromLens });
}

/** The noise that `withNoise` adds. Amplitude falls with the square of the distance. */
const TIME_OF_FLIGHT: TimeOfFlightNoise = {
  kind: "time-of-flight",
  frequency: 60e6,
  gain: 8,
  contrast: 0.8,
  ambient: 200,
  floor: 0.002,
  amplitudeAtOneMetre: 380,
};

/** A copy with the noise of a time-of-flight sensor on every pixel: 3.5 mm at 1 m, 13 mm at 2 m, 21 mm at 3 m. */
export function withNoise(set: PoseSet, seed: number): PoseSet {
  const random = new Random(seed, 5);
  const sigma = Float64Array.from({ length: 65536 }, (_, mm) =>
    mm === 0 ? 0 : rangeSigma(TIME_OF_FLIGHT, mm / 1000, null),
  );
  const frames = set.frames.map((frame) => ({
    ...frame,
    counts: frame.counts.map((mm) =>
      mm === 0 ? 0 : Math.max(1, Math.round(mm + 1000 * sigma[mm]! * random.gauss())),
    ),
  }));
  return { ...set, name: `${set.name}, noise`, frames };
}

/** Every `step`-th frame. */
export function thinned(set: PoseSet, step: number): PoseSet {
  return { ...set, frames: set.frames.filter((_, n) => n % step === 0) };
}

/** The attitude of an inertial sensor: the true rotation with a drifting yaw and white noise about all three axes. */
export class DriftingAttitude {
  readonly #random: Random;
  readonly #drift: number;
  readonly #noise: number;
  readonly #start: number;

  /** @param drift degrees a minute; @param noise degrees, 1 sigma */
  constructor(seed: number, start: number, drift = 2, noise = 0.3) {
    this.#random = new Random(seed, 9);
    this.#drift = (drift * Math.PI) / 180 / 60e6;
    this.#noise = (noise * Math.PI) / 180;
    this.#start = start;
  }

  at(time: number, truth: Quat): Quat {
    const g = () => this.#noise * this.#random.gauss();
    const yaw = fromYawPitchRoll(this.#drift * (time - this.#start), 0, 0);
    return multiply(fromRotationVector([g(), g(), g()]), multiply(yaw, truth));
  }
}

/** Shapes as in a scenario file. */
type Shapes = readonly Record<string, unknown>[];

/** A level lens that looks along `yaw`, `pitch` radians down. */
export function lensAt(x: number, y: number, z: number, yaw: number, pitch: number): Pose {
  return { position: [x, y, z], rotation: multiply(fromYawPitchRoll(yaw, pitch, 0), OPTICAL_IN_BODY) };
}

export interface SceneOptions {
  readonly seed: number;
  /** Frames a second. */
  readonly rate?: number;
  readonly baseFromLens: Pose;
}

/** Frames of a scene of shapes (material "wall") as a time-of-flight sensor sees them, from given poses of the lens. */
export function sceneSet(
  name: string,
  shapes: Shapes,
  poses: readonly Pose[],
  { seed, rate = 15, baseFromLens }: SceneOptions,
): PoseSet {
  const scenario = loadScenario({
    name,
    materials: { wall: { reflectance: 0.7 } },
    scene: [{ shape: "floor", material: "wall", rect: [-1, -0.5, 1, 0.5], top: -0.301 }, ...shapes],
    sensors: [],
    drive: { followFloor: false, points: [{ at: [0, 0] }, { at: [0.5, 0] }] },
  });
  const noise = usualNoise(6, new Random(seed, 78), { saturation: 1e9, subRays: 1 });
  const amplitude = new Uint16Array(WIDTH * HEIGHT);
  const frames = poses.map((worldFromLens, n): PoseFrame => {
    const counts = new Uint16Array(WIDTH * HEIGHT);
    renderDepth(
      scenario.scene,
      SMALL_OPTICS,
      { worldFromLens, time: n / rate, noise },
      { counts, amplitude },
    );
    return { time: Math.round((n / rate) * 1e6), counts, worldFromLens };
  });
  return { name, optics: SMALL_OPTICS, frames, baseFromLens, settings: {} };
}

/** Shapes of scenes with free directions; see `bareScene`. */
const BARE = {
  wall: [{ shape: "box", material: "wall", at: [0, 1.5], base: -6, size: [60, 0.2, 12] }],
  floor: [{ shape: "box", material: "wall", at: [0, 0], base: -0.5, size: [60, 60, 0.2] }],
  corridor: [
    { shape: "box", material: "wall", at: [0, 0], base: -0.5, size: [80, 4, 0.2] },
    { shape: "box", material: "wall", at: [0, 1.1], base: -0.5, size: [80, 0.2, 3] },
    { shape: "box", material: "wall", at: [0, -1.1], base: -0.5, size: [80, 0.2, 3] },
  ],
} as const;

/**
 * A scene with free directions, passed along x at a speed that varies around 0.4 m/s: a bare wall on the left, an empty floor, or a
 * corridor straight ahead whose ends are out of sight.
 */
export function bareScene(kind: keyof typeof BARE, seed: number, seconds = 8): PoseSet {
  const look = kind === "wall" ? Math.PI / 2 : 0;
  const pitch = kind === "floor" ? 0.9 : 0.1;
  const poses = Array.from({ length: 15 * seconds }, (_, n): Pose => {
    const t = n / 15;
    const x = 0.4 * t + 0.15 * Math.sin(0.9 * t + seed) - 0.15 * Math.sin(seed);
    return lensAt(x, 0.02 * Math.sin(t), 0, look + 0.02 * Math.sin(1.3 * t), pitch);
  });
  // The base goes along x whichever way the lens looks.
  return sceneSet(`bare ${kind}`, BARE[kind], poses, { seed, baseFromLens: lensAt(0, 0, 0, look, pitch) });
}
