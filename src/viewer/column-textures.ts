import {
  DataTexture,
  type IUniform,
  LinearFilter,
  NearestFilter,
  RedFormat,
  RGBAFormat,
  Vector2,
  Vector4,
} from "three";
import { COLUMN_BYTES, type ColumnUpdate, STACK } from "./column-map.ts";

/** Columns along the side of a stack. */
const SIDE = 8;
/** Columns with content that a stack needs to count as seen. */
const SEEN = 4;
/** Stacks by which the textures grow at a time. */
const SPARE = 16;
/** Most stacks along a side: 4096 columns, 205 m at voxels of 5 cm. Farther columns are not in the plan. */
const MOST = 512;

/** The columns of the whole map as textures, which the shaders of plan and shadows sample by position. */
export class ColumnTextures {
  /** In blocks: position of the first stack, and capacity in stacks. */
  #first: readonly [number, number] = [0, 0];
  #size: readonly [number, number] = [0, 0];
  /** Metres. */
  #voxelSize = 0;
  #columns = new Uint8Array(COLUMN_BYTES);
  #shades = new Uint8Array(1);
  readonly uniforms = {
    columns: { value: textureOf(this.#columns, 1, 1, true) } as IUniform<DataTexture>,
    shades: { value: textureOf(this.#shades, 1, 1, false) } as IUniform<DataTexture>,
    /** Corner and size of the area that the textures cover, metres. */
    columnsAt: { value: new Vector4(0, 0, 1e-6, 1e-6) },
    columnsSize: { value: new Vector2(1, 1) },
  };

  /** @param voxelSize metres */
  update({ places, columns, shades }: ColumnUpdate, voxelSize: number): void {
    if (places.length === 0) return;
    this.#makeRoom(places, voxelSize);
    const [firstX, firstY] = this.#first;
    const [wide, high] = this.#size;
    for (let n = 0; n < places.length / 2; n++) {
      const [x, y] = [places[2 * n]! - firstX, places[2 * n + 1]! - firstY];
      if (x < 0 || y < 0 || x >= wide || y >= high) continue;
      for (let row = 0; row < SIDE; row++) {
        const to = (SIDE * y + row) * SIDE * wide + SIDE * x;
        const from = STACK * n + SIDE * row;
        this.#columns.set(
          columns.subarray(COLUMN_BYTES * from, COLUMN_BYTES * (from + SIDE)),
          COLUMN_BYTES * to,
        );
        this.#shades.set(shades.subarray(from, from + SIDE), to);
      }
    }
    this.uniforms.columns.value.needsUpdate = true;
    this.uniforms.shades.value.needsUpdate = true;
  }

  #makeRoom(places: Int32Array, voxelSize: number): void {
    let [west, south] = this.#first;
    let [east, north] = [west + this.#size[0], south + this.#size[1]];
    const isEmpty = this.#size[0] === 0;
    const before = { west, south, east, north };
    for (let n = 0; n < places.length; n += 2) {
      const [x, y] = [places[n]!, places[n + 1]!];
      if (isEmpty && n === 0) [west, south, east, north] = [x, y, x + 1, y + 1];
      if (x < west) west = x - SPARE;
      if (x >= east) east = x + 1 + SPARE;
      if (y < south) south = y - SPARE;
      if (y >= north) north = y + 1 + SPARE;
    }
    if (
      !isEmpty &&
      west === before.west &&
      south === before.south &&
      east === before.east &&
      north === before.north &&
      voxelSize === this.#voxelSize
    )
      return;
    this.#voxelSize = voxelSize;
    if (east - west > MOST) [west, east] = isEmpty ? [west, west + MOST] : [before.west, before.east];
    if (north - south > MOST) [south, north] = isEmpty ? [south, south + MOST] : [before.south, before.north];
    const [wide, high] = [east - west, north - south];
    const columns = new Uint8Array(COLUMN_BYTES * STACK * wide * high);
    const shades = new Uint8Array(STACK * wide * high);
    const [oldWide, oldHigh] = this.#size;
    for (let row = 0; row < SIDE * oldHigh; row++) {
      const to = (row + SIDE * (before.south - south)) * SIDE * wide + SIDE * (before.west - west);
      const from = row * SIDE * oldWide;
      columns.set(
        this.#columns.subarray(COLUMN_BYTES * from, COLUMN_BYTES * (from + SIDE * oldWide)),
        COLUMN_BYTES * to,
      );
      shades.set(this.#shades.subarray(from, from + SIDE * oldWide), to);
    }
    [this.#columns, this.#shades] = [columns, shades];
    this.#first = [west, south];
    this.#size = [wide, high];
    const { uniforms } = this;
    uniforms.columns.value.dispose();
    uniforms.shades.value.dispose();
    uniforms.columns.value = textureOf(columns, SIDE * wide, SIDE * high, true);
    uniforms.shades.value = textureOf(shades, SIDE * wide, SIDE * high, false);
    const side = SIDE * voxelSize;
    uniforms.columnsAt.value.set(side * west, side * south, side * wide, side * high);
    uniforms.columnsSize.value.set(SIDE * wide, SIDE * high);
  }

  /** Centres of the seen stacks, metres. */
  get places(): (readonly [x: number, y: number])[] {
    const at = this.uniforms.columnsAt.value;
    const [wide, high] = this.#size;
    const side = wide === 0 ? 0 : at.z / wide;
    const places: (readonly [number, number])[] = [];
    for (let y = 0; y < high; y++) {
      for (let x = 0; x < wide; x++) {
        if (this.#isSeen(x, y)) places.push([at.x + (x + 0.5) * side, at.y + (y + 0.5) * side]);
      }
    }
    return places;
  }

  /** Whether a stack has at least SEEN columns with floor or obstacles: single ones are noise. */
  #isSeen(x: number, y: number): boolean {
    let seen = 0;
    for (let row = 0; row < SIDE; row++) {
      let n = COLUMN_BYTES * ((SIDE * y + row) * SIDE * this.#size[0] + SIDE * x);
      for (let col = 0; col < SIDE; col++, n += COLUMN_BYTES) {
        if (this.#columns[n] !== 0 || this.#columns[n + 1] !== 0) seen++;
      }
    }
    return seen >= SEEN;
  }

  /** COLUMN_BYTES of the column at a place, metres; null where nothing is known. */
  at(x: number, y: number): Uint8Array | null {
    const at = this.uniforms.columnsAt.value;
    const [wide, high] = this.#size;
    if (wide === 0) return null;
    const col = Math.floor(((x - at.x) / at.z) * SIDE * wide);
    const row = Math.floor(((y - at.y) / at.w) * SIDE * high);
    if (col < 0 || row < 0 || col >= SIDE * wide || row >= SIDE * high) return null;
    const n = COLUMN_BYTES * (row * SIDE * wide + col);
    return this.#columns.subarray(n, n + COLUMN_BYTES);
  }
}

function textureOf(data: Uint8Array, width: number, height: number, isColour: boolean): DataTexture {
  const texture = new DataTexture(data, width, height, isColour ? RGBAFormat : RedFormat);
  texture.unpackAlignment = 1;
  // Bytes of columns are codes, which must not be interpolated; shadows are.
  texture.minFilter = texture.magFilter = isColour ? NearestFilter : LinearFilter;
  texture.needsUpdate = true;
  return texture;
}
