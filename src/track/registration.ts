import { square } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { solveSymmetric } from "../geometry/solve.ts";
import { setDiagonal } from "../geometry/symmetric3.ts";
import { type LocalMap, MOST_SAMPLES } from "./local-map.ts";
import { type Placement, placement, poseOf, setPlacement, turnBy } from "./placement.ts";
import { type Facing, type Prior, Registrar, type Registration } from "./register.ts";
import type { Samples } from "./samples.ts";

/** Fewest matched samples of a valid registration. Chosen by hand. */
export const LEAST_MATCHES = 120;
/** Least share of the samples on known ground that must match. Chosen by hand. */
const LEAST_SHARE = 0.5;
/**
 * The same of a young map, and the number of frames up to which a map is young: its surfels have the noise of single frames, which lowers
 * the share. Real structured light gives 36 to 42 % at the start (`score-poses office-2`).
 */
const YOUNG_SHARE = 0.3;
const YOUNG_FRAMES = 12;

/** Least share of the samples on known ground that must match. @param fused frames in the map */
export const leastShare = (fused: number): number => (fused < YOUNG_FRAMES ? YOUNG_SHARE : LEAST_SHARE);

/**
 * As `VARIANCE_INFLATION`, for the yaw. With 250 the heading over bare floor followed depth too slowly (1.5 degrees of error instead of 1.0
 * in the pottery studio).
 */
const YAW_INFLATION = 1;
/** 1 / rad^2: information on an angle that is taken as known. */
const KNOWN = 1e9;
/** Radians squared: variance of a yaw that the geometry does not constrain. */
const HARDLY_HELD = 10;
/** rad^2 per m^2: spread of a tilt that the geometry does not constrain. */
const ANY_TILT = 1e6;
/** 1 / rad^2 and 1 / m^2: information that keeps the equations solvable where the geometry constrains nothing; far below that of a single sample. */
const LEAST_INFORMATION = 1;
const ABOUT_X = new Float64Array([1, 0, 0, 0, 0, 0]);
const ABOUT_Y = new Float64Array([0, 1, 0, 0, 0, 0]);
const YAW = new Float64Array([0, 0, 1, 0, 0, 0]);

/** The predicted pose of the lens. */
export interface Expectation {
  readonly worldFromLens: Pose;
  /** Metres, 1 sigma. */
  readonly sigma: number;
  /** Radians squared, and radians, 1 sigma. */
  readonly yawVariance: number;
  readonly tiltSigma: number;
}

/** The samples and the map of a registration. */
export interface Target {
  readonly samples: Samples;
  readonly map: LocalMap;
  /** Metres, 1 sigma: error of the map near by against the world's origin. */
  readonly doubt: number;
}

