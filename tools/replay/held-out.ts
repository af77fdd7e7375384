import { hypot3 } from "../../src/geometry/elementary.ts";
import type { Pose, Vec3 } from "../../src/geometry/optics.ts";
import { turn } from "../../src/geometry/rigid.ts";
import { MapShare } from "../../src/head/map-share.ts";
import type { FloorView } from "../../src/map/floor.ts";
import type { GridView } from "../../src/map/grid.ts";
import { FREE_BELOW, OCCUPIED_FROM, UNKNOWN } from "../../src/map/grid.ts";
import type { DepthEvent, Setup } from "../../src/sense/events.ts";
import { DEFAULT_MASK_SETTINGS, DepthMask, type MaskResult } from "../../src/sense/mask.ts";

/** How well a map predicts frames that are not in it. */
export interface HeldOutScore {
  readonly frames: number;
  /** Pixels with a return that were cast. */
  readonly pixels: number;
  /** Share of them for which the map had a surface on the ray at all. */
  readonly answered: number;
  /** Median absolute difference of predicted and measured depth over the answered ones, metres. */
  readonly medianError: number;
  /** Share of all cast pixels predicted within 5 cm along the ray. */
  readonly within5cm: number;
  /** Share of the places (cubes of 5 cm) with a measured point for which the map has a surface within 5 cm of it. */
  readonly found: number;
  /** Of the free places in front of them (cubes of 10 cm, sampled at a random point), the share that it calls free. */
  readonly airFree: number;
  /** Of the voxels that stop a ray, the share that do not stop most of theirs more than 10 cm too early. */
  readonly believed: number;
  /** Mean of these three: missing surface, surplus surface and unknown free space count alike. */
  readonly agreement: number;
}

/** Pixels of one held-out frame, in the lens frame. */
export interface Question {
  readonly sequence: number;
  readonly sensor: number;
  /** Unit rays x, y, z and the measured metres along each: four numbers a pixel. */
  readonly rays: Float32Array;
}

/** Metres, independent of the voxel size, so that maps with coarse and fine voxels are comparable. */
export const WITHIN = 0.05;
/** Side of the free-space cubes, metres. */
const AIR_CUBE = 0.1;
/** Number of free-space points for each measured point: enough to sample places that few rays cross. */
const AIR_POINTS = 6;
/** Most sampled pixels of a frame: neighbouring pixels are redundant. */
const MOST_PIXELS = 300;

/** The level of shedding at which a head maps every second frame of each sensor; the others are held out. */
export const HOLD_OUT = 1;

/** The surfaces of a map: voxels, and floor heights in them. */
interface Surfaces {
  readonly grid: GridView;
  readonly floor: FloorView;
}

/** A map, and the sensors that it was made with. */
export interface ScoredMap extends Surfaces {
  readonly setup: Setup;
}

/** Which of a sensor's frames are kept out of the map: every second one, as a head at shedding level `HOLD_OUT` does. */
export class HoldOut {
  readonly #share = new MapShare();

  constructor() {
    this.#share.change(HOLD_OUT);
  }

  /** Called once per frame, in order. */
  isHeldOut(sensor: number): boolean {
    return !this.#share.isMapped(sensor);
  }
}

/** Chooses the sampled pixels of held-out frames: a pseudo-random one in each small square, always the same. */
export class Questions {
  readonly #sensors: readonly { readonly mask: DepthMask; readonly side: number; readonly high: number }[];

  /** @param maxRange metres; farther pixels are not sampled, except of a laser */
  constructor(setup: Setup, maxRange: number) {
    this.#sensors = setup.sensors.map(({ optics }) => {
      const range = optics.model === "scan" ? optics.maxRange : Math.min(optics.maxRange, maxRange);
      const { width, height } = optics;
      const side = Math.max(
        1,
        Math.ceil(height === 1 ? width / MOST_PIXELS : Math.sqrt((width * height) / MOST_PIXELS)),
      );
      const mask = new DepthMask({ ...optics, maxRange: range }, DEFAULT_MASK_SETTINGS);
      return { mask, side, high: height === 1 ? 1 : side };
    });
  }

  /** @param masked the frame as a mask with the usual settings and this range left it, if there is one already */
  of({ sensor, sequence, counts, amplitude }: DepthEvent, masked: MaskResult | null = null): Question {
    const { mask, side, high } = this.#sensors[sensor]!;
    const { depth, unitsPerMetre } = masked ?? mask.apply(counts, amplitude);
    const { width, height, x, y, z } = mask.rays;
    const rays: number[] = [];
    for (let top = 0; top < height; top += high) {
      for (let left = 0; left < width; left += side) {
        const draw = scatter(sequence, top * width + left);
        const u = left + (draw % side);
        const v = top + (Math.floor(draw / side) % high);
        if (u >= width || v >= height) continue;
        const i = v * width + u;
        if (depth[i]! === 0) continue;
        const length = hypot3(x[i]!, y[i]!, z[i]!);
        rays.push(x[i]! / length, y[i]! / length, z[i]! / length, (depth[i]! / unitsPerMetre) * length);
      }
    }
    return { sequence, sensor, rays: Float32Array.from(rays) };
  }
}

