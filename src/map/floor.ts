import { cosOf, square } from "../geometry/elementary.ts";
import type { RayTable } from "../geometry/rays.ts";

/** Columns along one side of a tile. */
const TILE = 32;
const TILE_COLUMNS = TILE * TILE;
/** Window of a column's mean, samples: a moved rug is learnt. */
const MEMORY = 64;
/**
 * The spread of samples before any is seen: its standard deviation, metres, and the number of samples that it counts as. Chosen by hand: noise of a
 * depth camera at 1 m.
 */
const PRIOR_SPREAD = 0.005;
const PRIOR_SAMPLES = 4;
/** Columns along one side of a block and its neighbours. */
const WINDOW = 10;
/**
 * Metres: floors of neighbouring columns that differ by more are two levels, and not averaged. Chosen by hand: 3 sigma of a sample that is a
 * centimetre wrong.
 */
const SAME_LEVEL = 0.03;
/** A column restarts after this many consecutive samples that disagree with it. */
const CHANGE = 6;

export interface FloorSettings {
  /** Metres above and below the base's own floor point within which a surface may be floor. */
  readonly band: number;
  /** Steepest floor, radians from level. */
  readonly slope: number;
}

/** A frame in which floor is sought. */
export interface FloorFrame {
  /** (height * width) z-depth, 0 for none. */
  readonly depth: Uint16Array;
  /** Of the same pixels: point in the lens frame = ray * depth / unitsPerMetre. */
  readonly rays: RayTable;
  readonly unitsPerMetre: number;
  /** (9) row-major worldFromLens, and (3) the lens in the world, metres. */
  readonly rotation: Float64Array;
  readonly position: Float64Array;
  /** Metres: z of the floor point below the base. */
  readonly floorHeight: number;
  /** Number of the frame, kept as `lastSeen`. */
  readonly frame: number;
  /** Pixels between samples. */
  readonly step: number;
  /** Pixels from a sample to the neighbours that tell its slope. */
  readonly stride: number;
}

/** A copy of one column's floor. */
export interface FloorColumn {
  /** Metres in the world, and the standard deviation of single samples about it. */
  readonly height: number;
  readonly deviation: number;
  /** Samples, up to a limit. */
  readonly count: number;
  /** The frame (BlockGrid.frame) that saw it last, and from how far, metres. */
  readonly lastSeen: number;
  readonly distance: number;
}

/**
 * Floor heights per column of the map: the surface that faces up near the height at which the base stands, with its
 * mean, spread, and when it was last seen. Columns have the voxels' own places: column (i, j) holds the voxels
 * (i, j, *).
 *
 * Heights come from the points themselves, not from voxels: a floor that lies on a voxel boundary flickers between two
 * layers of the grid, but its mean does not.
 */
export class FloorLayer {
  readonly columnSize: number;
  readonly settings: FloorSettings;
  #tiles = new Map<number, FloorTile>();
  #lastKey = -1;
  #lastTile: FloorTile | null = null;
  /** Columns with a new floor, or floor at a new height, as i, j pairs. */
  #news = new Int32Array(256);
  #newsCount = 0;
  /** Heights, their variances and numbers of samples of a block of columns and their neighbours. */
  readonly #heights = new Float64Array(WINDOW * WINDOW);
  readonly #variances = new Float64Array(WINDOW * WINDOW);
  readonly #counts = new Uint8Array(WINDOW * WINDOW);

  /** @param columnSize metres, the map's voxel size */
  constructor(columnSize: number, settings: FloorSettings) {
    const { band, slope } = settings;
    if (!(band > 0 && band <= 5))
      throw new RangeError(`floor.band is ${band}; it must be above 0, at most 5 m`);
    if (!(slope > 0 && slope < 1)) throw new RangeError(`floor.slope is ${slope}; it must be 0 to 1 rad`);
    this.columnSize = columnSize;
    this.settings = settings;
  }

