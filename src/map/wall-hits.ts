import { cosOf, square } from "../geometry/elementary.ts";
import type { RayTable } from "../geometry/rays.ts";
import type { Placement } from "../track/placement.ts";

/** Metres: side of a cell. The noise of most depth cameras is about this at one to two metres. */
export const HIT_CELL = 0.01;
/** Cells along one side of a tile. */
const TILE = 32;
const MOST = 65535;
/** Metres and radians that a lens moves before its next frame counts: more frames from one place would repeat its errors. */
const MOVED = 0.02;
const TURNED = 0.02;
/** Metres above the floor below which hits do not count: they may be floor. */
const LOW = 0.1;
/** Pixels between samples along a row and along a column. A wall has many pixels above each other, so rows can be few. */
const STEP_U = 2;
const STEP_V = 4;

/** A frame with walls in it. */
export interface WallFrame {
  /** Index of the sensor. */
  readonly sensor: number;
  /** (height * width) z-depth, 0 for none. */
  readonly depth: Uint16Array;
  /** Of the same pixels: point in the lens frame = ray * depth / unitsPerMetre. */
  readonly rays: RayTable;
  readonly unitsPerMetre: number;
  readonly lens: Placement;
  /** Metres: z of the floor point below the base. */
  readonly floorHeight: number;
}

/**
 * How many sampled pixels ended in each square centimetre of the plan, between LOW and a height above the floor. Walls are known
 * from it to less than a voxel, which only says that something is in it.
 *
 * What was taken away stays in it: use it where the voxel map still has something.
 */
export class WallHits {
  /** Metres above the floor up to which hits count. */
  height: number;
  #tiles = new Map<number, Uint16Array>();
  /** Each sensor's lens when its last frame counted: its position and its axis. */
  #last: (Float64Array | undefined)[] = [];
  #lastKey = -1;
  #lastTile: Uint16Array | null = null;

  /** @param height metres above the floor up to which hits count */
  constructor(height: number) {
    this.height = height;
  }

  /** Counts the hits of a frame, unless its lens has hardly moved since the last one that counted. */
  addFrame({ sensor, depth, rays, unitsPerMetre, lens, floorHeight }: WallFrame): void {
    const { width, height, x: rayX, y: rayY, z: rayZ } = rays;
    if (depth.length !== width * height) {
      throw new RangeError(`depth has ${depth.length} pixels, the rays ${width}x${height}`);
    }
    if (!this.#hasMoved(sensor, lens)) return;
    const { rotation: R, position } = lens;
    const scale = 1 / unitsPerMetre;
    const perCell = 1 / HIT_CELL;
    const low = floorHeight + LOW;
    const high = floorHeight + this.height;
    for (let v = STEP_V >> 1; v < height; v += STEP_V) {
      for (let u = 0; u < width; u += STEP_U) {
        const i = v * width + u;
        const d = depth[i]! * scale;
        if (d === 0) continue;
        const lx = rayX[i]! * d;
        const ly = rayY[i]! * d;
        const lz = rayZ[i]! * d;
        const z = position[2]! + R[6]! * lx + R[7]! * ly + R[8]! * lz;
        if (!(z > low && z < high)) continue;
        const col = Math.floor((position[0]! + R[0]! * lx + R[1]! * ly + R[2]! * lz) * perCell);
        const row = Math.floor((position[1]! + R[3]! * lx + R[4]! * ly + R[5]! * lz) * perCell);
        const tile = this.#tile(col >> 5, row >> 5);
        const c = ((row & (TILE - 1)) << 5) | (col & (TILE - 1));
        if (tile[c]! < MOST) tile[c] = tile[c]! + 1;
      }
    }
  }

  #hasMoved(sensor: number, { rotation, position }: Placement): boolean {
    // The third column of worldFromLens is the lens's axis in the world.
    const now = Float64Array.of(...position, rotation[2]!, rotation[5]!, rotation[8]!);
    const last = this.#last[sensor];
    if (last !== undefined) {
      const moved =
        square(now[0]! - last[0]!) + square(now[1]! - last[1]!) + square(now[2]! - last[2]!) >= square(MOVED);
      const along = now[3]! * last[3]! + now[4]! * last[4]! + now[5]! * last[5]!;
      if (!moved && along > cosOf(TURNED)) return false;
    }
    this.#last[sensor] = now;
    return true;
  }

  /** Hits in a cell. */
  at(col: number, row: number): number {
    return this.#tiles.get(keyOf(col >> 5, row >> 5))?.[((row & (TILE - 1)) << 5) | (col & (TILE - 1))] ?? 0;
  }

  /** Exchanges what is counted with another one. */
  swap(other: WallHits): void {
    [this.#tiles, other.#tiles] = [other.#tiles, this.#tiles];
    this.#forgetLast();
    other.#forgetLast();
  }

  /** Takes what another one has counted. Where it has no tile, the present one stays if `keepsOthers`. @param other must not be used again */
  become(other: WallHits, keepsOthers: boolean): void {
    if (!keepsOthers) this.#tiles = other.#tiles;
    else for (const [key, tile] of other.#tiles) this.#tiles.set(key, tile);
    this.#forgetLast();
  }

  #forgetLast(): void {
    this.#last = [];
    this.#lastKey = -1;
    this.#lastTile = null;
  }

  /** Pixels of a wall follow each other, so the last tile is kept at hand. */
  #tile(tx: number, ty: number): Uint16Array {
    const key = keyOf(tx, ty);
    if (key === this.#lastKey) return this.#lastTile!;
    let tile = this.#tiles.get(key);
    if (tile === undefined) {
      tile = new Uint16Array(TILE * TILE);
      this.#tiles.set(key, tile);
    }
    this.#lastKey = key;
    this.#lastTile = tile;
    return tile;
  }
}

/** One number for a tile, within 5 km of the origin. */
const keyOf = (tx: number, ty: number): number => (tx + 0x4000) * 0x8000 + (ty + 0x4000);
