import { Kernel, roomFor } from "../geometry/kernel.ts";
import { PYRAMID_KERNEL } from "./pyramid-kernel.ts";

/** Level of the finest cells: 4 x 4 pixels. Level l cells are 2^l pixels wide. */
export const FINEST = 2;
export const COARSEST = 8;
/** Padding cells around each level, with "never free, nothing behind", so that look-ups need no bounds checks. */
export const PAD = 12;
/** A finest cell with more missing pixels than this, of sixteen, carves nothing. */
const HOLES_ALLOWED = 11;

/** Bytes of a cell, and the bytes that a vector may access beyond the last. */
const CELL = 2;
const SPARE = 64;

/** What pyramid.wat exports; addresses and pitches in bytes. */
interface Exports {
  finest(image: number, pitch: number, columns: number, holes: number, near: number, far: number): void;
  halve(
    near0: number,
    near1: number,
    far0: number,
    far1: number,
    columns: number,
    near: number,
    far: number,
  ): void;
  slide(near: number, far: number, pitch: number, count: number, windowNear: number, windowFar: number): void;
}
/**
 * Nearest and farthest depth of a depth image over square cells of 4, 8, ... 256 pixels, each level also as a
 * sliding window of 2 x 2 cells. Depths are 0 (none) to 32767.
 *
 * A few missing pixels in a finest cell are ignored. A cell with more of them has minimum 0, since
 * a ray without a return says nothing about the space in front of it. Comparisons are done eight pixels at a time in
 * WebAssembly (pyramid.wat): every pixel is compared several times, and scalar code took a sixth of the whole integration.
 */
export class DepthPyramid {
  /** Pixels covered: whole finest cells only. */
  readonly width: number;
  readonly height: number;
  readonly #sourceWidth: number;
  readonly #kernel: Exports;
  /** The depth image, in the kernel's memory. */
  readonly #image: Uint16Array;
  readonly columns = new Int32Array(COARSEST + 1);
  readonly rows = new Int32Array(COARSEST + 1);
  /** Per level: index of cell (0, 0), and cells from one row to the next. */
  readonly origin = new Int32Array(COARSEST + 1);
  readonly pitch = new Int32Array(COARSEST + 1);
  readonly nearest: Int16Array;
  readonly farthest: Int16Array;
  /** Over the 2 x 2 cells from (i, j) to (i + 1, j + 1). */
  readonly windowNearest: Int16Array;
  readonly windowFarthest: Int16Array;

  /** @throws {RangeError} if the image is narrower than a cell or its width is odd */
  constructor(width: number, height: number) {
    if (width < 4 || height < 4 || width % 2 !== 0) {
      throw new RangeError(`a depth image must be at least 4x4 with an even width, got ${width}x${height}`);
    }
    this.#sourceWidth = width;
    this.width = width & ~3;
    this.height = height & ~3;
    let total = 0;
    let columns = this.width >> FINEST;
    let rows = this.height >> FINEST;
    for (let level = FINEST; level <= COARSEST; level++) {
      const pitch = columns + 2 * PAD;
      this.columns[level] = columns;
      this.rows[level] = rows;
      this.pitch[level] = pitch;
      this.origin[level] = total + PAD * pitch + PAD;
      total += pitch * (rows + 2 * PAD);
      columns = (columns + 1) >> 1;
      rows = (rows + 1) >> 1;
    }
    const layer = roomFor(CELL * total + SPARE);
    const pixels = CELL * width * height;
    const kernel = new Kernel<Exports>(PYRAMID_KERNEL, 4 * layer + roomFor(pixels + SPARE));
    const cells = () => new Int16Array(kernel.buffer, kernel.take(layer), total);
    this.nearest = cells();
    this.farthest = cells();
    this.windowNearest = cells();
    this.windowFarthest = cells();
    this.#image = new Uint16Array(kernel.buffer, kernel.take(pixels + SPARE), width * height);
    this.#kernel = kernel.call;
  }

  /**
   * @param depth (height * width) row-major, every value below 32768
   * @returns the farthest depth of the whole image, 0 when there is none
   */
  build(depth: Uint16Array): number {
    this.#image.set(depth);
    this.#buildFinest();
    for (let level = FINEST + 1; level <= COARSEST; level++) this.#halve(level);
    for (let level = FINEST; level <= COARSEST; level++) this.#slide(level);
    const { farthest } = this;
    let far = 0;
    for (let j = 0; j < this.rows[COARSEST]!; j++) {
      const row = this.origin[COARSEST]! + j * this.pitch[COARSEST]!;
      for (let i = 0; i < this.columns[COARSEST]!; i++) far = Math.max(far, farthest[row + i]!);
    }
    return far;
  }

  #buildFinest(): void {
    const { nearest, farthest } = this;
    const pitch = CELL * this.#sourceWidth;
    const columns = this.columns[FINEST]!;
    for (let j = 0; j < this.rows[FINEST]!; j++) {
      const image = this.#image.byteOffset + 4 * j * pitch;
      const row = CELL * (this.origin[FINEST]! + j * this.pitch[FINEST]!);
      const [near, far] = [nearest.byteOffset + row, farthest.byteOffset + row];
      this.#kernel.finest(image, pitch, columns, HOLES_ALLOWED, near, far);
    }
  }

  #halve(level: number): void {
    const near = this.nearest.byteOffset;
    const far = this.farthest.byteOffset;
    const columns = this.columns[level - 1]!;
    const rows = this.rows[level - 1]!;
    const pitch = CELL * this.pitch[level - 1]!;
    for (let j = 0; j < this.rows[level]!; j++) {
      const to = CELL * (this.origin[level]! + j * this.pitch[level]!);
      const upper = CELL * this.origin[level - 1]! + 2 * j * pitch;
      // An odd row at the end is its own partner.
      const lower = 2 * j + 1 < rows ? upper + pitch : upper;
      this.#kernel.halve(near + upper, near + lower, far + upper, far + lower, columns, near + to, far + to);
    }
  }

  #slide(level: number): void {
    const pitch = this.pitch[level]!;
    const rows = this.rows[level]!;
    // From the window above and left of the first cell to the last cell's; between rows there is room for the vectors.
    const from = CELL * (this.origin[level]! - pitch - 1);
    const count = rows * pitch + this.columns[level]! + 1;
    this.#kernel.slide(
      this.nearest.byteOffset + from,
      this.farthest.byteOffset + from,
      CELL * pitch,
      count,
      this.windowNearest.byteOffset + from,
      this.windowFarthest.byteOffset + from,
    );
  }
}
