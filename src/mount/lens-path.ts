import { hypot2, square } from "../geometry/elementary.ts";
import type { Optics, Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  compose,
  conjugate,
  fromRotationVector,
  invert,
  multiply,
  OPTICAL_IN_BODY,
  toRotationVector,
  toYawPitchRoll,
  turn,
} from "../geometry/rigid.ts";
import { fitPlane } from "../geometry/solve.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { levelFromGravity } from "../sense/attitude.ts";
import { DepthMask } from "../sense/mask.ts";
import { DEFAULT_NORMAL_SETTINGS } from "../sense/normals.ts";
import { emptyMaps } from "../track/local-map.ts";
import { emptyMatches } from "../track/matches.ts";
import { axisOf } from "../track/normal-equations.ts";
import { placement, poseOf, setPlacement } from "../track/placement.ts";
import { Registrar, type Stage } from "../track/register.ts";
import { FrameSampler } from "../track/sampler.ts";
import type { Samples } from "../track/samples.ts";
import { FloorFitter, type FloorPlane, findFloor } from "./floor-plane.ts";

/** Results of one frame, by itself and against the frames before it. */
export interface LensFrame {
  /** Microseconds. */
  readonly time: number;
  /** Pose of the lens: the floor is z = 0, the first frame is above the origin with heading x. */
  readonly pose: Pose;
  /** Heading of the lens in that world, radians, unwrapped. */
  readonly heading: number;
  /** The floor in this frame alone; null when it is not in view. */
  readonly floor: FloorPlane | null;
  /** Number of the stretch. Frames of one stretch were registered against one map; the motion between stretches is unknown. */
  readonly stretch: number;
  /** Whether the view constrains the lens in every direction: a floor and one bare wall do not. */
  readonly isHeld: boolean;
  /** Metres, 1 sigma, along the least constrained direction, by the samples' own noise. */
  readonly doubt: number;
  /** Metres to the wall in front of the lens; null if not requested, after the lens has moved, or without a wall. */
  readonly wall: number | null;
}

/** Metres: voxels of the fine map, as in tracking by default. */
const VOXEL = 0.06;
const SAMPLES = 3000;
const CANDIDATES = 6000;
/**
 * Windows across two surfaces are tilted, and the tilt depends on the distance, which would bend the path. An F ratio of
 * three against forty: noise alone exceeds it in one window of seventy.
 */
const MOST_BEND = 4;
/** A sample within this distance of the floor, metres, and with a normal this close to vertical (cosine), is floor. */
const ON_FLOOR = 0.04;
const ALMOST_UP = 0.9;
/** Prior of a frame, 1 sigma: constant velocity, with the accelerations of a base between two frames. */
const TURN_SIGMA = (4 * Math.PI) / 180;
const MOVE_SIGMA = 0.04;
/** Fewest matches, and their least share of those on known ground, for a frame to be registered. */
const LEAST_MATCHES = 150;
const LEAST_SHARE = 0.6;
/**
 * A direction with a larger share of the weight is constrained by the view. A smaller share may be noise of normals alone; then
 samples that face it must constrain it: `FACING_COUNT` of them, together better than `FACING_SIGMA` (metres), and better after it was free.
 */
const CLEAR_STRENGTH = 0.006;
const FACING_COUNT = 20;
const FACING_SIGMA = 0.004;
/**
 * A frame becomes part of the map if less than this share of it is there already, and so do the first few: were every frame
 * added, the map would drift with the errors of its own frames.
 */