/** The registration of the current frame: its predicted pose, its fitted pose, and the information in the fit. */
export class FrameRegistration {
  /** worldFromLens: the fitted pose. */
  readonly pose: Placement = placement();
  readonly #prior: Prior = {
    at: placement(),
    rotation: new Float64Array(9),
    position: new Float64Array(9),
  };
  readonly #registrar = new Registrar(MOST_SAMPLES);
  readonly #information = new Float64Array(36);
  readonly #column = new Float64Array(6);
  /** Share of the last registered samples that lie on known ground. */
  knownShare = 0;

  get result(): Readonly<Registration> {
    return this.#registrar.result;
  }

  /** Radians squared: variance of the yaw by the last registration's geometry, given the tilt; large where that hardly constrains it. */
  get yawVariance(): number {
    const information = this.#information;
    information.set(this.result.sums.information);
    for (let i = 0; i < 6; i++) information[7 * i]! += i < 2 ? KNOWN : LEAST_INFORMATION;
    if (!solveSymmetric(this.#column, information, YAW, 6)) return HARDLY_HELD;
    return YAW_INFLATION * Math.max(0, this.#column[2]!);
  }

  /** `pose` as a pose. */
  get worldFromLens(): Pose {
    return poseOf(this.pose);
  }

  /** The fitted position of the lens. */
  get position(): Vec3 {
    const { position } = this.pose;
    return [position[0]!, position[1]!, position[2]!];
  }

  /** The predicted position of the lens. */
  get expected(): Vec3 {
    const { position } = this.#prior.at;
    return [position[0]!, position[1]!, position[2]!];
  }

  /**
   * Registers a frame.
   * @param start worldFromLens to start from; by default the prediction
   * @returns the share of the samples on known ground that fit; 0 when there are too few
   */
  fit({ samples, map, doubt }: Target, expectation: Expectation, start = expectation.worldFromLens): number {
    const { sigma, yawVariance, tiltSigma } = expectation;
    const prior = this.#prior;
    setPlacement(prior.at, expectation.worldFromLens);
    setDiagonal(prior.rotation, 1 / square(tiltSigma), 1 / square(tiltSigma), 1 / yawVariance);
    setDiagonal(prior.position, 1 / square(sigma), 1 / square(sigma), 1 / square(sigma));
    setPlacement(this.pose, start);
    if (samples.count < LEAST_MATCHES) return 0;
    const { stages } = map;
    const { matched } = this.#registrar.register(samples, this.pose, { prior, stages, doubt });
    if (matched < LEAST_MATCHES) return 0;
    const known = map.countKnown(samples, this.pose);
    this.knownShare = known / samples.count;
    return Math.min(1, matched / Math.max(1, known));
  }

  /** See `Registrar.facing`. */
  facing(axis: Vec3): Readonly<Facing> {
    return this.#registrar.facing(this.#prior, axis);
  }

  /** Sets the pose without registering. */
  place(worldFromLens: Pose): void {
    setPlacement(this.pose, worldFromLens);
  }

  /**
   * Radians per metre: how much a range error b of all samples turns the yaw, given the tilt. At most b sqrt(sum of weights / information), by
   * Cauchy-Schwarz on the normal equations; a third of the weight is taken, as for positions (`WheeledPlacer`).
   */
  get yawLever(): number {
    return Math.sqrt((this.result.sums.weight * this.yawVariance) / YAW_INFLATION / 3);
  }

  /**
   * Turns the pose by given angles about some world axes, radians; null about an axis that follows. Position and the other angles follow so that
   * the samples fit best, to first order.
   */
  turnBy(angles: readonly (number | null)[]): void {
    const information = this.#information;
    information.set(this.result.information);
    const step = this.#column;
    step.fill(0);
    for (let k = 0; k < 3; k++) {
      const angle = angles[k]!;
      if (angle !== null) for (let i = 0; i < 6; i++) step[i]! -= angle * information[6 * i + k]!;
    }
    for (let k = 0; k < 3; k++) {
      const angle = angles[k]!;
      if (angle === null) continue;
      step[k] = angle;
      for (let i = 0; i < 6; i++) information[6 * i + k] = information[6 * k + i] = i === k ? 1 : 0;
    }
    if (!solveSymmetric(step, information, step, 6)) {
      for (let i = 0; i < 6; i++) step[i] = angles[i] ?? 0;
    }
    turnBy(this.pose.rotation, step[0]!, step[1]!, step[2]!);
    for (let i = 0; i < 3; i++) this.pose.position[i]! += step[3 + i]!;
  }

  /** (xx, xy, yy) rad^2 per m^2: covariance of the tilt about the level axes for a range error of all samples, as `yawLever`. */
  get tiltSpread(): readonly [number, number, number] {
    const column = this.#column;
    const spread: [number, number, number] = [ANY_TILT, 0, ANY_TILT];
    const information = this.#information;
    information.set(this.result.sums.information);
    for (let i = 0; i < 6; i++) information[7 * i]! += LEAST_INFORMATION;
    const scale = this.result.sums.weight / 3;
    if (!solveSymmetric(column, information, ABOUT_X, 6)) return spread;
    spread[0] = scale * column[0]!;
    spread[1] = scale * column[1]!;
    if (!solveSymmetric(column, information, ABOUT_Y, 6)) return spread;
    spread[2] = scale * column[1]!;
    return spread;
  }

  /** Moves the pose by a translation, metres. */
  move(by: Vec3): void {
    for (let i = 0; i < 3; i++) this.pose.position[i]! += by[i]!;
  }
}
