import { hypot3, square } from "../../src/geometry/elementary.ts";
import type { Vec3 } from "../../src/geometry/optics.ts";
import { type RayTable, rayTable } from "../../src/geometry/rays.ts";
import { turn } from "../../src/geometry/rigid.ts";
import type { Head } from "../../src/head/head.ts";
import { BLOCK_SIDE, BLOCK_VOXELS, keyX, keyY, keyZ, OCCUPIED_FROM } from "../../src/map/grid.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { lensPose } from "../../src/simulate/attitude.ts";
import { ScenarioError } from "../../src/simulate/fields.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario, type Scenario } from "../../src/simulate/scenario.ts";
import type { Scene } from "../../src/simulate/scene.ts";
import { hasSurface, isFree, WITHIN, wholeOf } from "../replay/held-out.ts";
import { parseScenario, readScenarioJson, setField } from "../scenario-file.ts";

/** Agreement of a map with the true geometry; shares, 0 to 1. */
export interface TrueMapScore {
  /** Recall: of the true surface that the sensors had returns from, the share with surface of the map (occupied or floor) within 5 cm. */
  readonly surfaceFound: number;
  /** Precision: of what the map calls occupied or floor, the share with something solid within 5 cm. */
  readonly surfaceTrue: number;
  /** Of the truly free space before it, more than 5 cm from anything solid, the share that the map calls free. */
  readonly airFree: number;
  /** Mean of the three. */
  readonly score: number;
}

/** Ground truth of a place at the end of a drive, without moving objects. */
export interface Truth {
  readonly scene: Scene;
  /** Seconds, of the scene. */
  readonly time: number;
  /** Points x, y, z on surfaces, one for each cube of 5 cm. */
  readonly surface: Float64Array;
  /** Points in the air, one for each cube of 10 cm. */
  readonly air: Float64Array;
}

/** Most sampled frames a second, and rays across and down. */
const LOOKS = 4;
const ACROSS = 48;
const DOWN = 36;
/** Metres: side of the cubes in which one point is kept. */
const SURFACE_CUBE = 0.05;
const AIR_CUBE = 0.1;
/** Offset of the cubes: walls lie on round numbers, which must not be faces of cubes. */
const SHIFT = 0.0173;
/** Number of sampled points in each occupied voxel, and in each column with floor. */
const TRIES = 2;

/**
 * Reads a scenario for jobs to score by; null without a path.
 * @throws {ScenarioError} naming the file, and file errors
 */
export async function readTruth(path: string | undefined): Promise<unknown> {
  if (path === undefined) return null;
  const json = await readScenarioJson(path);
  parseScenario(path, json);
  return json;
}

/**
 * The scenario from which a recording was made.
 *
 * @param json     the scenario
 * @param settings of the recording's header
 * @throws {ScenarioError} when the recording was made from another one
 */
export function scenarioOf(json: unknown, settings: Readonly<Record<string, unknown>>): Scenario {
  const own = structuredClone(json);
  const changes = Array.isArray(settings["set"]) ? (settings["set"] as string[]) : [];
  for (const change of changes) setField(own, change);
  // Only static objects can be right or wrong in a map.
  if (typeof own === "object" && own !== null && "moving" in own) own.moving = [];
  const scenario = loadScenario(own, { exact: true });
  if (scenario.name === settings["scenario"]) return scenario;
  const other = settings["scenario"] === undefined ? "no scenario" : `"${settings["scenario"]}"`;
  throw new ScenarioError(`the recording is of ${other}, not of "${scenario.name}"`);
}

/**
 * Casts rays of pixels that had a return into the scene, from the true pose of the lens. Surfaces without a return
 * cannot be in a map. The measured depth is not used.
 */
export function gatherTruth(
  { scene, setup, drive, lap, repeat, sensors }: Scenario,
  events: Iterable<HeadEvent>,
): Truth {
  const random = new Random(1);
  const surface = new Places(SURFACE_CUBE);
  const air = new Places(AIR_CUBE);
  const tables = setup.sensors.map(({ optics }) => rayTable(optics));
  const looked = setup.sensors.map(() => Number.NEGATIVE_INFINITY);
  for (const event of events) {
    if (event.kind !== "depth") continue;
    const { sensor, counts } = event;
    const time = event.time / 1e6;
    if (time < looked[sensor]! + 1 / LOOKS - 0.5 / sensors[sensor]!.rate) continue;
    looked[sensor] = time;
    const local = time - Math.min(Math.floor(time / lap + 1e-9), repeat - 1) * lap;
    const { rotation, position } = lensPose(setup, sensor, drive.poseAt(local));
    for (const ray of raysOf(tables[sensor]!, counts)) {
      const along = turn(rotation, ray);
      const range = scene.cast(...position, ...along, lap);
      if (range > setup.sensors[sensor]!.optics.maxRange) continue;
      surface.add(alongRay(position, along, range));
      for (let t = random.uniform() * AIR_CUBE; t < range - WITHIN; t += AIR_CUBE)
        air.add(alongRay(position, along, t));
    }
  }
  const isAir = (at: Vec3) => !isNearSolid(scene, at, lap);
  return { scene, time: lap, surface: surface.all(() => true), air: air.all(isAir) };
}