const NEW_SHARE = 0.8;
const FIRST_FEW = 5;
const HELD_AGAIN = 0.7;
/** Seconds without constraint after which the position is unknown and a new stretch begins. */
const LONGEST_FREE = 0.25;
/** Decay of the velocity from frame to frame where the lens is not constrained. */
const COASTING = 0.5;
/** The lens counts as not moved within these of its first pose, metres and radians. */
const STILL = 0.01;
const STILL_ANGLE = 0.01;
/** A wall ahead: tangent of the bearing, metres above the floor, cosines of its normal; samples and band (metres) of its plane. */
const AHEAD = 0.27;
const ABOVE_FLOOR = 0.12;
const FACING = 0.94;
const UPRIGHT = 0.15;
const LEAST_WALL = 30;
const WALL_BAND = 0.1;
/** Seconds between frames beyond which the motion is unknown. */
const LONGEST_GAP = 0.5;

/**
 * The path of one lens, from its depth alone: independent of wheels and inertial sensor, so both can be compared
 * with it. Frames are registered against a surfel map that they build (as in tracking), with a constant-velocity prediction.
 */
export class LensPath {
  readonly frames: LensFrame[] = [];
  /** Number of frames before the first floor, and of frames that did not fit the path so far. */
  unseen = 0;
  broken = 0;
  readonly #mask: DepthMask;
  readonly #sampler: FrameSampler;
  readonly #fitter: FloorFitter;
  readonly #registrar: Registrar;
  readonly #up: Vec3;
  readonly #matches;
  #maps = emptyMaps(VOXEL);
  #stages: readonly Stage[] = [];
  readonly #at = placement();
  readonly #prior = { at: placement(), rotation: new Float64Array(9), position: new Float64Array(9) };
  #stretch = -1;
  #isWallAsked: boolean;
  #isHeld = true;
  #isNew = false;
  #fused = 0;
  #doubt = 0;
  /** Time of the last frame that was constrained in all directions. */
  #heldAt = 0;

