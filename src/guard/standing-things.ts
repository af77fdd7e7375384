import type { LevelView } from "./level-view.ts";
import { LANES, STRIP } from "./level-view.ts";

/** Height above the floor, metres and share of the distance, from which a return belongs to a standing object. */
const STANDING = 0.06;
const STANDING_SHARE = 0.01;
/** Height, metres: a standing object is in view if the view reaches any part of it below this height. Chosen by hand. */
const IN_VIEW = 0.15;
/** Size of a bin in distance, metres, and number of bins. Found on simulated mirror floors: wide enough for the noise of far walls. */
const BIN = 0.05;
const BINS = 160;
/** Bins all around. */
const SECTORS = 128;
/** Fewest returns in nine neighbouring bins that make a standing object. */
const FEWEST = 3;

/**
 * Number of the sector of a horizontal direction. Sectors are even along a square and not along a circle, which saves an
 * arc tangent for each pixel.
 */
function sectorOf(x: number, y: number): number {
  const ax = x < 0 ? -x : x;
  const share = y / (ax + (y < 0 ? -y : y));
  const around = x >= 0 ? share : (y >= 0 ? 2 : -2) - share;
  return ((around + 2) * (SECTORS / 4)) | 0;
}

/** Directions of the sectors' middles. */
const MIDDLE_X = Float64Array.from({ length: SECTORS }, (_, n) => middleOf(n)[0]);
const MIDDLE_Y = Float64Array.from({ length: SECTORS }, (_, n) => middleOf(n)[1]);

function middleOf(sector: number): readonly [x: number, y: number] {
  const around = (sector + 0.5) / (SECTORS / 4) - 2;
  const y = around > 1 ? 2 - around : around < -1 ? -2 - around : around;
  const x = (1 - Math.abs(y)) * (Math.abs(around) > 1 ? -1 : 1);
  const length = Math.sqrt(x * x + y * y);
  return [x / length, y / length];
}

/**
 * Standing objects in view, by bearing and horizontal distance from the lens, with their brightness. A level mirror preserves both: its
 * image of an object has the object's own bearing and distance.
 *
 * Brightness is amplitude * range^3 / distance. It is the same at all heights of an upright wall (Lambert's cosine law and the inverse
 * square; own derivation), and a mirror of reflectance R shows R^2 of it, since the light is mirrored twice.
 */
export class StandingThings {
  readonly #count = new Uint16Array(SECTORS * BINS);
  readonly #brightness = new Float32Array(SECTORS * BINS);
  /** (SECTORS) how steeply up the view reaches, rise over run; -Infinity outside of it. */
  readonly #steepest = new Float32Array(SECTORS);
  #lensHeight = 0;

  /** Finds all standing objects in one frame. @param amplitude of the same frame */
  find(view: LevelView, amplitude: Uint16Array): void {
    const { depth, rays, rotation: R, metresPerUnit } = view;
    const { width, height, x: rayX, y: rayY } = rays;
    const h = view.position[2]!;
    const r0 = R[0]!;
    const r1 = R[1]!;
    const r2 = R[2]!;
    const r3 = R[3]!;
    const r4 = R[4]!;
    const r5 = R[5]!;
    const r6 = R[6]!;
    const r7 = R[7]!;
    const r8 = R[8]!;
    this.#lensHeight = h;
    this.#findSteepest(view);
    const counts = this.#count.fill(0);
    const brightness = this.#brightness.fill(0);
    const last = STRIP * Math.floor(width / STRIP) - (STRIP - 2 * LANES) - 2 + view.phase;
    for (let v = 0; v < height; v++) {
      for (let i = v * width + view.phase; i <= v * width + last; i += 2) {
        const t = depth[i]! * metresPerUnit;
        if (t === 0) continue;
        const rx = rayX[i]!;
        const ry = rayY[i]!;
        const z = h + (r6 * rx + r7 * ry + r8) * t;
        if (z < STANDING) continue;
        const x = (r0 * rx + r1 * ry + r2) * t;
        const y = (r3 * rx + r4 * ry + r5) * t;
        const s = Math.sqrt(x * x + y * y);
        const bin = (s / BIN) | 0;
        if (bin >= BINS || z < STANDING + STANDING_SHARE * s) continue;
        const range = t * Math.sqrt(rx * rx + ry * ry + 1);
        const at = sectorOf(x, y) * BINS + bin;
        counts[at]!++;
        brightness[at]! += (amplitude[i]! * range * range * range) / s;
      }
    }
  }

  /** The upper border of the view, for each direction. */
  #findSteepest({ rays, rotation: R }: LevelView): void {
    const { width, height, x: rayX, y: rayY, z: rayZ } = rays;
    const steepest = this.#steepest.fill(Number.NEGATIVE_INFINITY);
    const see = (i: number): void => {
      if (rayZ[i] === 0) return;
      const rx = rayX[i]!;
      const ry = rayY[i]!;
      const x = R[0]! * rx + R[1]! * ry + R[2]!;
      const y = R[3]! * rx + R[4]! * ry + R[5]!;
      const sector = sectorOf(x, y);
      const slope = (R[6]! * rx + R[7]! * ry + R[8]!) / Math.sqrt(x * x + y * y);
      if (slope > steepest[sector]!) steepest[sector] = slope;
    };
    for (let u = 0; u < width; u++) see(u);
    for (let v = 1; v < height; v++) {
      see(v * width);
      see(v * width + width - 1);
    }
  }

  /** Visits the places of standing objects, metres from the point below the lens. */
  visit(see: (x: number, y: number) => void): void {
    for (let n = 0; n < SECTORS * BINS; n++) {
      if (this.#count[n]! < FEWEST) continue;
      const s = ((n % BINS) + 0.5) * BIN;
      const sector = Math.floor(n / BINS);
      see(MIDDLE_X[sector]! * s, MIDDLE_Y[sector]! * s);
    }
  }

  /** Whether an object at a place would be in view if nothing hid it. @param x, y metres from below the lens */
  isInView(x: number, y: number): boolean {
    const s = Math.sqrt(x * x + y * y);
    return this.#lensHeight + this.#steepest[sectorOf(x, y)]! * s > IN_VIEW;
  }

  /**
   * Brightness of the object at a place; 0 without one.
   * @param x, y metres from below the lens
   */
  at(x: number, y: number): number {
    const bin = (Math.sqrt(x * x + y * y) / BIN) | 0;
    const sector = sectorOf(x, y);
    let count = 0;
    let brightness = 0;
    for (let side = -1; side <= 1; side++) {
      const row = ((sector + side + SECTORS) % SECTORS) * BINS;
      for (let b = bin > 0 ? bin - 1 : 0; b <= bin + 1 && b < BINS; b++) {
        count += this.#count[row + b]!;
        brightness += this.#brightness[row + b]!;
      }
    }
    return count >= FEWEST ? brightness / count : 0;
  }
}