/** Unit rays of a frame's pixels with a return, some across and down. */
function* raysOf({ width, height, x, y, z }: RayTable, counts: Uint16Array): Generator<Vec3> {
  const [stepU, stepV] = [Math.max(1, width / ACROSS), Math.max(1, height / DOWN)];
  for (let v = stepV / 2; v < height; v += stepV) {
    for (let u = stepU / 2; u < width; u += stepU) {
      const i = Math.floor(v) * width + Math.floor(u);
      const length = hypot3(x[i]!, y[i]!, z[i]!);
      if (counts[i]! > 0 && length > 0) yield [x[i]! / length, y[i]! / length, z[i]! / length];
    }
  }
}

const alongRay = ([x, y, z]: Vec3, [dx, dy, dz]: Vec3, t: number): Vec3 => [
  x + t * dx,
  y + t * dy,
  z + t * dz,
];

/** Points, the first of each cube. */
class Places {
  readonly #seen = new Set<number>();
  readonly #all: Vec3[] = [];
  readonly #side: number;

  constructor(side: number) {
    this.#side = side;
  }

  add(at: Vec3): void {
    const [i, j, k] = at.map((value) => Math.floor((value + SHIFT) / this.#side)) as unknown as Vec3;
    const key = wholeOf(i, j, k);
    if (this.#seen.has(key)) return;
    this.#seen.add(key);
    this.#all.push(at);
  }

  all(isKept: (at: Vec3) => boolean): Float64Array {
    return Float64Array.from(this.#all.filter(isKept).flat());
  }
}

/** Whether anything solid is within 5 cm of a point, along any of the axes. */
const isNearSolid = (scene: Scene, [x, y, z]: Vec3, time: number): boolean =>
  scene.overlapsBox([x - WITHIN, y - WITHIN, z - WITHIN], [x + WITHIN, y + WITHIN, z + WITHIN], time) > 0;

/**
 * Samples points, not voxels, so that maps of coarse and fine voxels are comparable, and a map that fills more than there
 * is loses in proportion.
 */
export function scoreTrueMap(
  head: Pick<Head, "grid" | "floor">,
  { scene, time, surface, air }: Truth,
): TrueMapScore {
  const said = Float64Array.from(surfaceOf(head));
  const surfaceFound = share(surface, (at) => hasSurface(head, at));
  const surfaceTrue = share(said, (at) => isNearSolid(scene, at, time));
  const airFree = share(air, (at) => isFree(head.grid, at));
  return { surfaceFound, surfaceTrue, airFree, score: (surfaceFound + surfaceTrue + airFree) / 3 };
}

/** Share of points; 0 without any, because an empty map is not right. */
function share(points: Float64Array, is: (at: Vec3) => boolean): number {
  let count = 0;
  for (let n = 0; n < points.length; n += 3) if (is([points[n]!, points[n + 1]!, points[n + 2]!])) count++;
  return points.length === 0 ? 0 : count / (points.length / 3);
}

/** Sample points in all occupied voxels of a map, and on its floor, which replaces the floor's own voxels. */
function surfaceOf({ grid, floor }: Pick<Head, "grid" | "floor">): number[] {
  const random = new Random(2);
  const out: number[] = [];
  const size = grid.voxelSize;
  const within = (whole: number) => (whole + random.uniform()) * size;
  const voxels = new Uint8Array(BLOCK_VOXELS);
  const columns = new Map<string, readonly [i: number, j: number]>();
  for (let id = 0; id < grid.count; id++) {
    const key = grid.keyOf(id);
    const [west, south, low] = [keyX(key) * BLOCK_SIDE, keyY(key) * BLOCK_SIDE, keyZ(key) * BLOCK_SIDE];
    columns.set(`${west},${south}`, [west, south]);
    grid.copyBlock(id, voxels);
    for (let n = 0; n < BLOCK_VOXELS; n++) {
      if (voxels[n]! < OCCUPIED_FROM) continue;
      const [i, j, k] = [west + (n & 7), south + ((n >> 3) & 7), low + (n >> 6)];
      const height = floor.heightAt(i, j) / size;
      if (k > height - 1.5 && k < height + 0.5) continue;
      for (let t = 0; t < TRIES; t++) out.push(within(i), within(j), within(k));
    }
  }
  for (const [west, south] of columns.values()) {
    for (let n = 0; n < square(BLOCK_SIDE); n++) {
      const [i, j] = [west + (n & 7), south + (n >> 3)];
      const height = floor.heightAt(i, j);
      if (Number.isNaN(height)) continue;
      for (let t = 0; t < TRIES; t++) out.push(within(i), within(j), height);
    }
  }
  return out;
}