  /**
   * Adds the floor points of a frame. A pixel counts when the surface through it and its neighbours, `stride` pixels to
   * the right and below, is no steeper than the slope limit.
   * @returns the number of samples that were floor
   */
  addFrame({
    depth,
    rays,
    unitsPerMetre,
    rotation,
    position,
    floorHeight,
    frame,
    step,
    stride,
  }: FloorFrame): number {
    const { width, height, x: rayX, y: rayY, z: rayZ } = rays;
    if (depth.length !== width * height) {
      throw new RangeError(`depth has ${depth.length} pixels, the rays ${width}x${height}`);
    }
    const r0 = rotation[0]!;
    const r1 = rotation[1]!;
    const r2 = rotation[2]!;
    const r3 = rotation[3]!;
    const r4 = rotation[4]!;
    const r5 = rotation[5]!;
    const r6 = rotation[6]!;
    const r7 = rotation[7]!;
    const r8 = rotation[8]!;
    const px = position[0]!;
    const py = position[1]!;
    const pz = position[2]!;
    const scale = 1 / unitsPerMetre;
    const perColumn = 1 / this.columnSize;
    const { band } = this.settings;
    const minUp = square(cosOf(this.settings.slope));
    const down = stride * width;
    let used = 0;
    // The offset changes from frame to frame, so that samples spread over the columns.
    const first = (frame * 3) % step;
    for (let v = first; v < height - stride; v += step) {
      for (let u = first; u < width - stride; u += step) {
        const i = v * width + u;
        const d = depth[i]! * scale;
        if (d === 0) continue;
        const lx = rayX[i]! * d;
        const ly = rayY[i]! * d;
        const lz = rayZ[i]! * d;
        const z = pz + r6 * lx + r7 * ly + r8 * lz;
        const above = z - floorHeight;
        if (!(above < band && above > -band)) continue;
        const dRight = depth[i + stride]! * scale;
        const dDown = depth[i + down]! * scale;
        if (dRight === 0 || dDown === 0) continue;
        const ax = rayX[i + stride]! * dRight - lx;
        const ay = rayY[i + stride]! * dRight - ly;
        const az = rayZ[i + stride]! * dRight - lz;
        const bx = rayX[i + down]! * dDown - lx;
        const by = rayY[i + down]! * dDown - ly;
        const bz = rayZ[i + down]! * dDown - lz;
        // Normal in the lens frame, of either sign: only its tilt matters.
        const nx = ay * bz - az * by;
        const ny = az * bx - ax * bz;
        const nz = ax * by - ay * bx;
        const up = r6 * nx + r7 * ny + r8 * nz;
        if (!(up * up >= minUp * (nx * nx + ny * ny + nz * nz))) continue;
        const x = px + r0 * lx + r1 * ly + r2 * lz;
        const y = py + r3 * lx + r4 * ly + r5 * lz;
        const col = Math.floor(x * perColumn);
        const row = Math.floor(y * perColumn);
        if (!isInReach(col >> 5, row >> 5)) continue;
        this.#add(this.#tile(col >> 5, row >> 5), col, row, z, frame, d);
        used++;
      }
    }
    return used;
  }

