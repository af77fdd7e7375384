import { square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { compose, invert, toYawPitchRoll, turn } from "../geometry/rigid.ts";
import { add, distance, dot, scaleAndAdd, subtract, wrapAngle } from "../geometry/vec.ts";
import { ConsistencyCheck, type SeenPlace } from "./consistency-check.ts";
import { MAP_SIGMA, type PoseDoubt } from "./doubt.ts";
import type { Frame, LastFrame, Prediction } from "./frame.ts";
import { axesWith, type Directions, FreeDirections, isFree, isOpen } from "./free-directions.ts";
import { InertialStep } from "./inertial-step.ts";
import { VARIANCE_INFLATION } from "./matches.ts";
import { type BaseMotion, LEAST_PREDICTION_SIGMA } from "./motion.ts";
import { PlaceFilter } from "./place-filter.ts";
import { FOUND_SHARE } from "./recovery.ts";
import type { FrameRegistration } from "./registration.ts";
import { OVERRULING_MATCHES } from "./rotation-check.ts";
import { Stillness } from "./stillness.ts";
import { type WheelStep, wheelStep } from "./wheel-step.ts";

/** m/s, 1 sigma: speed of the base when the filter starts. Chosen by hand. */
const FIRST_SPEED = 0.3;
/** Seconds for which rejected wheels must agree again before they are used. Chosen by hand. */
const DISTRUST_SECONDS = 1;
/** Seconds without depth after which rejected wheels stay rejected until depth is back. Chosen by hand. */
const DARK_SECONDS = 0.2;
/** Metres, 1 sigma: floor for a position by depth. Chosen by hand. */
const PLACE_NOISE = 0.001;
/** Cap of the factor by which the geometry magnifies a range error. Chosen by hand. */
const MOST_LEVER = 20;
/**
 * Metres, 1 sigma: after more doubt than this without depth, positions by depth are suspect until SUSPECT_FRAMES frames have fitted, and get
 * SUSPECT_SIGMA of extra noise. Chosen by hand.
 */
const SUSPECT_DOUBT = 0.03;
const SUSPECT_FRAMES = 5;
const SUSPECT_SIGMA = 0.05;
/** Share of the samples that must fit in each of those frames. Chosen by hand. */
const CLEAR_SHARE = 0.6;
/** A frame with this share of fitting samples wins against the wheels when accelerations do not decide. Chosen by hand. */
const STRONG_SHARE = 0.8;
/** Metres of slip per metre that the wheels roll: the most that is taken for slip where accelerations do not decide. Chosen by hand. */
const MOST_SLIP = 2;
/** Margin, in squared sigmas, by which the wheels must contradict the accelerations more than depth does. Chosen by hand. */
const ODDER = 4;
/** Seconds after depth was rejected in which no pose counts as held. Chosen by hand. */
const DISPUTED_SECONDS = 1;
/** Metres, 1 sigma: with less doubt a base at rest ignores depth, so that moving things in view do not move it. Chosen by hand. */
const STANDING_DOUBT = 0.02;
/** Metres: a correction on return to known ground that also a base at rest accepts; and one that is too small to remain due. Chosen by hand. */
const LARGE_CORRECTION = 0.02;
const SMALL_LEAD = 0.005;
/** Metres per radian: a turn changes the bias of depth as much as this distance. Chosen by hand. */
const TURN_WAY = 0.3;

/** A registered frame of a base with odometry. */
export interface WheeledInput {
  readonly frame: Frame;
  /** worldFromBase at the last frame. */
  readonly from: Pose;
  /** Share of the samples on known ground that fit. */
  readonly share: number;
  /** The predicted rotation of the base. */
  readonly rotation: Quat;
}

/** The pose of a base with odometry by a frame. */
export interface WheeledPlace {
  readonly base: Pose;
  readonly directions: Directions;
  /** Whether depth contradicts wheels and accelerations, and is rejected. */
  readonly isDisputed: boolean;
}

/**
 * Estimates the pose of a base with odometry: one filter fuses wheels, accelerations and depth. Consistency checks over the last second come
 * before a source is used. A source that the others contradict is rejected until it agrees again.
 */
export class WheeledPlacer {
  readonly #registration: FrameRegistration;
  readonly #motion: BaseMotion;
  readonly #doubt: PoseDoubt;
  readonly #filter = new PlaceFilter();
  readonly #check = new ConsistencyCheck();
  readonly #directions = new FreeDirections();
  readonly #stillness = new Stillness();
  #isRunning = false;
  /** Lever arm of the imu: metres, in the base's axes. */
  #lever: Vec3 = [0, 0, 0];
  #wheels: WheelStep | null = null;
  #isTrusted = true;
  /** Whether the head makes the attitudes itself: see `InertialInput.lean`. */
  #isLeaning = false;
  /** Microseconds: until when the wheels are rejected; when depth was last rejected. */
  #distrustedUntil = Number.NEGATIVE_INFINITY;
  #disputedAt = Number.NEGATIVE_INFINITY;
  /** Seconds without usable depth. */
  #darkFor = 0;
  /** Frames that must still fit before depth is no longer suspect. */
  #suspect = 0;
  /** (9) m^2. */
  readonly #widening = new Float64Array(9);
  /** Metres: `Registration.lead` of the last accepted frame. */
  #lead = 0;

  constructor(parts: {
    readonly registration: FrameRegistration;
    readonly motion: BaseMotion;
    readonly doubt: PoseDoubt;
  }) {
    this.#registration = parts.registration;
    this.#motion = parts.motion;
    this.#doubt = parts.doubt;
  }

  /** Stops the filter: the next pose comes from other sources. */
  stop(): void {
    this.#isRunning = false;
    this.#suspect = 0;
  }

  /** Whether the wheels are rejected at a time, microseconds: they slip, or the base was lifted. */
  isDistrusted(time: number): boolean {
    return this.#isRunning && time < this.#distrustedUntil;
  }

  /** Whether a pose must not count as held yet, although depth holds it. */
  isUnsure(time: number): boolean {
    return this.#isRunning && (this.#suspect > 0 || (time - this.#disputedAt) / 1e6 < DISPUTED_SECONDS);
  }

  /** Whether wheels, gyro and accelerations agree that the base is at rest. Together they overrule depth. */
  get isStanding(): boolean {
    return this.#isRunning && this.#wheels?.isCalm === true && this.#isTrusted;
  }

  /** Propagates the filter to the frame by wheels and accelerations. @param rotationFrom the world's rotation of the base for an attitude */
  predict(frame: Frame, last: LastFrame, rotationFrom: (attitude: Quat) => Quat, yaw: number): Prediction {
    const { inertial = null, odometry, attitude, time } = frame.input;
    const isCovered = inertial !== null && InertialStep.covers(inertial, frame.dt);
    if (inertial !== null) this.#lever = inertial.baseFromImu.position;
    this.#isLeaning = inertial?.lean !== undefined;
    const to = rotationFrom(attitude);
    const from = last.attitude === null ? last.base.rotation : rotationFrom(last.attitude);
    if (!this.#isRunning) this.#start(last.base);
    const filter = this.#filter;
    if (isCovered) {
      const { span } = inertial;
      filter.advance(span, yaw, inertial.lean);
      this.#check.each((copy) => copy.advance(span, yaw, inertial.lean));
      this.#watch(span);
    } else {
      filter.drift(frame.dt);
      this.#check.each((copy) => copy.drift(frame.dt));
      this.#stillness.restart();
    }
    const wheels = wheelStep({
      before: last.odometry!,
      now: odometry!,
      from,
      to,
      lever: this.#lever,
      dt: frame.dt,
      isQuiet: isCovered && this.#stillness.quietFor > 0.3,
    });
    this.#wheels = wheels;
    this.#useWheels(wheels, time);
    const position = this.#baseAt(to);
    filter.spreadInto(this.#doubt.local);
    const growth = this.#doubt.worstSigma;
    return { position, sigma: LEAST_PREDICTION_SIGMA + Math.min(0.3, 2 * growth), growth: 0 };
  }

  #start(base: Pose): void {
    const speed = this.#motion.velocity;
    this.#filter.start(this.#imuOf(base), speed, FIRST_SPEED);
    const { local } = this.#doubt;
    if (this.#doubt.worstSigma > MAP_SIGMA) this.#filter.widen(local);
    this.#check.restart();
    this.#stillness.restart();
    this.#isRunning = true;
    this.#darkFor = 0;
    this.#distrustedUntil = Number.NEGATIVE_INFINITY;
  }

  #watch(span: Parameters<PlaceFilter["advance"]>[0]): void {
    const { force, rate, seconds, count } = span;
    for (let n = 0; n < count; n++) {
      this.#stillness.add({ dt: seconds[n]!, force, rate, at: 3 * n, acceleration: NOTHING });
    }
  }

  /** Corrects the filter by the wheels, unless gyro or accelerations contradict them. */
  #useWheels(wheels: WheelStep, time: number): void {
    // Where wheels, gyro and accelerometer agree on rest, a difference is drift of the velocity by accelerations.
    if (wheels.isCalm) this.#distrustedUntil = Number.NEGATIVE_INFINITY;
    const isOut = this.#check.contradictWheels(wheels, time) && !wheels.isCalm;
    if (isOut) {
      if (time >= this.#distrustedUntil) {
        // An attitude that leans makes accelerations too weak a witness to go back to what they say: depth decides.
        if (this.#isLeaning && this.#darkFor === 0) this.#widenBy(this.#check.apart);
        else this.#check.restore(this.#filter);
      }
      this.#distrustedUntil = time + 1e6 * DISTRUST_SECONDS;
    }
    const isDark = this.#darkFor > DARK_SECONDS;
    if (isDark && time < this.#distrustedUntil) this.#distrustedUntil = time + 1e6 * DISTRUST_SECONDS;
    this.#isTrusted = time >= this.#distrustedUntil;
    if (!this.#isTrusted) return;
    this.#filter.correctByWheels(wheels);
    this.#check.correctByWheels(wheels);
  }

  #imuOf({ rotation, position }: Pose): Vec3 {
    return add(position, turn(rotation, this.#lever));
  }

  #baseAt(rotation: Quat): Vec3 {
    return subtract(this.#filter.place, turn(rotation, this.#lever));
  }

  /** Estimates the pose by a registered frame, and moves the registration to the resulting pose of the lens. */
  place({ frame, from, share, rotation }: WheeledInput): WheeledPlace {
    const { baseFromLens, time } = frame.input;
    const directions = this.#directions.judge(this.#registration, true);
    const seen = compose(this.#registration.worldFromLens, invert(baseFromLens));
    const correction = this.#correctionOf(share);
    const places = [0, 1, 2].map((k) => this.#seenPlace(directions, k, this.#imuOf(seen), correction));
    const isDisputed = this.#dispute(directions, places, share, time);
    const { lead } = this.#registration.result;
    // A correction that was rejected remains due.
    if (lead < this.#lead || (!isDisputed && (correction > 0 || lead - this.#lead < SMALL_LEAD)))
      this.#lead = lead;
    if (correction > LARGE_CORRECTION && !isDisputed) this.#widenBy(correction);
    this.#directions.remember(directions);
    const isStanding =
      this.isStanding &&
      this.#suspect === 0 &&
      correction < LARGE_CORRECTION &&
      this.#doubt.worstSigma < STANDING_DOUBT;
    if (!isStanding) this.#correctByDepth(directions, places, share, correction);
    const turned = isStanding ? rotation : seen.rotation;
    const base = { rotation: turned, position: this.#baseAt(turned) };
    this.#registration.move(subtract(base.position, seen.position));
    this.#endFrame(frame, from, base);
    this.#darkFor = 0;
    if (!isOpen(directions) && !isDisputed) this.#motion.rolling.add(base);
    else this.#motion.rolling.interrupt();
    if (!isFree(directions)) {
      this.#motion.noteHeld(base.rotation, time, frame.dt);
      this.#doubt.endSlide();
    }
    return { base, directions, isDisputed };
  }

  /** Adds doubt about the position against known ground: metres, 1 sigma. */
  #widenBy(sigma: number): void {
    this.#widening.fill(0);
    for (let i = 0; i < 9; i += 4) this.#widening[i] = sigma * sigma;
    this.#filter.widen(this.#widening);
    this.#check.restart();
  }

  #correctByDepth(
    directions: Directions,
    places: readonly SeenPlace[],
    share: number,
    correction: number,
  ): void {
    const more =
      (this.#suspect > 0 ? square(SUSPECT_SIGMA) : 0) -
      (correction > LARGE_CORRECTION ? square(correction) : 0);
    for (const k of axesWith(directions, "held", "thin")) {
      const { axis, metres, variance, lever } = places[k]!;
      this.#filter.correctByDepth(axis, metres, variance + more, lever);
    }
    this.#judgeSuspect(directions, places, share);
  }

  /** Metres, 1 sigma: on return to known ground, the part of the step that may correct the drift since. */
  #correctionOf(share: number): number {
    const { lead, matched } = this.#registration.result;
    const isBack = share >= FOUND_SHARE && matched >= OVERRULING_MATCHES;
    return isBack ? Math.max(0, lead - this.#lead) : 0;
  }

  #seenPlace({ axes, information }: Directions, k: number, imu: Vec3, correction: number): SeenPlace {
    const axis = axes[k]!;
    const variance =
      VARIANCE_INFLATION / Math.max(1e-9, information[k]!) + square(PLACE_NOISE) + square(correction);
    // A common range error b moves the position along the axis by at most b sqrt(sum of weights / information) (Cauchy-Schwarz on the normal
    // equations). The factor is 1 where a third of the weight constrains the axis, as with evenly spread normals.
    const third = 1 / 3 / Math.max(1e-4, this.#registration.result.shares[k]!);
    const lever = Math.min(MOST_LEVER, Math.max(1, Math.sqrt(third)));
    return { axis, metres: dot(axis, imu), variance, lever };
  }

  /** Rejects depth where it contradicts wheels and accelerations; or the wheels, if they are the outlier. @returns whether depth is rejected */
  #dispute(directions: Directions, places: readonly SeenPlace[], share: number, time: number): boolean {
    const out = axesWith(directions, "held", "thin").filter((k) =>
      this.#check.contradictDepth(places[k]!, time),
    );
    if (out.length === 0) return false;
    let misfit = 0;
    for (const k of out) misfit = Math.max(misfit, this.#check.misfitOfDepth(places[k]!));
    const isTrusted = time >= this.#distrustedUntil;
    const ofWheels = this.#check.misfitOfWheels;
    const isStrong = share >= STRONG_SHARE && !isOpen(directions);
    const isSlip = isStrong && this.#isSlip(out.map((k) => places[k]!));
    const areWheelsOut = ofWheels > misfit + ODDER || (isSlip && ofWheels > misfit - ODDER);
    if (isTrusted && areWheelsOut) {
      this.#distrustedUntil = time + 1e6 * DISTRUST_SECONDS;
      this.#check.restartWheelCopies();
      return false;
    }
    for (const k of out) directions.support[k] = "free";
    this.#disputedAt = time;
    return true;
  }

  /**
   * Whether slip can explain how far depth is from the wheels. Wheels that hardly roll, as in a turn on the spot, cannot slip far: then something
   * moves in front of the lens.
   */
  #isSlip(places: readonly SeenPlace[]): boolean {
    const predicted = this.#filter.place;
    return places.every(
      ({ axis, metres }) => Math.abs(metres - dot(axis, predicted)) <= MOST_SLIP * this.#check.rolled,
    );
  }

  /** Ends the suspicion once enough consecutive frames fit well and hold every direction. */
  #judgeSuspect(directions: Directions, places: readonly SeenPlace[], share: number): void {
    if (this.#suspect === 0) return;
    const isClear = !isFree(directions) && share >= CLEAR_SHARE;
    this.#suspect = isClear ? this.#suspect - 1 : SUSPECT_FRAMES;
    if (this.#suspect > 0) return;
    for (const { axis, metres, variance, lever } of places)
      this.#filter.correctByDepth(axis, metres, variance, lever);
  }

  /** Takes a frame without usable depth: the pose is the prediction. */
  carry(frame: Frame, from: Pose, base: Pose, isDark: boolean): void {
    this.#darkFor = isDark ? this.#darkFor + frame.dt : 0;
    this.#endFrame(frame, from, base);
    if (this.#doubt.worstSigma > SUSPECT_DOUBT) this.#suspect = SUSPECT_FRAMES;
  }

  #endFrame(frame: Frame, from: Pose, base: Pose): void {
    const filter = this.#filter;
    const turned = wrapAngle(toYawPitchRoll(base.rotation)[0] - toYawPitchRoll(from.rotation)[0]);
    const way = distance(base.position, from.position) + TURN_WAY * Math.abs(turned);
    const rolled = Math.abs(this.#wheels?.metres ?? 0);
    filter.age(way, rolled);
    this.#check.each((copy) => copy.age(way, rolled));
    filter.spreadInto(this.#doubt.local);
    filter.mark();
    this.#check.each((copy) => copy.mark());
    this.#check.renew(filter, frame.input.time);
    const swing = subtract(turn(base.rotation, this.#lever), turn(from.rotation, this.#lever));
    this.#motion.velocity = scaleAndAdd(filter.velocity, swing, -1 / frame.dt);
    this.#motion.noteTurn(from.rotation, base.rotation, frame.dt);
  }

  /** Whether a placed frame may be added to the map. */
  mayFuse({ isDisputed }: WheeledPlace): boolean {
    return !isDisputed && this.#suspect === 0;
  }

  /** The map was extended where the place was in doubt: that doubt is the map's from now on. */
  settle(): void {
    this.#filter.settle(MAP_SIGMA);
    this.#check.restart();
  }

  /** The world was moved. */
  move(rotation: Quat, apply: (pose: Pose) => Pose): void {
    if (!this.#isRunning) return;
    this.#filter.move(rotation, apply);
    this.#check.restart();
  }
}

const NOTHING = new Float64Array(3);
