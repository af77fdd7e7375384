import type { Placement } from "./placement.ts";
import { emptySamples, type Samples } from "./samples.ts";
import type { SurfelMap } from "./surfels.ts";

/** A candidate position of a frame. */
export interface Candidate {
  readonly x: number;
  readonly y: number;
  /** Share of the samples that lie on the map there. */
  readonly share: number;
}

/** Where to search. */
export interface SearchArea {
  /** Metres around the position of the given placement. */
  readonly radius: number;
  /** Metres: spacing of the lattice. */
  readonly step: number;
  /** Most candidates to return, each at least two steps from the better ones. */
  readonly most: number;
}

/** Samples used by a search: enough to tell places apart, few enough for thousands of positions. Chosen by hand. */
const MOST_SAMPLES = 80;

/**
 * Searches a horizontal square lattice for positions at which a frame of known rotation lies on the map.
 * Source: exhaustive correlation of a scan with a map, as in Olson 2009, over the two translations only.
 */
export class PositionSearch {
  readonly #turned: Samples = emptySamples(MOST_SAMPLES);

  /**
   * @param at rotation of the lens; its position is the middle of the search
   * @returns best first
   */
  search(map: SurfelMap, samples: Samples, at: Placement, { radius, step, most }: SearchArea): Candidate[] {
    const count = this.#rotate(samples, at.rotation);
    if (count === 0) return [];
    const cells = Math.floor(radius / step);
    const side = 2 * cells + 1;
    const shares = new Float32Array(side * side);
    const [x0, y0, z0] = [at.position[0]!, at.position[1]!, at.position[2]!];
    const gate = map.voxelSize / 2;
    for (let j = -cells, n = 0; j <= cells; j++) {
      for (let i = -cells; i <= cells; i++, n++) {
        if (i * i + j * j > cells * cells) continue;
        shares[n] = map.countOn(this.#turned, x0 + i * step, y0 + j * step, z0, gate) / count;
      }
    }
    const found: Candidate[] = [];
    while (found.length < most) {
      let best = 0;
      for (let n = 1; n < shares.length; n++) if (shares[n]! > shares[best]!) best = n;
      if (shares[best] === 0) break;
      const [i, j] = [best % side, Math.floor(best / side)];
      found.push({ x: x0 + (i - cells) * step, y: y0 + (j - cells) * step, share: shares[best]! });
      for (let v = Math.max(0, j - 1); v <= Math.min(side - 1, j + 1); v++) {
        shares.fill(0, v * side + Math.max(0, i - 1), v * side + Math.min(side, i + 2));
      }
    }
    return found;
  }

  /** Rotates evenly chosen samples into world axes. @returns their number */
  #rotate({ count, point, normal }: Samples, R: Float64Array): number {
    const out = this.#turned;
    const step = Math.max(1, Math.floor(count / MOST_SAMPLES));
    let n = 0;
    for (let i = 0; i < count && n < MOST_SAMPLES; i += step, n++) {
      for (let row = 0; row < 3; row++) {
        const [a, b, c] = [R[3 * row]!, R[3 * row + 1]!, R[3 * row + 2]!];
        out.point[3 * n + row] = a * point[3 * i]! + b * point[3 * i + 1]! + c * point[3 * i + 2]!;
        out.normal[3 * n + row] = a * normal[3 * i]! + b * normal[3 * i + 1]! + c * normal[3 * i + 2]!;
      }
    }
    out.count = n;
    return n;
  }
}
