import { square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { compose, IDENTITY, toYawPitchRoll } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import { CarryLimit } from "./carry-limit.ts";
import { PoseDoubt, type WorldDoubt } from "./doubt.ts";
import type {
  Frame,
  Hold,
  LastFrame,
  Prediction,
  TrackerSettings,
  TrackInput,
  TrackResult,
} from "./frame.ts";
import { FramePlacer } from "./frame-placer.ts";
import { type Directions, isFree } from "./free-directions.ts";
import { yawBetween } from "./heading.ts";
import { InertialStep } from "./inertial-step.ts";
import { LocalMap, type MapPair } from "./local-map.ts";
import { MapBuilder, MOST_DOUBT, type WorldMove } from "./map-builder.ts";
import { BaseMotion, predictByOdometry } from "./motion.ts";
import { NewView } from "./new-view.ts";
import { OdometryCheck } from "./odometry-check.ts";
import { firstFrame, nextFrame } from "./open-frame.ts";
import { FASTEST, FOUND_YAW_SIGMA, Recovery } from "./recovery.ts";
import { FrameRegistration, LEAST_MATCHES, leastShare } from "./registration.ts";
import { RestCheck } from "./rest-check.ts";
import { RotationCheck } from "./rotation-check.ts";
import { RotationFusion } from "./rotation-fusion.ts";
import { type WheeledPlace, WheeledPlacer } from "./wheeled-placer.ts";
import { WorldAttitude } from "./world-attitude.ts";

/** Every FUSE_EVERY-th tracked frame is fused into the surfel map, so that the map drifts less with the errors of its own frames. Chosen by hand. */
const FUSE_EVERY = 2;
/** Share of the known ground in view over which a fused frame moves the map: surfels are means over some dozens of frames. Chosen by hand. */
const FOLLOWING = 0.02;

/**
 * Estimates the base's pose frame by frame. It predicts the pose by odometry, accelerations or constant velocity, and registers the frame
 * against a map of surfels that it builds. Along directions that depth leaves free the prediction is used, and the covariance grows.
 * Deterministic; no clock.
 *
 * `track` shows the order of steps: open the frame; predict; register it against the map; then `accept` it (judge free directions, fuse,
 * extend the map), `carry` the prediction where depth cannot be used, or `recover` while lost.
 */
export class Tracker {
  /** May be replaced between frames, except for the voxel size. */
  settings: TrackerSettings;
  readonly #start: Pose;
  readonly #map: LocalMap;
  readonly #registration = new FrameRegistration();
  readonly #rotationCheck = new RotationCheck(this.#registration);
  readonly #attitude = new WorldAttitude();
  readonly #rotation = new RotationFusion(this.#registration, this.#attitude);
  readonly #motion: BaseMotion;
  readonly #inertial: InertialStep;
  readonly #doubt = new PoseDoubt();
  readonly #placer: FramePlacer;
  readonly #wheeled: WheeledPlacer;
  readonly #builder: MapBuilder;
  readonly #rest: RestCheck;
  readonly #recovery = new Recovery();
  readonly #odometryCheck = new OdometryCheck();
  readonly #carryLimit = new CarryLimit();
  #frames = 0;
  readonly #newView = new NewView();
  #last: LastFrame;
  #hold: Hold = "carried";
  /** Whether the wheels were rejected when the head became lost. Then it may have been carried anywhere. */
  #wasLostOffWheels = false;
  /** Metres: path length so far. */
  #way = 0;

  /** @param start worldFromBase at the first frame. Its roll and pitch come from the orientation sensor. */
  constructor(start: Pose, settings: TrackerSettings) {
    this.settings = settings;
    this.#start = start;
    this.#last = { time: 0, base: start, odometry: null, attitude: null };
    this.#map = new LocalMap(settings.voxelSize);
    this.#motion = new BaseMotion(settings.rolling === "ahead");
    this.#inertial = new InertialStep(settings.tiltSigma);
    const parts = {
      map: this.#map,
      level: this.#attitude.level,
      registration: this.#registration,
      doubt: this.#doubt,
      motion: this.#motion,
      inertial: this.#inertial,
    };
    this.#placer = new FramePlacer(parts);
    this.#wheeled = new WheeledPlacer(parts);
    this.#builder = new MapBuilder(parts);
    this.#rest = new RestCheck({ ...parts, builder: this.#builder });
  }

  /** The map that it builds. */
  get map(): Pick<LocalMap, "stages" | "empty" | "pair"> {
    return this.#map;
  }

  /** Metres: path length so far. */
  get way(): number {
    return this.#way;
  }

  /** Error of the map near by against the world's origin. */
  get doubt(): WorldDoubt {
    return this.#doubt.world;
  }

  /** Metres, 1 sigma, of the position against the map near by, along the axis with the largest variance. */
  get worstSigma(): number {
    return this.#doubt.worstSigma;
  }

  /** Earlier positions of the base, spread over its path. A lost head searches around them. */
  get places(): readonly Vec3[] {
    return this.#recovery.places;
  }
  set places(places: readonly Vec3[]) {
    this.#recovery.places = places;
  }

  /** Whether the last pose may be used for maps. */
  get isFit(): boolean {
    // Without odometry a map with this much built-in doubt may overlap another place. With it the doubt is ordinary drift.
    const isSound = this.#last.odometry !== null || this.#doubt.world.built <= square(MOST_DOUBT);
    return this.#isSteady && !this.#builder.start.isWaiting && isSound;
  }

  /** Takes a loop closure: the doubt about the world is no more than at the earlier visit. */
  returnTo(doubt: WorldDoubt): void {
    this.#doubt.returnTo(doubt);
  }

  /** Replaces the maps by others, in a world that is turned about the vertical and moved. */
  adopt(maps: MapPair, newFromOld: Pose): void {
    this.#map.adopt(maps);
    this.#last = { ...this.#last, base: compose(newFromOld, this.#last.base) };
    this.#motion.turn(newFromOld.rotation);
    this.#inertial.turn(newFromOld.rotation);
    this.#wheeled.move(newFromOld.rotation, (pose) => compose(newFromOld, pose));
    this.#attitude.heading.turn(toYawPitchRoll(newFromOld.rotation)[0]);
    this.#odometryCheck.restart();
    this.#motion.rolling.interrupt();
  }

  /**
   * Takes a time up to which no frame has arrived. @returns whether the head becomes lost with it
   * @param hasInertial whether inertial samples still arrive
   */
  noFrameUntil(time: number, hasInertial = false): boolean {
    if (this.#frames === 0 || this.#hold === "lost" || this.#last.odometry !== null) return false;
    const { patience } = this.settings;
    if (!this.#carryLimit.isSilentTooLong(time, this.#last.time, hasInertial, patience)) return false;
    this.#hold = "lost";
    this.#recovery.restart();
    return true;
  }

  /** The predicted pose of the base at a time between frames. */
  extrapolate(time: number, attitude: Quat, odometry: Pose | null): Pose {
    if (this.#frames === 0) return { rotation: attitude, position: this.#start.position };
    const rotation = this.#attitude.toWorld(attitude);
    const dt = Math.max(0, (time - this.#last.time) / 1e6);
    return { rotation, position: this.#predictWithoutImu(odometry, dt, rotation).position };
  }

  /** Takes the next frame. Frames come in order of time. */
  track(input: TrackInput): TrackResult {
    if (this.#frames === 0) return this.#begin(input);
    const frame = this.#open(input);
    let rotation = this.#attitude.toWorld(input.attitude);
    if (this.#hold === "lost") return this.#recover(frame, rotation);
    const prediction = this.#predict(frame, rotation);
    const isResting = this.#rest.isResting(frame);
    if (this.#wheeled.isStanding || isResting) {
      this.#attitude.heading.addRest(yawBetween(rotation, this.#last.base.rotation), frame.dt);
      rotation = this.#attitude.toWorld(input.attitude);
    } else this.#attitude.heading.endRest();
    const predicted = { rotation, position: prediction.position };
    const share = this.#register(frame, predicted, prediction.sigma);
    if (share < leastShare(this.#map.fused)) return this.#carry(frame, predicted, prediction.growth);
    if (isResting && !this.#rest.isSeenMoving(share)) return this.#stay(frame, rotation, share);
    return this.#accept(frame, { ...prediction, rotation }, share);
  }

  /** Takes a frame of a base that stands: the pose stays, and depth changes neither it nor the map. */
  #stay(frame: Frame, rotation: Quat, share: number): TrackResult {
    const base = { rotation, position: this.#last.base.position };
    this.#registration.place(compose(base, frame.input.baseFromLens));
    this.#motion.velocity = [0, 0, 0];
    this.#inertial.mark();
    this.#moveTo(base, false);
    this.#carryLimit.markUsed(frame.input.time);
    return this.#done(frame, this.#hold, share);
  }

  /** Takes frames until the first one with enough samples, which begins the map. */
  #begin(input: TrackInput): TrackResult {
    const { time, attitude, all } = input;
    const frame = firstFrame(input, this.settings);
    this.#attitude.heading.begin(this.#start.rotation, attitude, this.settings.yawSigma);
    const base = { rotation: this.#attitude.toWorld(attitude), position: this.#start.position };
    this.#last = { ...this.#last, base };
    this.#builder.start.begin(base);
    if (all.count < LEAST_MATCHES) return this.#result(frame, "carried", 0, false);
    this.#registration.place(compose(base, input.baseFromLens));
    this.#builder.fuse(all);
    this.#carryLimit.markUsed(time);
    this.#motion.markHeld(time);
    return this.#done(frame, "held", 1);
  }

  /** Opens a frame: propagates heading and accelerations to its time. */
  #open(input: TrackInput): Frame {
    const { settings } = this;
    const dt = Math.max(1e-3, (input.time - this.#last.time) / 1e6);
    const isFound = this.#carryLimit.endGap(input, dt);
    if (isFound) this.#hold = "carried";
    const frame = nextFrame({ input, settings, dt, last: this.#last, isLost: this.#hold === "lost" });
    if (isFound) frame.notes.push({ what: "found", distance: 0 });
    this.#carryLimit.open(frame.isInertial);
    if (!frame.isWheeled) this.#wheeled.stop();
    this.#attitude.advance(frame);
    if (frame.isInertial) {
      if (!this.#inertial.isRunning) {
        this.#inertial.start(this.#motion.velocity, this.#hold === "held" && this.#motion.isKnown);
        this.#builder.start.trace(this.#frames === 1);
      }
      this.#inertial.advance(input.inertial!, this.#attitude.heading.offset);
    } else {
      this.#inertial.stop();
      this.#builder.start.cancel();
    }
    return frame;
  }

  #predict(frame: Frame, rotation: Quat): Prediction {
    if (frame.isWheeled) {
      const rotationFrom = (attitude: Quat) => this.#attitude.toWorld(attitude);
      return this.#wheeled.predict(frame, this.#last, rotationFrom, this.#attitude.heading.offset);
    }
    if (frame.isInertial) return this.#inertial.predict(this.#last.base, rotation);
    return this.#predictWithoutImu(frame.input.odometry, frame.dt, rotation);
  }

  /** Predicts by odometry, or else by constant velocity. */
  #predictWithoutImu(odometry: Pose | null, dt: number, rotation: Quat): Prediction {
    const { base, odometry: before } = this.#last;
    if (odometry !== null && before !== null) {
      return predictByOdometry(base, before, odometry, this.settings.odometryShare);
    }
    return this.#motion.predict(this.#last, rotation, dt, this.settings.rolling);
  }

  /** @returns the share of the samples on known ground that fit; 0 when the frame is not believed */
  #register(frame: Frame, predicted: Pose, sigma: number): number {
    const target = { samples: frame.input.chosen, map: this.#map, doubt: this.#doubt.worldSigma };
    const yawVariance = square(frame.yawNoise) + this.#attitude.heading.variance;
    const coasted = this.#motion.coastRotation(this.#last.base.rotation, predicted.rotation, frame.dt);
    return this.#rotationCheck.register(frame, target, { predicted, sigma, yawVariance }, coasted);
  }

  /** Takes a frame that fits the map: judges its free directions, fuses it with the prediction, extends the map. */
  #accept(frame: Frame, prediction: Prediction & { readonly rotation: Quat }, share: number): TrackResult {
    const { time } = frame.input;
    const from = this.#last.base;
    if (frame.isWheeled) {
      const { isStanding } = this.#wheeled;
      const isKept = isStanding || this.#wheeled.isUnsure(time) || this.#rotationCheck.isFirm;
      const rotation = this.#rotation.fuse(frame, prediction.rotation, isKept);
      const placed = this.#wheeled.place({ frame, from, share, rotation });
      return this.#acceptWheeled(frame, placed, share);
    }
    const isUnanchored = this.#builder.isUnanchored(frame);
    this.#rotation.fuse(frame, prediction.rotation, this.#rotationCheck.isFirm);
    const placed = this.#placer.place({ frame, from, prediction, share, isUnanchored });
    if (placed === null) return this.#lose(frame);
    const { base, directions } = placed;
    this.#rotation.follow(frame, base, this.#map.fused);
    this.#moveTo(base, isFree(directions));
    this.#carryLimit.markUsed(time);
    // Judged before the map is extended: doubt that the extension builds in concerns later frames.
    const hold = isFree(directions) ? "sliding" : this.#holdOf(time);
    this.#extendMap(frame, directions);
    this.#compareOdometry(frame, !isFree(directions));
    return this.#done(frame, hold, share);
  }

  /** The same for a base with odometry. */
  #acceptWheeled(frame: Frame, placed: WheeledPlace, share: number): TrackResult {
    const { time } = frame.input;
    const { base, directions, isDisputed } = placed;
    const isUnsure = this.#wheeled.isUnsure(time);
    if (!isUnsure && !this.#wheeled.isStanding) this.#rotation.follow(frame, base, this.#map.fused);
    this.#moveTo(base, isFree(directions));
    this.#carryLimit.markUsed(time);
    const hold = isDisputed || isUnsure ? "carried" : isFree(directions) ? "sliding" : this.#holdOf(time);
    if (this.#wheeled.mayFuse(placed)) {
      const before = this.worstSigma;
      this.#extendMap(frame, directions);
      if (this.worstSigma < before) this.#wheeled.settle();
    }
    this.#compareOdometry(frame, !isFree(directions) && !isUnsure);
    return this.#done(frame, hold, share);
  }

  /** Reports wheels that slip. @param isHeld whether depth holds the position */
  #compareOdometry({ input: { time, odometry }, notes }: Frame, isHeld: boolean): void {
    if (odometry === null || !isHeld) {
      this.#odometryCheck.restart();
      return;
    }
    const slip = this.#odometryCheck.compare(time, odometry, this.#last.base);
    if (slip !== null) notes.push({ what: "odometry disagrees", ...slip });
  }

  /** Takes a frame without usable depth: the pose is the prediction. */
  #carry(frame: Frame, predicted: Pose, growth: number): TrackResult {
    const { dt, isInertial, isWheeled, hasOdometry, input } = frame;
    this.#doubt.widen(growth);
    if (isWheeled) {
      const isDark = input.chosen.count < LEAST_MATCHES || input.isClear === false;
      this.#wheeled.carry(frame, this.#last.base, predicted, isDark);
    } else if (isInertial) {
      this.#motion.velocity = this.#inertial.velocityOf(this.#last.base.rotation, predicted.rotation, dt);
      this.#inertial.mark();
    } else if (!hasOdometry) this.#motion.fade(dt);
    this.#moveTo(predicted, true);
    this.#registration.place(compose(predicted, input.baseFromLens));
    this.#odometryCheck.restart();
    const before = this.worstSigma;
    this.#builder.extendCarried(frame);
    if (isWheeled && this.worstSigma < before) {
      this.#attitude.heading.build(1);
      this.#wheeled.settle();
    }
    const isPassed = this.#carryLimit.isPassed(frame, {
      worstSigma: this.worstSigma,
      isUnanchored: this.#builder.isUnanchored(frame),
      areWheelsDistrusted: this.#wheeled.isDistrusted(input.time),
    });
    return isPassed ? this.#lose(frame) : this.#done(frame, "carried", 0);
  }

  /** Takes a frame while lost: searches the map for the head. */
  #recover(frame: Frame, rotation: Quat): TrackResult {
    const { dt, hasOdometry, settings, input } = frame;
    this.#motion.velocity = [0, 0, 0];
    const { position, growth } = this.#predictWithoutImu(input.odometry, dt, rotation);
    this.#doubt.widen(hasOdometry && !this.#wasLostOffWheels ? growth : FASTEST * dt);
    const base = { rotation, position };
    this.#last = { ...this.#last, base };
    if (input.chosen.count < LEAST_MATCHES) return this.#done(frame, "lost", 0);
    // The drift has one cause, so it adds up linearly since depth last held every direction.
    const drifted = (settings.yawDrift * (input.time - this.#motion.heldAt)) / 1e6;
    const yawSigma = Math.sqrt(square(settings.yawSigma) + this.#attitude.heading.variance) + drifted;
    const found = this.#recovery.look(frame, this.#map, { base, worstSigma: this.worstSigma, yawSigma });
    if (found === null) return this.#done(frame, "lost", 0);
    this.#last = { ...this.#last, base: found.worldFromBase };
    if (!found.isConfirmed) return this.#done(frame, "lost", 0);
    this.#doubt.settle();
    frame.notes.push({ what: "found", distance: distance(found.worldFromBase.position, position) });
    this.#carryLimit.markUsed(input.time);
    this.#motion.markHeld(input.time);
    this.#attitude.findAgain(input.attitude, found.worldFromBase, FOUND_YAW_SIGMA);
    return this.#done(frame, this.#doubt.isMapDoubtful ? "carried" : "held", 1);
  }

  #lose(frame: Frame): TrackResult {
    frame.notes.push({ what: "lost" });
    this.#wasLostOffWheels = this.#wheeled.isDistrusted(frame.input.time);
    this.#recovery.restart();
    this.#newView.restart();
    this.#inertial.stop();
    return this.#done(frame, "lost", 0);
  }

  /** The quality class of a pose that depth constrains in every direction. */
  #holdOf(time: number): Hold {
    return this.#doubt.isMapDoubtful || this.#inertial.isDisputed(time) ? "carried" : "held";
  }

  /** Moves the base, and adds to the path length. */
  #moveTo(base: Pose, isFree: boolean): void {
    const step = distance(base.position, this.#last.base.position);
    this.#way += step;
    this.#doubt.drift(step);
    this.#attitude.heading.move(step, yawBetween(this.#last.base.rotation, base.rotation), isFree);
    this.#last = { ...this.#last, base };
  }

  #extendMap(frame: Frame, directions: Directions): void {
    const settled = this.#builder.settle(frame, this.#last.base);
    if (settled !== null) {
      this.#moveWorld(frame, settled);
      this.places = this.places.map(
        (position) => settled.apply({ rotation: IDENTITY.rotation, position }).position,
      );
      return;
    }
    if (this.#frames % FUSE_EVERY !== 0) return;
    if (frame.hasOdometry && !this.#newView.take(this.#last.base, this.#map.fused)) return;
    this.#attitude.heading.build(1 - (1 - FOLLOWING) * this.#registration.knownShare);
    const levelled = this.#builder.extend(frame, directions, this.#start.position);
    if (levelled !== null) this.#moveWorld(frame, levelled);
  }

  /** Moves base and velocity along with the young map. */
  #moveWorld(frame: Frame, { rotation, apply }: WorldMove): void {
    frame.turned = apply(IDENTITY);
    this.#last = { ...this.#last, base: apply(this.#last.base) };
    this.#wheeled.move(rotation ?? IDENTITY.rotation, apply);
    if (rotation === null) return;
    this.#motion.turn(rotation);
    this.#inertial.turn(rotation);
    if (frame.isInertial) this.#motion.rolling.interrupt();
  }

  /** Ends the frame. */
  #done(frame: Frame, hold: Hold, share: number): TrackResult {
    const { time, odometry } = frame.input;
    this.#frames++;
    this.#last = { time, odometry, base: this.#last.base, attitude: frame.input.attitude };
    this.#hold = hold;
    return this.#result(frame, hold, share, this.isFit);
  }

  #result({ input, notes, turned }: Frame, hold: Hold, share: number, isFit: boolean): TrackResult {
    const { base } = this.#last;
    return {
      hold,
      worldFromBase: base,
      worldFromLens: compose(base, input.baseFromLens),
      covariance: this.#doubt.covariance(),
      yawSigma: this.#attitude.heading.sigma,
      isSteady: isFit || this.#isSteady,
      isFit,
      share,
      notes,
      turned,
    };
  }

  get #isSteady(): boolean {
    return this.#hold !== "lost" && this.worstSigma <= this.settings.writeSigma;
  }
}