  /**
   * @param up approximate up direction in the lens frame, within 50 degrees
   * @param isWallAsked whether to measure the distance to a wall ahead while the lens has not moved
   * @throws {RangeError} for optics that are not a camera's
   */
  constructor(optics: Optics, up: Vec3, isWallAsked = false) {
    this.#isWallAsked = isWallAsked;
    if (optics.model === "scan") throw new RangeError("a planar scan shows no floor: give a depth camera");
    this.#mask = new DepthMask(optics);
    const { rays } = this.#mask;
    this.#sampler = new FrameSampler(rays, {
      candidates: CANDIDATES,
      wanted: SAMPLES,
      normals: { ...DEFAULT_NORMAL_SETTINGS, maxBend: MOST_BEND },
    });
    this.#fitter = new FloorFitter(rays);
    const capacity = this.#sampler.all.weight.length;
    this.#registrar = new Registrar(capacity);
    this.#matches = emptyMatches(capacity);
    this.#up = up;
    for (const i of [0, 4, 8]) {
      this.#prior.rotation[i] = 1 / square(TURN_SIGMA);
      this.#prior.position[i] = 1 / square(MOVE_SIGMA);
    }
  }

  /**
   * Takes the next frame, in order of time.
   * @throws {RangeError} if an array has the wrong length
   */
  take(time: number, counts: Uint16Array, amplitude: Uint16Array | null): void {
    const last = this.frames.at(-1);
    if (last !== undefined && time <= last.time) return;
    const { depth, unitsPerMetre } = this.#mask.apply(counts, amplitude);
    this.#sampler.sample(depth, unitsPerMetre);
    const { all, chosen } = this.#sampler;
    const fitFloor = (near: FloorPlane): FloorPlane | null =>
      this.#fitter.fit(depth, unitsPerMetre, amplitude, near);
    let floor: FloorPlane | null = null;
    if (last !== undefined && (time - last.time) / 1e6 <= LONGEST_GAP && this.#register(time, chosen)) {
      const pose = poseOf(this.#at);
      floor = fitFloor(floorUnder(pose));
      const isReturn = this.#isHeld && (time - this.#heldAt) / 1e6 > LONGEST_FREE;
      if (!isReturn || floor === null) {
        this.#push(time, pose, floor, last);
        if (this.#isNew || this.#fused < FIRST_FEW) this.#fuse(all);
        return;
      }
      // Constrained again after a while, at an unknown position: a new stretch begins.
    } else {
      if (last !== undefined) this.broken++;
      const rough = findFloor(all, last?.floor?.normal ?? this.#up);
      floor = rough === null ? null : fitFloor(rough);
    }
    if (floor === null) {
      this.unseen++;
      return;
    }
    this.#begin();
    const pose = standOn(floor);
    setPlacement(this.#at, pose);
    this.#push(time, pose, floor, null);
    this.#fuse(all);
  }

  #begin(): void {
    this.#stretch++;
    this.#fused = 0;
    this.#isHeld = true;
    this.#doubt = 0;
    this.#maps = emptyMaps(VOXEL);
    const { fine, coarse } = this.#maps;
    this.#stages = [
      { map: coarse, gate: 0.4, lastGate: 0.15, iterations: 4, stride: 3 },
      { map: fine, gate: 0.12, lastGate: 0.03, iterations: 8, stride: 1 },
    ];
  }

  #register(time: number, chosen: Samples): boolean {
    if (chosen.count < LEAST_MATCHES) return false;
    const predicted = this.#predict(time);
    setPlacement(this.#at, predicted);
    setPlacement(this.#prior.at, predicted);
    const input = { prior: this.#prior, stages: this.#stages };
    const { matched } = this.#registrar.register(chosen, this.#at, input);
    const { coarse } = this.#maps;
    coarse.match(this.#matches, chosen, this.#at, { gate: coarse.voxelSize, stride: 4 });
    const known = 4 * this.#matches.count;
    if (matched < LEAST_MATCHES || matched < LEAST_SHARE * known) return false;
    this.#isNew = matched < NEW_SHARE * chosen.count;
    this.#holdFree(predicted);
    return true;
  }

  /** Along free directions the prediction stays, or the path would drift by its own noise. */
  #holdFree({ position }: Pose): void {
    const { strength, sums } = this.#registrar.result;
    const { values } = strength;
    const at = this.#at.position;
    const most = this.#isHeld ? FACING_SIGMA : HELD_AGAIN * FACING_SIGMA;
    let isHeld = true;
    this.#doubt = 0;
    for (let k = 0; k < 3; k++) {
      const sigma = 1 / Math.sqrt(values[k]!);
      this.#doubt = Math.max(this.#doubt, sigma);
      if (values[k]! >= CLEAR_STRENGTH * sums.weight) continue;
      const axis = axisOf(strength, k);
      const { count, information } = this.#registrar.facing(this.#prior, axis);
      this.#doubt = Math.max(this.#doubt, 1 / Math.sqrt(information));
      if (count >= FACING_COUNT && information >= 1 / square(most)) continue;
      let moved = 0;
      for (let i = 0; i < 3; i++) moved += axis[i]! * (at[i]! - position[i]!);
      for (let i = 0; i < 3; i++) at[i]! -= axis[i]! * moved;
      isHeld = false;
    }
    this.#isHeld = isHeld;
  }

  /** Constant velocity. */
  #predict(time: number): Pose {
    const [before, last] = [this.frames.at(-2), this.frames.at(-1)!];
    if (before === undefined || before.stretch !== last.stretch) return last.pose;
    const share = (time - last.time) / (last.time - before.time);
    // Without constraint a velocity would integrate its own noise.
    const left = last.isHeld ? share : COASTING * share;
    const moved = compose(invert(before.pose), last.pose);
    const [x, y, z] = toRotationVector(moved.rotation);
    const [a, b, c] = moved.position;
    return compose(last.pose, {
      rotation: fromRotationVector([share * x, share * y, share * z]),
      position: [left * a, left * b, left * c],
    });
  }

  #push(time: number, pose: Pose, floor: FloorPlane | null, last: LensFrame | null): void {
    const [raw] = toYawPitchRoll(bodyOf(pose.rotation));
    const before = last?.heading ?? 0;
    const heading = before + wrapAngle(raw - before);
    if (this.#isHeld) this.#heldAt = time;
    this.frames.push({
      time,
      pose,
      heading,
      floor,
      stretch: this.#stretch,
      isHeld: this.#isHeld,
      doubt: this.#doubt,
      wall: this.#wallAhead(pose, heading),
    });
  }

  /** Perpendicular distance to the upright surface ahead, from a plane through all its samples. */
  #wallAhead({ rotation, position }: Pose, heading: number): number | null {
    const hasMoved =
      this.#stretch > 0 || hypot2(position[0], position[1]) > STILL || Math.abs(heading) > STILL_ANGLE;
    if (!this.#isWallAsked || hasMoved) return null;
    const { count, point, normal } = this.#sampler.all;
    const points: number[] = [];
    const distances: number[] = [];
    for (let k = 0; k < 3 * count; k += 3) {
      const n = turn(rotation, [normal[k]!, normal[k + 1]!, normal[k + 2]!]);
      const p = turn(rotation, [point[k]!, point[k + 1]!, point[k + 2]!]);
      const isAhead = p[0] > 0 && Math.abs(p[1]) < AHEAD * p[0] && p[2] + position[2] > ABOVE_FLOOR;
      if (!isAhead || n[0] > -FACING || Math.abs(n[2]) > UPRIGHT) continue;
      points.push(point[k]!, point[k + 1]!, point[k + 2]!);
      distances.push(-(n[0] * p[0] + n[1] * p[1] + n[2] * p[2]));
    }
    if (distances.length < LEAST_WALL) return null;
    const middle = [...distances].sort((a, b) => a - b)[distances.length >> 1]!;
    const kept = points.filter((_, i) => Math.abs(distances[Math.floor(i / 3)]! - middle) < WALL_BAND);
    const plane = kept.length < 3 * LEAST_WALL ? null : fitPlane(kept);
    return plane === null ? null : Math.abs(plane.offset);
  }

  #fuse(all: Samples): void {
    this.#fused++;
    this.#standUp(all);
    this.#maps.fine.fuse(all, this.#at);
    this.#maps.coarse.fuse(all, this.#at);
  }

  /**
   * Sets the normals of floor to vertical. Floor is most of the view, and the noise of its many normals would pull the lens along
   * it, against the few walls that constrain the lens there.
   */
  #standUp({ count, point, normal }: Samples): void {
    const { rotation, position } = this.#at;
    const [a, b, c] = [rotation[6]!, rotation[7]!, rotation[8]!];
    for (let k = 0; k < 3 * count; k += 3) {
      const z = a * point[k]! + b * point[k + 1]! + c * point[k + 2]! + position[2]!;
      const up = a * normal[k]! + b * normal[k + 1]! + c * normal[k + 2]!;
      if (Math.abs(z) > ON_FLOOR || up < ALMOST_UP) continue;
      normal[k] = a;
      normal[k + 1] = b;
      normal[k + 2] = c;
    }
  }
}

/** Rotation of a body (x forward, y left, z up) that looks along the lens's axis. */
export const bodyOf = (rotation: Quat): Quat => multiply(rotation, conjugate(OPTICAL_IN_BODY));

/** The lens's pitch and roll against a floor, heading 0 (levelFromLens). */
export function levelOf(normal: Vec3): Quat {
  return multiply(levelFromGravity(turn(OPTICAL_IN_BODY, normal)), OPTICAL_IN_BODY);
}

/** The lens above the origin of a floor that it sees, heading along x. */
function standOn({ normal, height }: FloorPlane): Pose {
  return { rotation: levelOf(normal), position: [0, 0, height] };
}

/** The floor z = 0 in the frame of a lens at `pose`. */
function floorUnder({ rotation, position }: Pose): FloorPlane {
  return { normal: turn(conjugate(rotation), [0, 0, 1]), height: position[2], count: 0, slant: 1 };
}
