import type { Vec3 } from "../geometry/optics.ts";
import { emptyMatches } from "./matches.ts";
import type { Placement } from "./placement.ts";
import type { Stage } from "./register.ts";
import type { Samples } from "./samples.ts";
import { SurfelMap } from "./surfels.ts";

/** Most samples that a frame may have: `track.samples` allows 8000. */
export const MOST_SAMPLES = 8192;
/**
 * 1/m^2: a surfel is a plain mean until its weight, a sum of 1 / sigma^2, reaches this (some thousand samples of 10 mm). From then on it
 * is a running mean that forgets slowly. Chosen by hand.
 */
const MAX_WEIGHT = 2e7;
/** Side of a coarse voxel in fine voxels: registration then converges from a start that is 30 cm off. Chosen by hand. */
const COARSE = 4;
/** Stride of the samples from which the share on known ground is estimated. */
const KNOWN_STRIDE = 4;
/** A sample faces an axis when the cosine of the angle between its normal and the axis exceeds this: 53 degrees. Chosen by hand. */
const FACES = 0.6;

/** The two surfel maps that frames are registered against. */
export interface MapPair {
  readonly fine: SurfelMap;
  readonly coarse: SurfelMap;
}

/** @param voxelSize metres, of the fine map */
export function emptyMaps(voxelSize: number): MapPair {
  return {
    fine: new SurfelMap(voxelSize, MAX_WEIGHT),
    coarse: new SurfelMap(COARSE * voxelSize, MAX_WEIGHT),
  };
}

/** The map that the tracker builds and registers frames against: fine and coarse surfels of the same surfaces. */
export class LocalMap {
  readonly #voxelSize: number;
  readonly #matches = emptyMatches(MOST_SAMPLES);
  #maps: MapPair;
  #stages: readonly Stage[];
  #fused = 0;

  /** @param voxelSize metres, of the fine map; stays as it is */
  constructor(voxelSize: number) {
    this.#voxelSize = voxelSize;
    this.#maps = emptyMaps(voxelSize);
    this.#stages = stagesOf(this.#maps);
  }

  get coarse(): SurfelMap {
    return this.#maps.coarse;
  }

  get pair(): MapPair {
    return this.#maps;
  }

  /** The stages of a registration: coarse, for a wide range of convergence, then fine. */
  get stages(): readonly Stage[] {
    return this.#stages;
  }

  /** Frames fused so far, into this map and into those that it replaced. */
  get fused(): number {
    return this.#fused;
  }

  /** Empty maps of the same voxel sizes, to be filled and adopted. */
  empty(): MapPair {
    return emptyMaps(this.#voxelSize);
  }

  /** Replaces both maps. */
  adopt(maps: MapPair): void {
    this.#maps = maps;
    this.#stages = stagesOf(maps);
  }

  /**
   * Adds a frame.
   * @param doubt metres, 1 sigma: error of the placement against the world's origin
   * @param free  (3 * n) axes along which the placement is uncertain, see `FuseOptions.free`; null for none
   */
  fuse(samples: Samples, at: Placement, doubt: number, free: Float64Array | null = null): void {
    this.#fused++;
    this.#maps.fine.fuse(samples, at, { free, doubt });
    this.#maps.coarse.fuse(samples, at, { free, doubt });
  }

  /** Turns both maps about a point. @param rotation (9) row-major */
  turn(rotation: Float64Array, centre: Vec3): void {
    this.#maps.fine.turn(rotation, centre);
    this.#maps.coarse.turn(rotation, centre);
  }

  /** Estimates how many samples lie on known ground, which is where the coarse map has a surface. */
  countKnown(samples: Samples, at: Placement): number {
    const { coarse } = this.#maps;
    coarse.match(this.#matches, samples, at, { gate: coarse.voxelSize, stride: KNOWN_STRIDE });
    return KNOWN_STRIDE * this.#matches.count;
  }
}

/** Gates in metres: chosen by hand for voxels of 6 and 24 cm. */
const stagesOf = ({ fine, coarse }: MapPair): readonly Stage[] => [
  { map: coarse, gate: 0.4, lastGate: 0.15, iterations: 3, stride: 4 },
  { map: fine, gate: 0.12, lastGate: 0.03, iterations: 6, stride: 1 },
];

/** Share of the samples that face a unit axis of the world (see FACES). */
export function facingShare({ count, normal }: Samples, { rotation: R }: Placement, axis: Vec3): number {
  const [a, b, c] = [0, 1, 2].map(
    (j) => R[j]! * axis[0] + R[3 + j]! * axis[1] + R[6 + j]! * axis[2],
  ) as unknown as Vec3;
  let facing = 0;
  for (let k = 0; k < 3 * count; k += 3) {
    const along = normal[k]! * a + normal[k + 1]! * b + normal[k + 2]! * c;
    if (Math.abs(along) > FACES) facing++;
  }
  return count > 0 ? facing / count : 0;
}
