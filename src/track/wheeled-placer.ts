import { square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { angleBetween, compose, invert, toYawPitchRoll, turn } from "../geometry/rigid.ts";
import { add, distance, dot, scaleAndAdd, subtract, wrapAngle } from "../geometry/vec.ts";
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
import { type SeenPlace, Witnesses } from "./witnesses.ts";

/** m/s, 1 sigma: speed of a base when the filter begins. Chosen by hand. */
const FIRST_SPEED = 0.3;
/** Seconds for which wheels must agree again before they are believed. Chosen by hand. */
const DISTRUST_SECONDS = 1;
/** Seconds without sight from which on distrusted wheels stay so until depth is back. */
const DARK_SECONDS = 0.2;
/** Metres, 1 sigma: of a place by depth, whatever its samples say. Chosen by hand. */
const PLACE_NOISE = 0.001;
/** The most by which a range error is magnified along a thin axis. */
const MOST_LEVER = 20;
/** Metres, 1 sigma: after more doubt without depth, its places are suspect for so many frames, and taken for less sure. Chosen by hand. */
const SUSPECT_DOUBT = 0.03;
const SUSPECT_FRAMES = 5;
const SUSPECT_SIGMA = 0.05;
/** Share of the samples that must fit in those frames. Chosen by hand. */
const CLEAR_SHARE = 0.6;
/** A frame this strong is believed rather than the wheels, when what is felt cannot tell. */
const STRONG_SHARE = 0.8;
/** By how much more, in squared sigmas, the wheels must contradict what is felt than depth does. Chosen by hand. */
const ODDER = 4;
/** The map is extended after this motion, metres and radians: at rest the same errors would be added again and again. Chosen by hand. */
const FUSE_STEP = 0.015;
const FUSE_TURN = 0.035;
/** Frames of a young map, which is extended at rest, too. */
const YOUNG_FRAMES = 50;
/** Seconds after a dispute in which no pose is called held. */
const DISPUTED_SECONDS = 1;
/** Metres, 1 sigma: with less doubt a base that stands takes nothing from depth: what moves before it must not draw it along. */
const STANDING_DOUBT = 0.02;
/** Metres: a correction on coming back to known ground that a base at rest takes, too; and one that is too small to wait for. Chosen by hand. */
const MENDING = 0.02;
const SMALL_LEAD = 0.005;
/** Radians of a turn that change the error of depth as much as a metre of way. Chosen by hand. */
const TURN_WAY = 0.3;

/** A frame of a base on wheels that was registered. */
export interface WheeledInput {
  readonly frame: Frame;
  /** Where the base was at the last frame. */
  readonly from: Pose;
  /** Share of the samples on known ground that fit. */
  readonly share: number;
  /** The base's rotation as predicted. */
  readonly rotation: Quat;
}

/** Where a frame places a base on wheels. */
export interface WheeledPlace {
  readonly base: Pose;
  readonly directions: Directions;
  /** Whether depth contradicts wheels and accelerations, and is left out. */
  readonly isDisputed: boolean;
}

/**
 * Places a base whose wheels are counted: one filter takes wheels, accelerations and depth. What two sources say of the last second is
 * compared before either is believed; a source that the others contradict is left out until it agrees again.
 */
export class WheeledPlacer {
  readonly #registration: FrameRegistration;
  readonly #motion: BaseMotion;
  readonly #doubt: PoseDoubt;
  readonly #filter = new PlaceFilter();
  readonly #witnesses = new Witnesses();
  readonly #directions = new FreeDirections();
  readonly #stillness = new Stillness();
  #isRunning = false;
  /** Metres, base: where the imu sits. */
  #lever: Vec3 = [0, 0, 0];
  #wheels: WheelStep | null = null;
  #isTrusted = true;
  /** Microseconds: until when the wheels are not believed; when depth was last disputed. */
  #distrustedUntil = Number.NEGATIVE_INFINITY;
  #disputedAt = Number.NEGATIVE_INFINITY;
  /** Seconds without sight. */
  #darkFor = 0;
  /** Frames that must agree before a place after doubt is believed. */
  #suspect = 0;
  #fusedAt: Pose | null = null;
  /** (9) m^2. */
  readonly #mending = new Float64Array(9);
  /** Metres: by how much better known the ground was that the last frame that was believed lay on than what it added to that. */
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

  /** Other sources place the base from now on. */
  stop(): void {
    this.#isRunning = false;
    this.#suspect = 0;
  }

  /** Whether the wheels are not believed at a time, microseconds: they slip, or the base is carried. */
  isDistrusted(time: number): boolean {
    return this.#isRunning && time < this.#distrustedUntil;
  }

  /** Whether a place that depth holds may not be called held yet. */
  isUnsure(time: number): boolean {
    return this.#isRunning && (this.#suspect > 0 || (time - this.#disputedAt) / 1e6 < DISPUTED_SECONDS);
  }

  /** Whether wheels, gyro and accelerations say that the base stands: together they beat depth. */
  get isStanding(): boolean {
    return this.#isRunning && this.#wheels?.isCalm === true && this.#isTrusted;
  }

  /** Follows wheels and accelerations to the frame. @param rotationFrom the world's rotation of the base for an attitude */
  predict(frame: Frame, last: LastFrame, rotationFrom: (attitude: Quat) => Quat, yaw: number): Prediction {
    const { inertial = null, odometry, attitude, time } = frame.input;
    const isFelt = inertial !== null && InertialStep.covers(inertial, frame.dt);
    if (inertial !== null) this.#lever = inertial.baseFromImu.position;
    const to = rotationFrom(attitude);
    const from = last.attitude === null ? last.base.rotation : rotationFrom(last.attitude);
    if (!this.#isRunning) this.#start(last.base);
    const filter = this.#filter;
    if (isFelt) {
      const { span } = inertial;
      filter.advance(span, yaw, inertial.isLeaning === true);
      this.#witnesses.each((copy) => copy.advance(span, yaw, inertial.isLeaning === true));
      this.#watch(span);
    } else {
      filter.drift(frame.dt);
      this.#witnesses.each((copy) => copy.drift(frame.dt));
      this.#stillness.restart();
    }
    const wheels = wheelStep({
      before: last.odometry!,
      now: odometry!,
      from,
      to,
      lever: this.#lever,
      dt: frame.dt,
      isQuiet: isFelt && this.#stillness.quietFor > 0.3,
    });
    this.#wheels = wheels;
    this.#believe(wheels, time);
    const position = this.#baseAt(to);
    filter.spreadInto(this.#doubt.local);
    const growth = this.#doubt.slack;
    return { position, sigma: LEAST_PREDICTION_SIGMA + Math.min(0.3, 2 * growth), growth: 0 };
  }

  #start(base: Pose): void {
    const speed = this.#motion.velocity;
    this.#filter.start(this.#imuOf(base), speed, FIRST_SPEED);
    const { local } = this.#doubt;
    if (this.#doubt.slack > MAP_SIGMA) this.#filter.widen(local);
    this.#witnesses.restart();
    this.#stillness.restart();
    this.#isRunning = true;
    this.#darkFor = 0;
    this.#fusedAt = null;
    this.#distrustedUntil = Number.NEGATIVE_INFINITY;
  }

  #watch(span: Parameters<PlaceFilter["advance"]>[0]): void {
    const { force, rate, seconds, count } = span;
    for (let n = 0; n < count; n++) {
      this.#stillness.add({ dt: seconds[n]!, force, rate, at: 3 * n, acceleration: NOTHING });
    }
  }

  /** The wheels correct the filter, unless gyro or accelerations contradict them. */
  #believe(wheels: WheelStep, time: number): void {
    const isOut = this.#witnesses.contradictWheels(wheels, time);
    if (isOut) {
      if (time >= this.#distrustedUntil) this.#witnesses.goBack(this.#filter);
      this.#distrustedUntil = time + 1e6 * DISTRUST_SECONDS;
    }
    const isDark = this.#darkFor > DARK_SECONDS;
    if (isDark && time < this.#distrustedUntil) this.#distrustedUntil = time + 1e6 * DISTRUST_SECONDS;
    this.#isTrusted = time >= this.#distrustedUntil;
    if (!this.#isTrusted) return;
    this.#filter.rollOn(wheels);
    this.#witnesses.rollOn(wheels);
  }

  #imuOf({ rotation, position }: Pose): Vec3 {
    return add(position, turn(rotation, this.#lever));
  }

  #baseAt(rotation: Quat): Vec3 {
    return subtract(this.#filter.place, turn(rotation, this.#lever));
  }

  /** Places the base by a registered frame; the registration is moved to where the lens then is. */
  place({ frame, from, share, rotation }: WheeledInput): WheeledPlace {
    const { baseFromLens, time } = frame.input;
    const directions = this.#directions.judge(this.#registration, true);
    const seen = compose(this.#registration.worldFromLens, invert(baseFromLens));
    const mended = this.#mended(share);
    const places = [0, 1, 2].map((k) => this.#seenPlace(directions, k, this.#imuOf(seen), mended));
    const isDisputed = this.#dispute(directions, places, share, time);
    const { lead } = this.#registration.result;
    // A correction that is not believed yet is still due.
    if (lead < this.#lead || (!isDisputed && (mended > 0 || lead - this.#lead < SMALL_LEAD)))
      this.#lead = lead;
    if (mended > MENDING && !isDisputed) this.#mend(mended);
    this.#directions.remember(directions);
    const isStanding =
      this.isStanding && this.#suspect === 0 && mended < MENDING && this.#doubt.slack < STANDING_DOUBT;
    if (!isStanding) this.#see(directions, places, share, mended);
    const turned = isStanding ? rotation : seen.rotation;
    const base = { rotation: turned, position: this.#baseAt(turned) };
    this.#registration.move(subtract(base.position, seen.position));
    this.#close(frame, from, base);
    this.#darkFor = 0;
    if (!isOpen(directions) && !isDisputed) this.#motion.rolling.see(base);
    else this.#motion.rolling.interrupt();
    if (!isFree(directions)) {
      this.#motion.seeHeld(base.rotation, time, frame.dt);
      this.#doubt.endSlide();
    }
    return { base, directions, isDisputed };
  }

  /** Known ground is better known than the place, by metres, 1 sigma: the place is as unsure against it. */
  #mend(sigma: number): void {
    this.#mending.fill(0);
    for (let i = 0; i < 9; i += 4) this.#mending[i] = sigma * sigma;
    this.#filter.widen(this.#mending);
    this.#witnesses.restart();
  }

  #see(directions: Directions, places: readonly SeenPlace[], share: number, mended: number): void {
    const more = (this.#suspect > 0 ? square(SUSPECT_SIGMA) : 0) - (mended > MENDING ? square(mended) : 0);
    for (const k of axesWith(directions, "held", "thin")) {
      const { axis, metres, variance, lever } = places[k]!;
      this.#filter.see(axis, metres, variance + more, lever);
    }
    this.#judgeSuspect(directions, places, share);
  }

  /** Metres, 1 sigma: on coming back to known ground the step includes the correction of the drift since. */
  #mended(share: number): number {
    const { lead, matched } = this.#registration.result;
    const isBack = share >= FOUND_SHARE && matched >= OVERRULING_MATCHES;
    return isBack ? Math.max(0, lead - this.#lead) : 0;
  }

  #seenPlace({ axes, information }: Directions, k: number, imu: Vec3, mended: number): SeenPlace {
    const axis = axes[k]!;
    const variance =
      VARIANCE_INFLATION / Math.max(1e-9, information[k]!) + square(PLACE_NOISE) + square(mended);
    // An error b of all ranges moves the place along the axis by at most b sqrt(sum of weights / information) (Cauchy-Schwarz on the normal
    // equations): 1 where all samples hold it alike, and a third of them does.
    const third = 1 / 3 / Math.max(1e-4, this.#registration.result.shares[k]!);
    const lever = Math.min(MOST_LEVER, Math.max(1, Math.sqrt(third)));
    return { axis, metres: dot(axis, imu), variance, lever };
  }

  /** Leaves depth out where it contradicts wheels and accelerations; or the wheels, if they are the odd ones. */
  #dispute(directions: Directions, places: readonly SeenPlace[], share: number, time: number): boolean {
    const out = axesWith(directions, "held", "thin").filter((k) =>
      this.#witnesses.contradictDepth(places[k]!, time),
    );
    if (out.length === 0) return false;
    let misfit = 0;
    for (const k of out) misfit = Math.max(misfit, this.#witnesses.misfitOfDepth(places[k]!));
    const isTrusted = time >= this.#distrustedUntil;
    const ofWheels = this.#witnesses.misfitOfWheels;
    const isStrong = share >= STRONG_SHARE && !isOpen(directions);
    const areWheelsOut = ofWheels > misfit + ODDER || (isStrong && ofWheels > misfit - ODDER);
    if (isTrusted && areWheelsOut) {
      this.#distrustedUntil = time + 1e6 * DISTRUST_SECONDS;
      this.#witnesses.restartRolled();
      return false;
    }
    for (const k of out) directions.support[k] = "free";
    this.#disputedAt = time;
    return true;
  }

  /** After doubt a place is believed once some frames in a row fit well and hold every direction. */
  #judgeSuspect(directions: Directions, places: readonly SeenPlace[], share: number): void {
    if (this.#suspect === 0) return;
    const isClear = !isFree(directions) && share >= CLEAR_SHARE;
    this.#suspect = isClear ? this.#suspect - 1 : SUSPECT_FRAMES;
    if (this.#suspect > 0) return;
    for (const { axis, metres, variance, lever } of places) this.#filter.see(axis, metres, variance, lever);
  }

  /** Depth cannot be used: the pose is the prediction. */
  carry(frame: Frame, from: Pose, base: Pose, isDark: boolean): void {
    this.#darkFor = isDark ? this.#darkFor + frame.dt : 0;
    this.#close(frame, from, base);
    if (this.#doubt.slack > SUSPECT_DOUBT) this.#suspect = SUSPECT_FRAMES;
  }

  #close(frame: Frame, from: Pose, base: Pose): void {
    const filter = this.#filter;
    const turned = wrapAngle(toYawPitchRoll(base.rotation)[0] - toYawPitchRoll(from.rotation)[0]);
    const way = distance(base.position, from.position) + TURN_WAY * Math.abs(turned);
    filter.moveOn(way);
    this.#witnesses.each((copy) => copy.moveOn(way));
    filter.spreadInto(this.#doubt.local);
    filter.mark();
    this.#witnesses.each((copy) => copy.mark());
    this.#witnesses.renew(filter, frame.input.time);
    const swing = subtract(turn(base.rotation, this.#lever), turn(from.rotation, this.#lever));
    this.#motion.velocity = scaleAndAdd(filter.velocity, swing, -1 / frame.dt);
    this.#motion.seeTurn(from.rotation, base.rotation, frame.dt);
  }

  /** Whether a placed frame may be added to the map; it is then. @param fused frames in the map so far */
  mayFuse({ base, isDisputed }: WheeledPlace, fused: number): boolean {
    if (isDisputed || this.#suspect > 0) return false;
    const at = this.#fusedAt;
    const hasMoved =
      at === null ||
      distance(at.position, base.position) > FUSE_STEP ||
      angleBetween(at.rotation, base.rotation) > FUSE_TURN;
    if (!hasMoved && fused >= YOUNG_FRAMES) return false;
    this.#fusedAt = base;
    return true;
  }

  /** The map was extended where the place was in doubt: that doubt is the map's from now on. */
  settle(): void {
    this.#filter.settle(MAP_SIGMA);
    this.#witnesses.restart();
  }

  /** The world was moved. */
  move(rotation: Quat, apply: (pose: Pose) => Pose): void {
    if (!this.#isRunning) return;
    this.#filter.move(rotation, apply);
    this.#witnesses.restart();
  }
}

const NOTHING = new Float64Array(3);
