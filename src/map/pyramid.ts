/** Level of the finest cells: 4 x 4 pixels. Level l cells are 2^l pixels wide. */
export const FINEST = 2;
export const COARSEST = 8;
/** Cells of "never free, nothing behind" around each level, so that look-ups need no bounds checks. */
export const PAD = 12;
/** A finest cell with more missing pixels than this, of its sixteen, carves nothing. */
const HOLES_ALLOWED = 11;

const HIGH = 0x80008000 | 0;
const LOW = 0x7fff7fff;
const ONES = 0x00010001;

/**
 * Nearest and farthest depth of a depth image over square cells of 4, 8, ... 256 pixels, each level also as a
 * sliding window of 2 x 2 cells. Depths are 0 (none) to 32767.
 *
 * Few scattered missing pixels in a finest cell are passed over; a cell with more of them has minimum 0, since
 * a ray that did not return says nothing about what lies before it. Pairs of pixels are compared two at a time
 * in one 32-bit word, because `a < b ? a : b` compiles to a branch that real depth images mispredict.
 */
export class DepthPyramid {
  /** Pixels covered: whole finest cells only. */
  readonly width: number;
  readonly height: number;
  readonly #sourceWidth: number;
  /** The image that `#pairs` looks into: sensors reuse theirs, and a new view a frame would be garbage. */
  #source: Uint16Array | null = null;
  #pairs: Int32Array = new Int32Array(0);
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
    this.nearest = new Int16Array(total);
    this.farthest = new Int16Array(total);
    this.windowNearest = new Int16Array(total);
    this.windowFarthest = new Int16Array(total);
  }

  /**
   * @param depth (height * width) row-major, every value below 32768, at an even word of its buffer
   * @returns the farthest depth of the whole image, 0 when there is none
   */
  build(depth: Uint16Array): number {
    this.#buildFinest(depth);
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

  #buildFinest(depth: Uint16Array): void {
    if (this.#source !== depth) {
      this.#source = depth;
      this.#pairs = new Int32Array(depth.buffer, depth.byteOffset, depth.length >> 1);
    }
    const pairs = this.#pairs;
    const { nearest, farthest, width, height } = this;
    const rowPairs = this.#sourceWidth >> 1;
    const origin = this.origin[FINEST]!;
    const pitch = this.pitch[FINEST]!;
    for (let y = 0; y < height; y += 4) {
      let p = y * rowPairs;
      let o = origin + (y >> 2) * pitch;
      for (let x = 0; x < width; x += 4, p += 2, o++) {
        // In each half word, bit 15 of ((a | HIGH) - b) tells a >= b; spread, it selects without a branch.
        // Minus one modulo 2^15 turns a missing 0 into the largest value, so it never is the minimum, and its
        // bit 15 falls, so that the holes can be counted. Left and right pairs go apart, to run side by side.
        let mostLeft = 0;
        let mostRight = 0;
        let leastLeft = LOW;
        let leastRight = LOW;
        let present = 0;
        for (let q = p, end = p + 4 * rowPairs; q < end; q += rowPairs) {
          let a = pairs[q]!;
          let b = pairs[q + 1]!;
          let ka = ((a | HIGH) - mostLeft) & HIGH;
          let kb = ((b | HIGH) - mostRight) & HIGH;
          mostLeft ^= (a ^ mostLeft) & (ka - (ka >>> 15));
          mostRight ^= (b ^ mostRight) & (kb - (kb >>> 15));
          a = ((a | HIGH) - ONES) | 0;
          b = ((b | HIGH) - ONES) | 0;
          present += ((a & HIGH) >>> 15) + ((b & HIGH) >>> 15);
          a &= LOW;
          b &= LOW;
          ka = ((leastLeft | HIGH) - a) & HIGH;
          kb = ((leastRight | HIGH) - b) & HIGH;
          leastLeft ^= (leastLeft ^ a) & (ka - (ka >>> 15));
          leastRight ^= (leastRight ^ b) & (kb - (kb >>> 15));
        }
        let k = ((mostLeft | HIGH) - mostRight) & HIGH;
        const most = mostRight ^ ((mostLeft ^ mostRight) & (k - (k >>> 15)));
        k = ((leastLeft | HIGH) - leastRight) & HIGH;
        const least = leastLeft ^ ((leastLeft ^ leastRight) & (k - (k >>> 15)));
        const mostLow = most & 0x7fff;
        const mostHigh = most >>> 16;
        const dm = mostLow - mostHigh;
        farthest[o] = mostLow - (dm & (dm >> 31));
        const leastLow = least & 0x7fff;
        const leastHigh = least >>> 16;
        const dl = leastLow - leastHigh;
        const min = leastHigh + (dl & (dl >> 31)) + 1;
        const whole = (present & 0xffff) + (present >>> 16);
        // All ones when enough pixels returned.
        nearest[o] = min & ~((whole - (16 - HOLES_ALLOWED)) >> 31);
      }
    }
  }

  #halve(level: number): void {
    const { nearest, farthest } = this;
    const columns = this.columns[level]!;
    const rows = this.rows[level]!;
    const fineColumns = this.columns[level - 1]!;
    const fineRows = this.rows[level - 1]!;
    const finePitch = this.pitch[level - 1]!;
    for (let y = 0; y < rows; y++) {
      let o = this.origin[level]! + y * this.pitch[level]!;
      const r0 = this.origin[level - 1]! + 2 * y * finePitch;
      const r1 = 2 * y + 1 < fineRows ? r0 + finePitch : r0;
      for (let x = 0; x < columns; x++, o++) {
        const i = 2 * x;
        const j = i + 1 < fineColumns ? i + 1 : i;
        let a = farthest[r0 + i]!;
        let d = a - farthest[r0 + j]!;
        a -= d & (d >> 31);
        d = a - farthest[r1 + i]!;
        a -= d & (d >> 31);
        d = a - farthest[r1 + j]!;
        farthest[o] = a - (d & (d >> 31));
        a = nearest[r0 + i]!;
        let b = nearest[r0 + j]!;
        d = a - b;
        a = b + (d & (d >> 31));
        b = nearest[r1 + i]!;
        d = a - b;
        a = b + (d & (d >> 31));
        b = nearest[r1 + j]!;
        d = a - b;
        nearest[o] = b + (d & (d >> 31));
      }
    }
  }

  #slide(level: number): void {
    const { nearest, farthest, windowNearest, windowFarthest } = this;
    const columns = this.columns[level]!;
    const rows = this.rows[level]!;
    const pitch = this.pitch[level]!;
    for (let y = -1; y < rows; y++) {
      let o = this.origin[level]! + y * pitch - 1;
      let d = farthest[o]! - farthest[o + pitch]!;
      let lastFar = farthest[o]! - (d & (d >> 31));
      d = nearest[o]! - nearest[o + pitch]!;
      let lastNear = nearest[o + pitch]! + (d & (d >> 31));
      for (let x = -1; x < columns; x++, o++) {
        d = farthest[o + 1]! - farthest[o + 1 + pitch]!;
        const far = farthest[o + 1]! - (d & (d >> 31));
        d = lastFar - far;
        windowFarthest[o] = lastFar - (d & (d >> 31));
        lastFar = far;
        d = nearest[o + 1]! - nearest[o + 1 + pitch]!;
        const near = nearest[o + 1 + pitch]! + (d & (d >> 31));
        d = lastNear - near;
        windowNearest[o] = near + (d & (d >> 31));
        lastNear = near;
      }
    }
  }
}
