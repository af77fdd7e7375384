import { square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { compose, IDENTITY, toYawPitchRoll } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import { TRUSTED_DOUBT } from "./axis-fusion.ts";
import { PoseDoubt, type WorldDoubt } from "./doubt.ts";
import type {
  Frame,
  Hold,
  InertialInput,
  LastFrame,
  Prediction,
  TrackerSettings,
  TrackInput,
  TrackNote,
  TrackResult,
} from "./frame.ts";
import { FramePlacer } from "./frame-placer.ts";
import { type Directions, isFree } from "./free-directions.ts";
import { Heading, yawBetween } from "./heading.ts";
import { InertialStep } from "./inertial-step.ts";
import { MapLevel } from "./level.ts";
import { LocalMap, type MapPair } from "./local-map.ts";
import { MapBuilder, MOST_DOUBT, type WorldMove } from "./map-builder.ts";
import { BaseMotion, predictByOdometry } from "./motion.ts";
import { OdometryCheck } from "./odometry-check.ts";
import { FASTEST, Recovery } from "./recovery.ts";
import { FrameRegistration, LEAST_MATCHES, leastShare } from "./registration.ts";
import { RotationCheck } from "./rotation-check.ts";
import { type WheeledPlace, WheeledPlacer } from "./wheeled-placer.ts";

/** Share of the yaw's noise that is left where a gyro steadies the attitude. Chosen by hand. */
const STEADY_SHARE = 0.3;
/** Every FUSE_EVERY-th tracked frame is fused into the surfel map: so the map drifts less with the errors of its own frames. Chosen by hand. */
const FUSE_EVERY = 2;
/**
 * Seconds without frames after which accelerations still tell where a base is: its place is unsure by about 10 cm then, and the gate of the coarse map
 * is 40 cm.
 */
const FELT_PATIENCE = 1.2;
/** Metres, 1 sigma: a pose that is carried on is lost beyond this. Chosen by hand. */
const LOST_SIGMA = 1;

/**
 * Where the base is, frame by frame: predicted by odometry, accelerations or its own motion, then registered against a map of surfels
 * that it builds on the way. Deterministic; no clock. Along directions that depth leaves free the prediction counts, with
 * a covariance that says so.
 *
 * `track` is the order of steps: open the frame; predict; register it against the map; then `accept` it (judge free directions, fuse, extend
 * the map), `carry` the prediction where depth cannot be used, or `recover` while lost. `result` says how well the pose is known.
 */
export class Tracker {
  /** May be replaced between frames; the size of the voxels stays as it was. */
  settings: TrackerSettings;
  readonly #start: Pose;
  readonly #map: LocalMap;
  readonly #registration = new FrameRegistration();
  readonly #rotationCheck = new RotationCheck(this.#registration);
  readonly #heading = new Heading();
  readonly #level = new MapLevel();
  readonly #motion: BaseMotion;
  readonly #felt: InertialStep;
  readonly #doubt = new PoseDoubt();
  readonly #placer: FramePlacer;
  readonly #wheeled: WheeledPlacer;
  readonly #builder: MapBuilder;
  readonly #recovery = new Recovery();
  readonly #odometryCheck = new OdometryCheck();
  #frames = 0;
  #last: LastFrame;
  #hold: Hold = "carried";
  /** Whether accelerations carried the base on to the last frame. */
  #wasFelt = false;
  /** Whether it is lost only because frames stopped coming, while inertial samples did not. */
  #isGap = false;
  /** Whether the wheels were not believed when the head was lost: it may be carried anywhere. */
  #isAdrift = false;
  /** Metres. */
  #way = 0;
  /** Microseconds: when depth was last used, and when a frame that was not used last showed something at least. */
  #usedAt = 0;
  #seenAt = 0;

  /** @param start where the base stands at the first frame; its roll and pitch come from the orientation */
  constructor(start: Pose, settings: TrackerSettings) {
    this.settings = settings;
    this.#start = start;
    this.#last = { time: 0, base: start, odometry: null, attitude: null };
    this.#map = new LocalMap(settings.voxelSize);
    this.#motion = new BaseMotion(settings.rolling === "ahead");
    this.#felt = new InertialStep(settings.tiltSigma);
    const parts = {
      map: this.#map,
      level: this.#level,
      registration: this.#registration,
      doubt: this.#doubt,
      motion: this.#motion,
      felt: this.#felt,
    };
    this.#placer = new FramePlacer(parts);
    this.#wheeled = new WheeledPlacer(parts);
    this.#builder = new MapBuilder(parts);
  }

  /** The map that it builds. */
  get map(): Pick<LocalMap, "stages" | "empty"> {
    return this.#map;
  }

  /** Metres of way so far. */
  get way(): number {
    return this.#way;
  }

  /** How far the map near by may be off against the world's origin. */
  get doubt(): WorldDoubt {
    return this.#doubt.world;
  }

  /** Metres, 1 sigma, along the axis where the place against the map near by is least sure. */
  get slack(): number {
    return this.#doubt.slack;
  }

  /** Where the base has been, for when it is lost: positions some way apart. */
  get places(): readonly Vec3[] {
    return this.#recovery.places;
  }
  set places(places: readonly Vec3[]) {
    this.#recovery.places = places;
  }

  /** Whether the last pose is good enough to write to maps with. */
  get isFit(): boolean {
    // Without odometry a map begun in doubt may lie over another place; with it, drift is what odometry always has.
    const isSound = this.#last.odometry !== null || this.#doubt.world.built <= square(MOST_DOUBT);
    return this.#isSteady && !this.#builder.start.isWaiting && isSound;
  }

  /** The place was known before: doubt about the world is no more than it was then. */
  returnTo(doubt: WorldDoubt): void {
    this.#doubt.returnTo(doubt);
  }

  /** Goes on with other maps, in a world that is turned about the vertical and moved. */
  adopt(maps: MapPair, newFromOld: Pose): void {
    this.#map.adopt(maps);
    this.#last = { ...this.#last, base: compose(newFromOld, this.#last.base) };
    this.#motion.turn(newFromOld.rotation);
    this.#felt.turn(newFromOld.rotation);
    this.#wheeled.move(newFromOld.rotation, (pose) => compose(newFromOld, pose));
    this.#heading.turn(toYawPitchRoll(newFromOld.rotation)[0]);
    this.#odometryCheck.restart();
    this.#motion.rolling.interrupt();
  }

  /**
   * Frames have stopped coming: true when that makes the head lost now.
   * @param isFelt whether inertial samples still come
   */
  noFrameUntil(time: number, isFelt = false): boolean {
    if (this.#frames === 0 || this.#hold === "lost" || this.#last.odometry !== null) return false;
    // With accelerations it may go without usable depth for longer, but not without frames.
    const isCarried = isFelt && this.#wasFelt;
    const since = isCarried ? this.#last.time : this.#usedAt;
    if ((time - since) / 1e6 <= this.settings.patience) return false;
    this.#isGap = isCarried;
    this.#hold = "lost";
    this.#recovery.restart();
    return true;
  }

  /** Where the base is expected to be at a time without a frame of its own. */
  extrapolate(time: number, attitude: Quat, odometry: Pose | null): Pose {
    if (this.#frames === 0) return { rotation: attitude, position: this.#start.position };
    const rotation = this.#rotationFrom(attitude);
    const dt = Math.max(0, (time - this.#last.time) / 1e6);
    return { rotation, position: this.#predictUnfelt(odometry, dt, rotation).position };
  }

  /** Takes the next frame, in order of time. */
  track(input: TrackInput): TrackResult {
    if (this.#frames === 0) return this.#begin(input);
    const frame = this.#open(input);
    let rotation = this.#rotationFrom(input.attitude);
    if (this.#hold === "lost") return this.#recover(frame, rotation);
    const prediction = this.#predict(frame, rotation);
    if (this.#wheeled.isStanding) {
      this.#heading.stand(yawBetween(rotation, this.#last.base.rotation), frame.dt);
      rotation = this.#rotationFrom(input.attitude);
    } else this.#heading.goOn();
    const predicted = { rotation, position: prediction.position };
    const share = this.#register(frame, predicted, prediction.sigma);
    if (share < leastShare(this.#map.fused)) return this.#carry(frame, predicted, prediction.growth);
    return this.#accept(frame, { ...prediction, rotation }, share);
  }

  /** The first frame that shows something. */
  #begin(input: TrackInput): TrackResult {
    const { time, attitude, all } = input;
    const frame: Frame = {
      input,
      settings: this.settings,
      dt: 0,
      hasOdometry: false,
      isWheeled: false,
      isFelt: false,
      isSteadied: false,
      yawNoise: this.settings.yawSigma,
      notes: [],
      turned: null,
    };
    this.#heading.begin(this.#start.rotation, attitude, this.settings.yawSigma);
    const base = { rotation: this.#rotationFrom(attitude), position: this.#start.position };
    this.#last = { ...this.#last, base };
    this.#builder.start.begin(base);
    if (all.count < LEAST_MATCHES) return this.#result(frame, "carried", 0, false);
    this.#registration.place(compose(base, input.baseFromLens));
    this.#builder.fuse(all);
    this.#usedAt = time;
    this.#motion.markHeld(time);
    return this.#done(frame, "held", 1);
  }

  /** Opens a frame: brings heading and accelerations to its time, and notes what may be used of it. */
  #open(input: TrackInput): Frame {
    const { settings } = this;
    const { time, odometry, inertial = null } = input;
    const dt = Math.max(1e-3, (time - this.#last.time) / 1e6);
    const notes: TrackNote[] = [];
    this.#endGap(input, dt, notes);
    this.#heading.age(settings.yawDrift, dt);
    const hasOdometry = odometry !== null && this.#last.odometry !== null;
    const isFelt =
      settings.inertial === "used" &&
      inertial !== null &&
      InertialStep.covers(inertial, dt) &&
      !hasOdometry &&
      this.#hold !== "lost";
    const isSteadied =
      inertial?.isSteady === true && InertialStep.covers(inertial, dt) && this.#hold !== "lost";
    const yawNoise = isSteadied ? STEADY_SHARE * settings.yawSigma : settings.yawSigma;
    this.#heading.turnAt(isSteadied ? rateOf(inertial) : 0, inertial?.latenessSigma ?? 0);
    this.#wasFelt = isFelt;
    const isWheeled = hasOdometry && inertial !== null && this.#hold !== "lost";
    if (!isWheeled) this.#wheeled.stop();
    if (isSteadied) this.#heading.followDrift(dt);
    if (isFelt) {
      if (!this.#felt.isRunning) {
        this.#felt.start(this.#motion.velocity, this.#hold === "held" && this.#motion.isKnown);
        this.#builder.start.trace(this.#frames === 1);
      }
      this.#felt.advance(inertial, this.#heading.offset);
    } else {
      this.#felt.stop();
      this.#builder.start.cancel();
    }
    const yawJump = inertial?.yawJump ?? 0;
    if (yawJump !== 0) notes.push({ what: "yaw jump", angle: yawJump });
    return { input, settings, dt, hasOdometry, isWheeled, isFelt, isSteadied, yawNoise, notes, turned: null };
  }

  /** Frames come again: after a short gap accelerations tell where the head is by now. */
  #endGap({ inertial = null }: TrackInput, dt: number, notes: TrackNote[]): void {
    if (!this.#isGap) return;
    this.#isGap = false;
    if (dt > FELT_PATIENCE || inertial === null || !InertialStep.covers(inertial, dt)) return;
    this.#hold = "carried";
    notes.push({ what: "found", distance: 0 });
  }

  /** The world's rotation of the base where the orientation sensor says `attitude`. */
  #rotationFrom(attitude: Quat): Quat {
    return this.#level.correct(this.#heading.toWorld(attitude));
  }

  #predict(frame: Frame, rotation: Quat): Prediction {
    if (frame.isWheeled) {
      const rotationFrom = (attitude: Quat) => this.#rotationFrom(attitude);
      return this.#wheeled.predict(frame, this.#last, rotationFrom, this.#heading.offset);
    }
    if (frame.isFelt) return this.#felt.predict(this.#last.base, rotation);
    return this.#predictUnfelt(frame.input.odometry, frame.dt, rotation);
  }

  /** By odometry, or else by the base's own motion. */
  #predictUnfelt(odometry: Pose | null, dt: number, rotation: Quat): Prediction {
    const { base, odometry: before } = this.#last;
    if (odometry !== null && before !== null) {
      return predictByOdometry(base, before, odometry, this.settings.odometryShare);
    }
    return this.#motion.predict(this.#last, rotation, dt, this.settings.rolling);
  }

  /** @returns the share of the samples on known ground that fit; 0 when the frame is not believed */
  #register(frame: Frame, predicted: Pose, sigma: number): number {
    const target = { samples: frame.input.chosen, map: this.#map, doubt: this.#doubt.worldSigma };
    const yawVariance = square(frame.yawNoise) + this.#heading.variance;
    const turnedOn = this.#motion.turnOn(this.#last.base.rotation, predicted.rotation, frame.dt);
    return this.#rotationCheck.register(frame, target, { predicted, sigma, yawVariance }, turnedOn);
  }

  /** The frame fits the map: judge its free directions, fuse it with the prediction, extend the map. */
  #accept(frame: Frame, prediction: Prediction & { readonly rotation: Quat }, share: number): TrackResult {
    const { time } = frame.input;
    const from = this.#last.base;
    if (frame.isWheeled) {
      const placed = this.#wheeled.place({ frame, from, share, rotation: prediction.rotation });
      return this.#acceptWheeled(frame, placed, share);
    }
    const isUnbegun = this.#builder.isUnbegun(frame);
    const placed = this.#placer.place({ frame, from, prediction, share, isUnbegun });
    if (placed === null) return this.#lose(frame);
    const { base, directions } = placed;
    this.#followAttitude(frame, base);
    this.#goTo(base, isFree(directions));
    this.#usedAt = time;
    // Judged before the map is extended: the doubt that this builds in concerns later frames.
    const hold = isFree(directions) ? "sliding" : this.#holdOf(time);
    this.#extendMap(frame, directions);
    this.#compareOdometry(frame, !isFree(directions));
    return this.#done(frame, hold, share);
  }

  /** The same for a base whose wheels are counted. */
  #acceptWheeled(frame: Frame, placed: WheeledPlace, share: number): TrackResult {
    const { time } = frame.input;
    const { base, directions, isDisputed } = placed;
    const isUnsure = this.#wheeled.isUnsure(time);
    if (!isUnsure && !this.#wheeled.isStanding) this.#followAttitude(frame, base);
    this.#goTo(base, isFree(directions));
    this.#usedAt = time;
    const hold = isDisputed || isUnsure ? "carried" : isFree(directions) ? "sliding" : this.#holdOf(time);
    if (this.#frames % FUSE_EVERY === 0 && this.#wheeled.mayFuse(placed, this.#map.fused)) {
      const before = this.slack;
      this.#extendMap(frame, directions);
      if (this.slack < before) this.#wheeled.settle();
    }
    this.#compareOdometry(frame, !isFree(directions) && !isUnsure);
    return this.#done(frame, hold, share);
  }

  /** Reports wheels that slip. @param isHeld whether depth holds the place */
  #compareOdometry({ input: { time, odometry }, notes }: Frame, isHeld: boolean): void {
    if (odometry === null || !isHeld) {
      this.#odometryCheck.restart();
      return;
    }
    const slip = this.#odometryCheck.compare(time, odometry, this.#last.base);
    if (slip !== null) notes.push({ what: "odometry disagrees", ...slip });
  }

  /** Depth cannot be used: the pose is the prediction. */
  #carry(frame: Frame, predicted: Pose, growth: number): TrackResult {
    const { dt, isFelt, isWheeled, hasOdometry, input } = frame;
    this.#doubt.widen(growth);
    if (isWheeled) {
      const isDark = input.chosen.count < LEAST_MATCHES || input.isClear === false;
      this.#wheeled.carry(frame, this.#last.base, predicted, isDark);
    } else if (isFelt) {
      this.#motion.velocity = this.#felt.velocityOf(this.#last.base.rotation, predicted.rotation, dt);
      this.#felt.mark();
    } else if (!hasOdometry) this.#motion.fade(dt);
    this.#goTo(predicted, true);
    this.#registration.place(compose(predicted, input.baseFromLens));
    this.#odometryCheck.restart();
    const before = this.slack;
    this.#builder.extendCarried(frame);
    if (isWheeled && this.slack < before) this.#wheeled.settle();
    return this.#isCarriedTooFar(frame) ? this.#lose(frame) : this.#done(frame, "carried", 0);
  }

  /** Whether a pose that depth does not hold is too unsure by now. */
  #isCarriedTooFar(frame: Frame): boolean {
    const { time, chosen, isClear } = frame.input;
    if (frame.hasOdometry)
      return this.slack > (this.#wheeled.isDistrusted(time) ? TRUSTED_DOUBT : LOST_SIGMA);
    if (chosen.count >= LEAST_MATCHES && isClear !== false) this.#seenAt = time;
    // A head that is covered may be carried anywhere, so accelerations count only while something is seen.
    const since = frame.isFelt ? Math.max(this.#usedAt, this.#seenAt) : this.#usedAt;
    if ((time - since) / 1e6 > frame.settings.patience) return true;
    // Before anything was held there is little to lose.
    return frame.isFelt && this.slack > (this.#builder.isUnbegun(frame) ? LOST_SIGMA : TRUSTED_DOUBT);
  }

  /** The head is lost: looks for it on the map. */
  #recover(frame: Frame, rotation: Quat): TrackResult {
    const { dt, hasOdometry, settings, input } = frame;
    this.#motion.velocity = [0, 0, 0];
    const { position, growth } = this.#predictUnfelt(input.odometry, dt, rotation);
    this.#doubt.widen(hasOdometry && !this.#isAdrift ? growth : FASTEST * dt);
    const base = { rotation, position };
    this.#last = { ...this.#last, base };
    if (input.chosen.count < LEAST_MATCHES) return this.#done(frame, "lost", 0);
    // Drift has one cause, so it has added up since depth last held every direction.
    const drifted = (settings.yawDrift * (input.time - this.#motion.heldAt)) / 1e6;
    const yawSigma = Math.sqrt(square(settings.yawSigma) + this.#heading.variance) + drifted;
    const found = this.#recovery.look(frame, this.#map, { base, slack: this.slack, yawSigma });
    if (found === null) return this.#done(frame, "lost", 0);
    this.#last = { ...this.#last, base: found.worldFromBase };
    if (!found.isConfirmed) return this.#done(frame, "lost", 0);
    this.#doubt.settle();
    frame.notes.push({ what: "found", distance: distance(found.worldFromBase.position, position) });
    this.#usedAt = input.time;
    this.#motion.markHeld(input.time);
    this.#correctHeading(frame, found.worldFromBase);
    return this.#done(frame, this.#doubt.isMapDoubtful ? "carried" : "held", 1);
  }

  #lose(frame: Frame): TrackResult {
    frame.notes.push({ what: "lost" });
    this.#isAdrift = this.#wheeled.isDistrusted(frame.input.time);
    this.#recovery.restart();
    this.#felt.stop();
    return this.#done(frame, "lost", 0);
  }

  /** The hold of a pose that depth constrains in every direction. */
  #holdOf(time: number): Hold {
    return this.#doubt.isMapDoubtful || this.#felt.isDisputed(time) ? "carried" : "held";
  }

  /** Corrects heading and level by the rotation that depth found. */
  #followAttitude(frame: Frame, base: Pose): void {
    this.#correctHeading(frame, base);
    this.#level.see(this.#heading.toWorld(frame.input.attitude), base.rotation, this.#map.fused);
  }

  #correctHeading({ input, settings, dt, isSteadied, yawNoise, notes }: Frame, base: Pose): void {
    const angle = this.#heading.correct({
      off: yawBetween(this.#rotationFrom(input.attitude), base.rotation),
      noise: yawNoise,
      variance: this.#registration.yawVariance,
      rate: isSteadied ? rateOf(input.inertial!) : 0,
      dt,
      mostDrift: isSteadied ? settings.yawDrift : null,
    });
    if (angle !== null) notes.push({ what: "yaw jump", angle });
  }

  /** Moves the base and counts the way. */
  #goTo(base: Pose, isFree: boolean): void {
    const step = distance(base.position, this.#last.base.position);
    this.#way += step;
    this.#doubt.drift(step);
    if (isFree) this.#heading.slide(step);
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
    const levelled = this.#builder.extend(frame, directions, this.#start.position);
    if (levelled !== null) this.#moveWorld(frame, levelled);
  }

  /** The young map was moved: base and velocity move with it. */
  #moveWorld(frame: Frame, { rotation, apply }: WorldMove): void {
    frame.turned = apply(IDENTITY);
    this.#last = { ...this.#last, base: apply(this.#last.base) };
    this.#wheeled.move(rotation ?? IDENTITY.rotation, apply);
    if (rotation === null) return;
    this.#motion.turn(rotation);
    this.#felt.turn(rotation);
    if (frame.isFelt) this.#motion.rolling.interrupt();
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
      yawSigma: this.#heading.sigma,
      isSteady: isFit || this.#isSteady,
      isFit,
      share,
      notes,
      turned,
    };
  }

  get #isSteady(): boolean {
    return this.#hold !== "lost" && this.slack <= this.settings.writeSigma;
  }
}

/** Samples at the end of a span over which the turn rate is averaged. */
const LAST_SAMPLES = 4;

/** rad/s about the vertical at the end of a span. */
function rateOf({ span: { count, rotation: q, rate } }: InertialInput): number {
  let sum = 0;
  const first = Math.max(0, count - LAST_SAMPLES);
  for (let n = first; n < count; n++) {
    const [x, y, z, w] = [q[4 * n]!, q[4 * n + 1]!, q[4 * n + 2]!, q[4 * n + 3]!];
    // The third row of the rotation matrix.
    sum += 2 * (x * z - w * y) * rate[3 * n]! + 2 * (y * z + w * x) * rate[3 * n + 1]!;
    sum += (1 - 2 * (x * x + y * y)) * rate[3 * n + 2]!;
  }
  return count > 0 ? sum / (count - first) : 0;
}