/** A whole number of 31 bits that looks like chance, the same for the same two. Source: Steele et al. 2014, mixing. */
function scatter(a: number, b: number): number {
  let h = Math.imul(a + 1, 0x9e3779b1) ^ Math.imul(b + 1, 0x85ebca6b);
  h = Math.imul(h ^ (h >>> 16), 0x7feb352d);
  h = Math.imul(h ^ (h >>> 15), 0x846ca68b);
  return (h ^ (h >>> 16)) >>> 1;
}

/**
 * Casts the rays of held-out frames through the map (grid and floor heights, see `Caster`). Needs no truth, and a
 * blurred or thickened map scores worse.
 *
 * @param poses worldFromLens of the held-out frames, by sequence; frames without are left out
 */
export function scoreHeldOut(
  map: ScoredMap,
  questions: Iterable<Question>,
  poses: ReadonlyMap<string, Pose>,
): HeldOutScore {
  const caster = new Caster(map);
  const errors: number[] = [];
  let frames = 0;
  let pixels = 0;
  let within = 0;
  let found = 0;
  /** By voxel: rays that it stops in time, less those that it stops too early. */
  const votes = new Map<number, number>();
  // Each place counts once, or the places in every frame, mostly just in front of the lens, would dominate.
  const places = new Cubes(WITHIN);
  const air = new Cubes(AIR_CUBE);
  /** Points in the air x, y, z, and 1 where the map calls them free. */
  const asked: number[] = [];
  for (const { sensor, sequence, rays } of questions) {
    const pose = poses.get(frameName(sensor, sequence));
    if (pose === undefined) continue;
    frames++;
    const isScan = map.setup.sensors[sensor]!.optics.model === "scan";
    for (let n = 0; n < rays.length; n += 4) {
      const range = rays[n + 3]!;
      const along = turn(pose.rotation, [rays[n]!, rays[n + 1]!, rays[n + 2]!]);
      pixels++;
      const predicted = caster.cast(pose.position, along, range + 1);
      const [px, py, pz] = pose.position;
      const [dx, dy, dz] = along;
      const end = [px + range * dx, py + range * dy, pz + range * dz] as const;
      if (places.add(...end) && hasSurface(map, end)) found++;
      const step = Math.max(0, range - 2 * WITHIN) / AIR_POINTS;
      for (let q = scatter(sequence, 4096 + n) / 2 ** 31; q < AIR_POINTS; q++) {
        const [x, y, z] = [px + q * step * dx, py + q * step * dy, pz + q * step * dz];
        if (air.add(x, y, z)) asked.push(x, y, z, isFree(map.grid, [x, y, z]) ? 1 : 0);
      }
      if (predicted === Number.POSITIVE_INFINITY) continue;
      const vote = predicted >= range - 2 * WITHIN ? 1 : -1;
      votes.set(caster.stoppedBy, (votes.get(caster.stoppedBy) ?? 0) + vote);
      const error = Math.abs(predicted - range);
      errors.push(isScan ? error : error * rays[n + 2]!);
      if (error <= WITHIN) within++;
    }
  }
  // Cubes in which another ray ends are left out: they would have to be surface and free at once.
  let [open, free] = [0, 0];
  for (let n = 0; n < asked.length; n += 4) {
    if (places.has(asked[n]!, asked[n + 1]!, asked[n + 2]!)) continue;
    open++;
    free += asked[n + 3]!;
  }
  let borneOut = 0;
  for (const vote of votes.values()) if (vote >= 0) borneOut++;
  const shares = {
    found: found / places.count,
    airFree: free / Math.max(1, open),
    believed: borneOut / Math.max(1, votes.size),
  };
  const sorted = Float64Array.from(errors).sort();
  return {
    frames,
    pixels,
    answered: errors.length / pixels,
    medianError: sorted[sorted.length >> 1] ?? Number.NaN,
    within5cm: within / pixels,
    ...shares,
    agreement: (shares.found + shares.airFree + shares.believed) / 3,
  };
}