  #add(tile: FloorTile, i: number, j: number, z: number, frame: number, distance: number): void {
    const c = ((j & 31) << 5) | (i & 31);
    const count = tile.count[c]!;
    if (count === 0) {
      tile.height[c] = z;
      tile.variance[c] = 0;
      tile.count[c] = 1;
      this.#tell(i, j);
    } else {
      const error = z - tile.height[c]!;
      // Three sigma, but at least the error of a single frame by late stamps and tilt.
      const limit = 0.02 + 3 * Math.sqrt(tile.variance[c]!);
      if (error > limit || error < -limit) {
        const against = tile.against[c]! + 1;
        if (against < CHANGE) {
          tile.against[c] = against;
          return;
        }
        tile.height[c] = z;
        tile.variance[c] = 0;
        tile.count[c] = 1;
        tile.against[c] = 0;
        this.#tell(i, j);
      } else {
        // Welford's update while the count grows, then an exponential window.
        const n = count < MEMORY ? count + 1 : MEMORY;
        const mean = tile.height[c]! + error / n;
        tile.variance[c] = tile.variance[c]! + (error * (z - mean) - tile.variance[c]!) / n;
        tile.height[c] = mean;
        tile.count[c] = n;
        tile.against[c] = 0;
      }
    }
    tile.lastSeen[c] = frame;
    tile.distance[c] = distance;
  }

  #tell(i: number, j: number): void {
    if (2 * this.#newsCount === this.#news.length) {
      const more = new Int32Array(2 * this.#news.length);
      more.set(this.#news);
      this.#news = more;
    }
    this.#news[2 * this.#newsCount] = i;
    this.#news[2 * this.#newsCount + 1] = j;
    this.#newsCount++;
  }

  /** Visits the columns with a new floor, or floor at a new height, since the last call. */
  takeNews(visit: (i: number, j: number) => void): void {
    for (let n = 0; n < this.#newsCount; n++) visit(this.#news[2 * n]!, this.#news[2 * n + 1]!);
    this.#newsCount = 0;
  }

  #tile(tx: number, ty: number): FloorTile {
    const key = tileKey(tx, ty);
    const found = this.#known(key);
    if (found !== undefined) return found;
    const tile = new FloorTile();
    this.#tiles.set(key, tile);
    return tile;
  }

  /** Access is along rays and rows, so the last tile is cached. */
  #known(key: number): FloorTile | undefined {
    if (key === this.#lastKey) return this.#lastTile!;
    const tile = this.#tiles.get(key);
    if (tile !== undefined) {
      this.#lastKey = key;
      this.#lastTile = tile;
    }
    return tile;
  }

  /** The column's floor, or null where none was seen. */
  at(i: number, j: number): FloorColumn | null {
    const tile = this.#tileAt(i, j);
    const c = ((j & 31) << 5) | (i & 31);
    if (tile === undefined || tile.count[c] === 0) return null;
    return {
      height: tile.height[c]!,
      deviation: Math.sqrt(tile.variance[c]!),
      count: tile.count[c]!,
      lastSeen: tile.lastSeen[c]!,
      distance: tile.distance[c]!,
    };
  }

  /** The column's mean floor height, metres, or NaN; nothing is allocated. */
  heightAt(i: number, j: number): number {
    const tile = this.#tileAt(i, j);
    const c = ((j & 31) << 5) | (i & 31);
    return tile === undefined || tile.count[c] === 0 ? Number.NaN : tile.height[c]!;
  }

  /** Lowest and highest floor, metres; Infinity and -Infinity before any was seen. */
  span(): readonly [low: number, high: number] {
    let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
    for (const { count, height } of this.#tiles.values()) {
      for (let c = 0; c < count.length; c++) {
        if (count[c] === 0) continue;
        low = Math.min(low, height[c]!);
        high = Math.max(high, height[c]!);
      }
    }
    return [low, high];
  }

  /**
   * Floor heights of the 8 x 8 columns from (i, j), multiples of 8; i fastest. Each is the mean over the column and its
   * neighbours on the same level: far columns have few samples, and the noise of one would lower the floor below what is measured of it.
   * @param heights metres, or NaN
   * @param spreads standard deviations of single samples about them, metres
   */
  heightsOfBlock(i: number, j: number, heights: Float64Array, spreads: Float64Array): void {
    if (this.#tileAt(i, j) === undefined) {
      heights.fill(Number.NaN);
      return;
    }
    this.#window(i - 1, j - 1);
    const own = this.#heights;
    const counts = this.#counts;
    const variances = this.#variances;
    for (let n = 0; n < 64; n++) {
      const middle = ((n >> 3) + 1) * WINDOW + (n & 7) + 1;
      const height = own[middle]!;
      if (counts[middle] === 0) {
        heights[n] = Number.NaN;
        continue;
      }
      let sum = 0;
      let squares = 0;
      let weights = 0;
      for (let row = middle - WINDOW; row <= middle + WINDOW; row += WINDOW) {
        for (let k = row - 1; k <= row + 1; k++) {
          const off = own[k]! - height;
          if (counts[k] === 0 || off > SAME_LEVEL || off < -SAME_LEVEL) continue;
          sum += counts[k]! * off;
          squares += counts[k]! * (off * off + variances[k]!);
          weights += counts[k]!;
        }
      }
      const mean = sum / weights;
      heights[n] = height + mean;
      const variance = Math.max(0, squares - weights * mean * mean);
      spreads[n] = Math.sqrt((variance + PRIOR_SAMPLES * square(PRIOR_SPREAD)) / (weights + PRIOR_SAMPLES));
    }
  }

  /** Copies the columns from (i, j) and their numbers of samples into the window. */
  #window(i: number, j: number): void {
    for (let n = 0; n < WINDOW * WINDOW; n++) {
      const col = i + (n % WINDOW);
      const row = j + Math.floor(n / WINDOW);
      const tile = this.#tileAt(col, row);
      const c = ((row & 31) << 5) | (col & 31);
      this.#counts[n] = tile === undefined ? 0 : tile.count[c]!;
      this.#heights[n] = tile === undefined ? 0 : tile.height[c]!;
      this.#variances[n] = tile === undefined ? 0 : tile.variance[c]!;
    }
  }

  #tileAt(i: number, j: number): FloorTile | undefined {
    return isInReach(i >> 5, j >> 5) ? this.#known(tileKey(i >> 5, j >> 5)) : undefined;
  }

  get byteSize(): number {
    return this.#tiles.size * TILE_COLUMNS * (8 + 4 + 1 + 1 + 4 + 4);
  }

  /**
   * Takes over another layer's columns; the other must not be used any more. Every column of either counts as new.
   * @param keepsOthers whether tiles that the other does not have stay
   */
  become(other: FloorLayer, keepsOthers = false): void {
    const before = this.#tiles;
    this.#tiles = keepsOthers ? new Map([...before, ...other.#tiles]) : other.#tiles;
    this.#tellAll(before, this.#tiles);
  }

  /** Exchanges all columns with another layer. Every column of either counts as new in this one. */
  swap(other: FloorLayer): void {
    [this.#tiles, other.#tiles] = [other.#tiles, this.#tiles];
    other.#lastKey = -1;
    other.#lastTile = null;
    other.#newsCount = 0;
    this.#tellAll(this.#tiles, other.#tiles);
  }

  #tellAll(...parts: readonly ReadonlyMap<number, FloorTile>[]): void {
    this.#lastKey = -1;
    this.#lastTile = null;
    for (const tiles of parts) {
      for (const [key, { count }] of tiles) {
        const [i0, j0] = [tileX(key) << 5, tileY(key) << 5];
        for (let c = 0; c < TILE_COLUMNS; c++) if (count[c] !== 0) this.#tell(i0 + (c & 31), j0 + (c >> 5));
      }
    }
  }

  /** Visits the tiles, with the column and row of their first cell. */
  forEachTile(visit: (i: number, j: number, tile: FloorTileArrays) => void): void {
    for (const [key, tile] of this.#tiles) visit(tileX(key) << 5, tileY(key) << 5, tile);
  }

  /** Sets a tile, which was last seen in frame 0. @throws {RangeError} beyond the layer's reach */
  setTile(i: number, j: number, { height, variance, distance, count }: FloorTileArrays): void {
    if (!isInReach(i >> 5, j >> 5)) throw new RangeError(`floor column ${i}, ${j} is beyond the map's reach`);
    const tile = this.#tile(i >> 5, j >> 5);
    tile.height.set(height);
    tile.variance.set(variance);
    tile.distance.set(distance);
    tile.count.set(count);
  }

  clear(): void {
    this.#tiles.clear();
    this.#newsCount = 0;
    this.#lastKey = -1;
    this.#lastTile = null;
  }
}

