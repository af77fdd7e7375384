import type { Pose, Vec3 } from "../../src/geometry/optics.ts";
import type { RayTable } from "../../src/geometry/rays.ts";
import { toMatrix } from "../../src/geometry/rigid.ts";
import { fitPlane, type Plane } from "../../src/geometry/solve.ts";
import { levelFromGravity } from "../../src/sense/attitude.ts";
import { Random } from "../../src/simulate/random.ts";

/** Points taken from one frame, and in all. Chosen by hand: more do not move the plane by a millimetre. */
const POINTS_PER_FRAME = 3000;
export const FIT_FRAMES = 40;
/** Metres: farther returns are too noisy to tell the lean of a floor. Chosen by hand. */
const FARTHEST = 5;
/** Planes that are tried, and points each is tried on. A floor that holds a tenth of the points is among the tries with 98 %. */
const TRIES = 4000;
const TRIED_ON = 1500;
/** Radians between the floor and the axis that is said to point up: more is a wall, or the wrong axis. Chosen by hand. */
const MOST_LEAN = (35 * Math.PI) / 180;
/** Metres: a point this near a tried plane lies on it; one this far below it speaks against a floor. Chosen by hand: noise of a depth camera at 3 m. */
const ON = 0.025;
const BELOW = 0.08;
/** Share of the points that a floor must hold. Chosen by hand. */
const LEAST_SHARE = 0.04;
const ROUNDS = 5;

/** A floor found in recorded frames, in the world of their poses. */
export interface FoundFloor {
  /** Unit vector, upwards from the floor. */
  readonly up: Vec3;
  /** Metres: z of the floor, at the middle of the points that lie on it. */
  readonly height: number;
  /** Radians between `up` and z. */
  readonly lean: number;
  /** Share of the points that lie on it, and metres, 1 sigma, of their distances from it. */
  readonly share: number;
  readonly spread: number;
  /** Moves the world so that z is up and the floor lies at z = 0. */
  readonly levelled: Pose;
}

/** Collects points of frames with poses, and finds the floor among them. The same points give the same floor. */
export class FloorFinder {
  readonly #points: number[] = [];

  /**
   * Adds a frame.
   * @param counts (height * width) depth; point in the lens frame = ray * count / unitsPerMetre; 0 is no return
   * @param world  worldFromLens
   */
  add(counts: Uint16Array, rays: RayTable, unitsPerMetre: number, world: Pose): void {
    const m = toMatrix(world);
    const step = Math.max(1, Math.floor(Math.sqrt(counts.length / POINTS_PER_FRAME)));
    for (let v = step >> 1; v < rays.height; v += step) {
      for (let u = step >> 1; u < rays.width; u += step) {
        const i = v * rays.width + u;
        const d = counts[i]! / unitsPerMetre;
        if (d === 0 || d > FARTHEST) continue;
        const [x, y, z] = [rays.x[i]! * d, rays.y[i]! * d, rays.z[i]! * d];
        for (let k = 0; k < 3; k++) this.#points.push(m[k]! * x + m[4 + k]! * y + m[8 + k]! * z + m[12 + k]!);
      }
    }
  }

  /** The lowest large plane that is nearly level; null when there is none. */
  find(): FoundFloor | null {
    const count = this.#points.length / 3;
    if (count < 100) return null;
    let plane = this.#tryPlanes();
    if (plane === null) return null;
    let cut = 2 * ON;
    let on: number[] = [];
    for (let round = 0; round < ROUNDS; round++) {
      on = this.#pointsOn(plane, cut);
      plane = upwards(fitPlane(on));
      if (plane === null) return null;
      cut = Math.max(0.01, 3 * plane.rms);
    }
    const share = on.length / this.#points.length;
    const lean = Math.acos(Math.min(1, plane.normal[2]));
    if (share < LEAST_SHARE || lean > MOST_LEAN) return null;
    return { ...floorOf(plane, on), lean, share, spread: plane.rms };
  }

  /** Planes through three points each; the best has the most points on it and few below it. */
  #tryPlanes(): Plane | null {
    const points = this.#points;
    const count = points.length / 3;
    const random = new Random(1);
    const pick = () => 3 * Math.floor(random.uniform() * count);
    const some = Array.from({ length: TRIED_ON }, pick);
    let best: Plane | null = null;
    let most = 0;
    for (let n = 0; n < TRIES; n++) {
      const three = [pick(), pick(), pick()].flatMap((at) => points.slice(at, at + 3));
      const plane = upwards(fitPlane(three));
      if (plane === null || plane.normal[2] < Math.cos(MOST_LEAN)) continue;
      let worth = 0;
      for (const at of some) {
        const off = offOf(plane, points, at);
        if (off > -ON && off < ON) worth++;
        else if (off < -BELOW) worth -= 2;
      }
      if (worth <= most) continue;
      most = worth;
      best = plane;
    }
    return best;
  }

  #pointsOn(plane: Plane, cut: number): number[] {
    const points = this.#points;
    const on: number[] = [];
    for (let at = 0; at < points.length; at += 3) {
      if (Math.abs(offOf(plane, points, at)) < cut) on.push(points[at]!, points[at + 1]!, points[at + 2]!);
    }
    return on;
  }
}

const offOf = ({ normal, offset }: Plane, points: readonly number[], at: number): number =>
  normal[0] * points[at]! + normal[1] * points[at + 1]! + normal[2] * points[at + 2]! - offset;

/** The plane with its normal upwards. */
function upwards(plane: Plane | null): Plane | null {
  if (plane === null || plane.normal[2] >= 0) return plane;
  const [x, y, z] = plane.normal;
  return { normal: [-x, -y, -z], offset: -plane.offset, rms: plane.rms };
}

function floorOf({ normal, offset }: Plane, on: readonly number[]) {
  let [x, y] = [0, 0];
  for (let at = 0; at < on.length; at += 3) {
    x += on[at]!;
    y += on[at + 1]!;
  }
  const count = on.length / 3;
  const height = (offset - (normal[0] * x + normal[1] * y) / count) / normal[2];
  const levelled: Pose = { rotation: levelFromGravity(normal), position: [0, 0, -offset] };
  return { up: normal, height, levelled };
}