/** Cubes of the world that points were in: a set of whole triples, which is faster than one of numbers beyond 2^31. */
class Cubes {
  count = 0;
  readonly #side: number;
  /** Slots of i, j, k; those without a cube are not taken. */
  #keys = new Int32Array(3 * 4096);
  #isTaken = new Uint8Array(4096);

  /** @param side metres */
  constructor(side: number) {
    this.#side = side;
  }

  /** Adds a point; returns whether it is the first of its cube. */
  add(x: number, y: number, z: number): boolean {
    if (2 * this.count > this.#isTaken.length) this.#grow();
    const side = this.#side;
    return this.#addCube(Math.floor(x / side), Math.floor(y / side), Math.floor(z / side));
  }

  has(x: number, y: number, z: number): boolean {
    const side = this.#side;
    return (
      this.#isTaken[this.#slotOf(Math.floor(x / side), Math.floor(y / side), Math.floor(z / side))] === 1
    );
  }

  #addCube(i: number, j: number, k: number): boolean {
    const slot = this.#slotOf(i, j, k);
    if (this.#isTaken[slot] === 1) return false;
    this.#isTaken[slot] = 1;
    this.#keys[3 * slot] = i;
    this.#keys[3 * slot + 1] = j;
    this.#keys[3 * slot + 2] = k;
    this.count++;
    return true;
  }

  /** The slot of a cube, or the free slot where it belongs. Source: Knuth, TAOCP 3, 6.4, linear probing. */
  #slotOf(i: number, j: number, k: number): number {
    const keys = this.#keys;
    const last = this.#isTaken.length - 1;
    let h = Math.imul(i, 0x9e3779b1) ^ Math.imul(j, 0x85ebca6b) ^ Math.imul(k, 0xc2b2ae35);
    h = Math.imul(h ^ (h >>> 15), 0x846ca68b);
    let slot = (h ^ (h >>> 13)) & last;
    while (
      this.#isTaken[slot] === 1 &&
      !(keys[3 * slot] === i && keys[3 * slot + 1] === j && keys[3 * slot + 2] === k)
    )
      slot = (slot + 1) & last;
    return slot;
  }

  #grow(): void {
    const [keys, isTaken] = [this.#keys, this.#isTaken];
    this.count = 0;
    this.#keys = new Int32Array(2 * keys.length);
    this.#isTaken = new Uint8Array(2 * isTaken.length);
    for (let n = 0; n < isTaken.length; n++)
      if (isTaken[n] === 1) this.#addCube(keys[3 * n]!, keys[3 * n + 1]!, keys[3 * n + 2]!);
  }
}

/** Three whole numbers within 2^16 of 0 as one. */
export const wholeOf = (i: number, j: number, k: number): number => (i * 2 ** 17 + j) * 2 ** 17 + k;

/** Whether a map has an occupied voxel or floor within 5 cm of a point of the world (of a cube about it). */
export function hasSurface({ grid, floor }: Surfaces, [x, y, z]: Vec3): boolean {
  const size = grid.voxelSize;
  const [i0, i1] = [Math.floor((x - WITHIN) / size), Math.floor((x + WITHIN) / size)];
  const [j0, j1] = [Math.floor((y - WITHIN) / size), Math.floor((y + WITHIN) / size)];
  const [k0, k1] = [Math.floor((z - WITHIN) / size), Math.floor((z + WITHIN) / size)];
  for (let i = i0; i <= i1; i++) {
    for (let j = j0; j <= j1; j++) {
      if (Math.abs(floor.heightAt(i, j) - z) <= WITHIN) return true;
      for (let k = k0; k <= k1; k++) if (grid.valueAt(i, j, k) >= OCCUPIED_FROM) return true;
    }
  }
  return false;
}

/** Whether a map calls the place of a point free; unknown counts as not free. */
export function isFree(grid: GridView, [x, y, z]: Vec3): boolean {
  const size = grid.voxelSize;
  return grid.valueAt(Math.floor(x / size), Math.floor(y / size), Math.floor(z / size)) < FREE_BELOW;
}

/** A frame among those of all sensors. */
export const frameName = (sensor: number, sequence: number): string => `${sensor}/${sequence}`;

/**
 * Finds the first surface of a map along a ray: the middle of the ray's path through the first occupied voxel, or, where that
 * voxel is the column's own floor, the place where the ray meets the floor's height. The map must not change meanwhile.
 */