/** Columns along one side of a tile of `forEachTile`. */
export const FLOOR_TILE = TILE;

/** (FLOOR_TILE^2) numbers of a tile's columns, row by row: metres, m^2, metres, samples. */
export interface FloorTileArrays {
  readonly height: ArrayLike<number>;
  readonly variance: ArrayLike<number>;
  readonly distance: ArrayLike<number>;
  readonly count: ArrayLike<number>;
}

class FloorTile {
  readonly height = new Float64Array(TILE_COLUMNS);
  readonly variance = new Float32Array(TILE_COLUMNS);
  readonly distance = new Float32Array(TILE_COLUMNS);
  readonly lastSeen = new Int32Array(TILE_COLUMNS);
  readonly count = new Uint8Array(TILE_COLUMNS);
  readonly against = new Uint8Array(TILE_COLUMNS);
}

/** Range of tile coordinates, larger than that of the grid, so that keys are small integers. */
const TILE_REACH = 8192;
const isInReach = (tx: number, ty: number): boolean =>
  tx >= -TILE_REACH && tx < TILE_REACH && ty >= -TILE_REACH && ty < TILE_REACH;
const tileX = (key: number): number => (key >> 14) - TILE_REACH;
const tileY = (key: number): number => (key & 16383) - TILE_REACH;
const tileKey = (tx: number, ty: number): number => ((tx + TILE_REACH) << 14) | (ty + TILE_REACH);

/** Read-only view of the floor, for users of a head. */
export type FloorView = Readonly<Pick<FloorLayer, "columnSize" | "at" | "heightAt" | "span" | "byteSize">>;