export class Caster {
  readonly #grid: GridView;
  readonly #floor: FloorView;
  /** Layers of voxels, from and to, in which floor may lie; most of a ray is outside of them. */
  readonly #low: number;
  readonly #high: number;

  constructor({ grid, floor }: Surfaces) {
    this.#grid = grid;
    this.#floor = floor;
    const [low, high] = floor.span();
    this.#low = Math.floor(low / grid.voxelSize - 2);
    this.#high = Math.ceil(high / grid.voxelSize + 1);
  }

  /** The voxel that stopped the ray cast last, as a whole number. */
  stoppedBy = 0;

  /**
   * @param from  world metres
   * @param along unit vector
   * @param most  metres; voxels beyond are ignored
   * @returns metres, or Infinity
   */
  cast(from: Vec3, along: Vec3, most: number): number {
    const grid = this.#grid;
    const { voxelSize: size } = grid;
    const ax = from[0] / size;
    const ay = from[1] / size;
    const az = from[2] / size;
    const dx = along[0] / size;
    const dy = along[1] / size;
    const dz = along[2] / size;
    let i = Math.floor(ax);
    let j = Math.floor(ay);
    let k = Math.floor(az);
    const upX = dx > 0 ? 1 : 0;
    const upY = dy > 0 ? 1 : 0;
    const upZ = dz > 0 ? 1 : 0;
    let entry = 0;
    let px = Number.NaN;
    let py = 0;
    let pz = 0;
    let start = -1 - UNKNOWN;
    while (entry <= most) {
      if (i >> 2 !== px || j >> 2 !== py || k >> 2 !== pz) {
        px = i >> 2;
        py = j >> 2;
        pz = k >> 2;
        start = grid.brickAt(i, j, k);
      }
      const isLow = k >= this.#low && k <= this.#high;
      // A uniform brick that is not occupied, and has no floor layer, is crossed in one step.
      const isBlank = start < 0 && -1 - start < OCCUPIED_FROM && !isLow && this.#isAboveFloors(pz);
      const span = isBlank ? 4 : 1;
      const mask = isBlank ? ~3 : ~0;
      const x0 = i & mask;
      const y0 = j & mask;
      const z0 = k & mask;
      const tx = dx === 0 ? Number.POSITIVE_INFINITY : (x0 + span * upX - ax) / dx;
      const ty = dy === 0 ? Number.POSITIVE_INFINITY : (y0 + span * upY - ay) / dy;
      const tz = dz === 0 ? Number.POSITIVE_INFINITY : (z0 + span * upZ - az) / dz;
      const exit = Math.max(entry, Math.min(tx, ty, tz));
      if (!isBlank) {
        const height = isLow ? this.#floor.heightAt(i, j) / size : Number.NaN;
        // The floor's own voxels: its layer and, as it may lie at a boundary of layers, the nearer of its neighbours.
        if (k > height - 1.5 && k < height + 0.5) {
          // In the column at hand the floor is a level patch, here only from above.
          const meets = dz < 0 ? (height - az) / dz : Number.POSITIVE_INFINITY;
          this.stoppedBy = wholeOf(i, j, k);
          if (meets >= entry - 1e-9 && meets <= exit + 1e-9)
            return meets <= most ? meets : Number.POSITIVE_INFINITY;
          if (dz < 0 && meets < entry) return entry;
        } else if (grid.valueIn(start, i, j, k) >= OCCUPIED_FROM) {
          this.stoppedBy = wholeOf(i, j, k);
          return (entry + Math.min(exit, most)) / 2;
        }
      }
      entry = exit;
      const last = span - 1;
      if (isBlank) {
        // On the other axes the position stays inside the brick, in spite of rounding.
        i = Math.min(x0 + last, Math.max(x0, Math.floor(ax + entry * dx)));
        j = Math.min(y0 + last, Math.max(y0, Math.floor(ay + entry * dy)));
        k = Math.min(z0 + last, Math.max(z0, Math.floor(az + entry * dz)));
      }
      if (tx <= ty && tx <= tz) i = upX ? x0 + span : x0 - 1;
      else if (ty <= tz) j = upY ? y0 + span : y0 - 1;
      else k = upZ ? z0 + span : z0 - 1;
    }
    return Number.POSITIVE_INFINITY;
  }

  #isAboveFloors(pz: number): boolean {
    return 4 * pz > this.#high || 4 * pz + 3 < this.#low;
  }
}
