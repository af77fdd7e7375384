import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  angleBetween,
  compose,
  conjugate,
  fromRotationVector,
  fromYawPitchRoll,
  IDENTITY,
  invert,
  multiply,
  slerp,
  toRotationVector,
  toYawPitchRoll,
  turn,
} from "../geometry/rigid.ts";
import { eigenSymmetric } from "../geometry/solve.ts";
import { add, cross, dot, scaleAndAdd, scaled, subtract, unit, wrapAngle } from "../geometry/vec.ts";
import type { InertialSpan } from "../sense/inertial-buffer.ts";
import { InertialFilter, ROBUST } from "./inertial-filter.ts";
import type { WorldDoubt } from "./keyframes.ts";
import { emptyMatches } from "./normal-equations.ts";
import { type PlaceDoubt, PlaceMatcher } from "./places.ts";
import { HONESTY, Registrar, type Stage, turnBy } from "./register.ts";
import { type CompletedStep, completeStep, Rolling, sandwich, spreadAlong, times } from "./rolling.ts";
import { type Placement, placement, poseOf, type Samples, SurfelMap, setPlacement } from "./surfels.ts";

/**
 * How well a pose is known:
 * - "held": depth holds it in every direction;
 * - "sliding": depth leaves one or more directions free (a bare wall, a corridor, an empty floor);
 * - "carried": no depth could be used; it is carried on by odometry, or for a moment by its own motion;
 * - "lost": where the head is, is not known.
 */
export type Hold = "held" | "sliding" | "carried" | "lost";

export interface TrackerSettings {
  /** Metres: voxels of the fine and the coarse surfel map. */
  readonly fineVoxel: number;
  readonly coarseVoxel: number;
  /** Radians, 1 sigma: white noise of the orientation about a level axis, and about the vertical. */
  readonly tiltSigma: number;
  readonly yawSigma: number;
  /** Radians per second: how fast the orientation's yaw may drift. */
  readonly yawDrift: number;
  /** Metres per second squared, 1 sigma: how much the head accelerates between frames when there is no odometry. */
  readonly acceleration: number;
  /** Metres per second, 1 sigma: how fast the head may move where nothing tells. */
  readonly speed: number;
  /** Share of the speed in a free direction that is left after a second. */
  readonly coasting: number;
  /**
   * Whether the base rolls: "ahead" along its own x axis until it shows otherwise, "learned" along the axis that it shows itself to
   * move along, "off" anywhere at any time. Counts without odometry only.
   */
  readonly rolling: "ahead" | "learned" | "off";
  /** Whether accelerations carry the base on where depth leaves it free; without odometry only. */
  readonly inertial: "used" | "ignored";
  /** Odometry: error as a share of the way, and for each frame, metres. */
  readonly odometryShare: number;
  readonly odometrySigma: number;
  /** Fewest matched samples that a registration may rest on, and their least share of those on known ground. */
  readonly minMatches: number;
  readonly minShare: number;
  /** Share of the weight, less what noise feigns, below which a direction is not held. */
  readonly minStrength: number;
  /** One in so many tracked frames is fused into the surfel map. */
  readonly fuseEvery: number;
  /** Seconds without depth or odometry after which the head is lost. */
  readonly patience: number;
  /** Metres, 1 sigma: a pose carried on for longer than this is lost, and one above the second is not written to maps. */
  readonly lostSigma: number;
  readonly writeSigma: number;
  /** Metres around the last known place that are searched when lost. */
  readonly searchRadius: number;
}

const DEGREE = Math.PI / 180;

export const DEFAULT_TRACKER_SETTINGS: TrackerSettings = {
  fineVoxel: 0.06,
  coarseVoxel: 0.24,
  tiltSigma: 0.3 * DEGREE,
  yawSigma: 0.3 * DEGREE,
  yawDrift: (5 * DEGREE) / 60,
  acceleration: 2,
  speed: 0.3,
  coasting: 0.2,
  rolling: "learned",
  inertial: "used",
  odometryShare: 0.03,
  odometrySigma: 0.003,
  minMatches: 120,
  minShare: 0.5,
  minStrength: 0.0002,
  fuseEvery: 2,
  patience: 0.4,
  lostSigma: 1,
  writeSigma: 0.05,
  searchRadius: 4,
};

export interface TrackInput {
  /** Microseconds. */
  readonly time: number;
  /** In the lens frame: balanced for registration, and all there are for the map. */
  readonly chosen: Samples;
  readonly all: Samples;
  /** Rotation of the base by the orientation sensor; its yaw is from an origin of its own and may drift. */
  readonly attitude: Quat;
  /** Pose of the base by odometry, in an origin of its own; null without. */
  readonly odometry: Pose | null;
  readonly baseFromLens: Pose;
  /** What an imu felt since the frame before; absent or null without. */
  readonly inertial?: InertialInput | null;
  /** False when something is held before the lens. */
  readonly isClear?: boolean;
}

export interface InertialInput {
  readonly span: InertialSpan;
  readonly baseFromImu: Pose;
  /** Whether the attitude follows the one of the frame before by the gyro: it has little noise then, and has not jumped. */
  readonly isSteady: boolean;
}

/** Something that an operator or the base would want to know. */
export type TrackNote =
  /** The orientation sensor's yaw jumped by `angle` radians, and was not followed. */
  | { readonly what: "yaw jump"; readonly angle: number }
  /** Over the last second odometry moved by so many metres and radians other than depth says. */
  | { readonly what: "odometry disagrees"; readonly distance: number; readonly angle: number }
  | { readonly what: "lost" }
  /** A place was recognised after so many metres of way; the world near the head was moved by so much. */
  | { readonly what: "loop closed"; readonly way: number; readonly distance: number; readonly angle: number }
  /** Found again, so far from where it was last known. */
  | { readonly what: "found"; readonly distance: number };

export interface TrackResult {
  readonly hold: Hold;
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  /** (9) m^2, of the base's position against the world's origin, world axes. */
  readonly covariance: readonly number[];
  /** Radians, 1 sigma. */
  readonly yawSigma: number;
  /** Whether the pose is good enough against the map near by, and whether it may be written to maps with, too. */
  readonly isSteady: boolean;
  readonly isFit: boolean;
  /** Share of the samples on known ground that fit the map; 0 without a registration. */
  readonly share: number;
  readonly notes: readonly TrackNote[];
  /** How the young map was turned level in this frame, newFromOld; null when it was not. */
  readonly turned: Pose | null;
}

/** Largest number of samples that a frame may have. */
const CAPACITY = 8192;
/** Surfel weights are sums of 1 / sigma^2; beyond this (some thousand samples of 10 mm) they follow slowly. */
const MAX_WEIGHT = 2e7;
/** Error of the map itself, 1 sigma: metres near by, against the world as its first frames had it, and as a share of the way. */
const MAP_SIGMA = 0.003;
const WORLD_SIGMA = 0.006;
const MAP_DRIFT = 0.005;
/** Frames after which the map is made level by the mean of the orientations so far. */
const LEVEL_AT = [3, 8, 20, 50];
/** Sigmas beyond which a step of the orientation's yaw is a jump, and the least angle that is one. */
const JUMP_SIGMAS = 5;
const LEAST_JUMP = 3 * DEGREE;
/** The same for depth where the gyro tells how the base turned. */
const LEAST_SLIP = 0.5 * DEGREE;
/** The same of the tilt. */
const LEAST_TILT = 1.5 * DEGREE;
/** Radians, 1 sigma, of a rotation that depth is not asked about. */
const FIRM_ANGLE = 1e-5;
/** What overrules such a one at once leaves so small a share of its residuals, of so large a share of its samples. */
const CLEARLY_LESS = 0.8;
const NEARLY_ALL = 0.98;
/** Of what depth says of the yaw, so much a frame goes into the rate of its drift. */
const DRIFT_GAIN = 0.0006;
/** What a frame must show before it overrules the orientation's yaw. */
const OVERRULING_MATCHES = 300;
const OVERRULING_STRENGTH = 10;
/** Radians per second: what changes the turn rate by more between two frames is looked at twice. */
const JUMP_RATE = 60 * DEGREE;
/** With a smaller share of its samples on known ground a frame shows a new place. */
const NEW_GROUND = 0.2;
/** Metres, 1 sigma: with more doubt about the place and no odometry nothing new is added to the surfel map. */
const MOST_DOUBT = 0.3;
/** Metres, 1 sigma: error of a place that is found to be the same again. */
const RETURN_SIGMA = 0.02;
/** Metres, 1 sigma: with more doubt along an axis a registration is believed to end it only so near to the prediction. */
const TRUSTED_DOUBT = 0.4;
const EXPECTED = 0.4;
/** Where nothing tells, speed is in doubt by so much at first, metres per second, and by so much more each second. */
const FIRST_SPEED = 0.05;
const SPEED_GROWTH = 0.5;
/** Metres per second, 1 sigma: of a base that depth has never held long enough to know its speed. */
const UNKNOWN_SPEED = 0.45;
/** Share of a rolling base's speed that is left after a second in which nothing tells. */
const ROLLING_ON = 0.7;
/** 1 sigma: how the ground may rise or fall along a way that is not known. */
const SLOPE = 0.06;
/** Seconds of hold before the base's rest along an axis is believed, and over which its velocity is averaged; least doubt. */
const REST_SECONDS = 1;
const REST_MEMORY = 0.5;
const REST_SHARE = 0.2;
/** Metres, 1 sigma: what hangs on a map with more doubt than this built into it is not called held. */
const HELD_DOUBT = 0.033;
/** To be found again so much of a frame must lie on the map, upright parts too. */
const REGAINED_SHARE = 0.85;
/** So many frames in a row must agree, none farther from the one before than a base moves: metres per second. */
const CONFIRMATIONS = 5;
const FASTEST = 1.5;
/** Radians: more doubt about the yaw than this is not searched. */
const MOST_DRIFT = 4 * DEGREE;
/** Metres around a place seen before that are searched; a rival has this share of the upright samples. */
const PLACE_RADIUS = 1.5;
const RIVAL = 0.7;
/** A view has changed after so much, metres or radians; so many frames do where nothing moves. */
const OTHER_VIEW = 0.1;
const OTHER_ANGLE = 8 * DEGREE;
const STILL_CONFIRMATIONS = 20;
/**
 * With so many times the least share of the weight a direction is held without a doubt; else it is by the samples that face it:
 * so many, so far apart (metres), and together so good (metres, 1 sigma).
 */
const CLEAR_STRENGTH = 20;
const FACING_COUNT = 16;
const FACING_SPREAD = 0.25;
const FACING_SIGMA = 0.035;
/** Errors of few samples are their own noise rather than one flaw of the map that many share: they count for so much more. */
const FEW = 10;
/** Few samples that face an axis and are so far from where a rolling base can be are not believed, until so many seconds on. */
const THIN_SIGMAS = 3;
const THIN_PATIENCE = 1;
/** The same of an axis where depth seems to hold all. */
const CLEAR_SIGMAS = 4.5;
/** Metres, 1 sigma: what depth says of the step between two frames, along an axis that it holds. */
const STEP_NOISE = 0.003;
/** Two frames share the map's errors: of what a registration is in doubt by, so much less is in a step (compare `HONESTY`). */
const STEP_HONESTY = 4;
/** Seconds between two frames that inertial samples may leave out, and by which their times may differ from the frames'. */
const MOST_MISSING = 0.05;
const OTHER_TIME = 0.002;
/** Of the orientation's noise, what is left once the gyro steadies it. */
const STEADY_SHARE = 0.3;
/** Metres per second, 1 sigma: of a speed that depth told a moment ago. */
const KNOWN_SPEED = 0.1;
/** Seconds over which a rolling base goes sideways alike: what it tells of the way counts once in so long, not once a frame. */
const SIDEWAYS_SECONDS = 1;
/** Metres by which a step may differ from what is felt and still shows how the base moves. */
const AGREEING_STEP = 0.01;
/** Seconds after depth and what is felt differed in which nothing is called held. */
const DISPUTED_SECONDS = 1;
/** Sigmas beyond which a step sideways shows that the base does not roll now. */
const ASIDE_SIGMAS = 4;
/** Seconds of hold before which a map has no firm beginning yet. */
const FIRM_SECONDS = 0.4;
/** Metres per second, 1 sigma: once its speed is known so well, a base knows how far it came before; and seconds after and by which. */
const SETTLED_SPEED = 0.05;
const SETTLED_AFTER = 0.4;
const SETTLED_BY = 3;
/** Odometry is compared with depth over this time, seconds; it disagrees beyond these. */
const COMPARED = 1;
const SLIP_METRES = 0.06;
const SLIP_SHARE = 0.15;
const SLIP_ANGLE = 5 * DEGREE;

/**
 * Where the base is, frame by frame: predicted by odometry or its own motion, then registered against a map of surfels
 * that it builds on the way. Deterministic; no clock. What geometry does not hold is carried on by the prediction, with
 * a covariance that says so.
 */
export class Tracker {
  /** Replaced by `adopt`, and by nothing else. */
  fine: SurfelMap;
  coarse: SurfelMap;
  /** Where the base has been, for when it is lost: positions some way apart. */
  places: readonly Vec3[] = [];
  #visited = 0;
  /** May be replaced between frames; the sizes of the voxels stay as they were. */
  settings: TrackerSettings;
  readonly #registrar = new Registrar(CAPACITY);
  readonly #places = new PlaceMatcher(CAPACITY, REGAINED_SHARE);
  readonly #matches = emptyMatches(CAPACITY);
  #stages: readonly Stage[];
  readonly #start: Pose;
  readonly #pose: Placement = placement();
  readonly #prior = { at: placement(), rotation: new Float64Array(9), position: new Float64Array(9) };
  #frames = 0;
  #fused = 0;
  #lastTime = 0;
  #hold: Hold = "carried";
  #base: Pose;
  #odometry: Pose | null = null;
  #velocity: Vec3 = [0, 0, 0];
  /** World yaw minus the orientation sensor's, its variance, and the yaw rate. */
  #yawOffset = 0;
  #yawVariance = 0;
  #yawRate = 0;
  /** Radians per second by which the orientation's yaw was seen to drift, once its noise is gone. */
  #yawDrift = 0;
  /** Mean tilt of the map against the orientation sensor, how many frames it is of, and what was already taken out. */
  #tilt: Vec3 = [0, 0, 0];
  #tilts = 0;
  #levelled: Vec3 = [0, 0, 0];
  /** (9) m^2 against the map near by. */
  readonly #covariance = new Float64Array(9);
  /** Of the frame in hand, along each axis of its geometry: information, and the share of the geometry's step that was kept. */
  readonly #information = new Float64Array(3);
  readonly #keeps = new Float64Array(3);
  /** Metres, 1 sigma: along an axis, doubt by samples that were not believed. */
  readonly #refuted = new Float64Array(3);
  /** (9) sum of a a^T over the axes a that were free in the last frame. */
  readonly #freed = new Float64Array(9);
  /** Way so far; variance that was built into the map on the way. */
  #way = 0;
  #drifted = 0;
  #built = 0;
  /** Of that, what came in since depth last held every direction: metres, 1 sigma, of one cause. */
  #builtNow = 0;
  #heldAt = 0;
  /** When a frame that could not be used showed something, at least. */
  #seenAt = 0;
  /** When depth last held every direction. */
  #freeSince = 0;
  /** Seconds that it did, and the base's mean velocity of late while it did, in the base's axes. */
  #heldFor = 0;
  #heldVelocity: Vec3 = [0, 0, 0];
  readonly #rolling: Rolling;
  readonly #filter: InertialFilter;
  /** Whether it carries the base on from the last frame to that in hand, and metres in the base's axes where its imu sits. */
  #isBridged = false;
  #lever: Vec3 = [0, 0, 0];
  /** Whether its gyro frees the attitude of noise. */
  #isSteadied = false;
  /** Metres that depth differed by from what was felt, in the last frame and in that in hand, where it did so beyond doubt. */
  #surprised: Vec3 = [0, 0, 0];
  #surprising: Vec3 = [0, 0, 0];
  /** Since when depth has said of the rotation what the gyro does not; NaN while it does not. */
  #overruledSince = Number.NaN;
  /** Metres: by how much better known the ground was that the last frame lay on than what it added to that. */
  #lead = 0;
  /** Metres, 1 sigma: by how much the step to the frame in hand may mend the place rather than be a step. */
  #mended = 0;
  /** When depth last said what can hardly be by what was felt. */
  #disputedAt = Number.NEGATIVE_INFINITY;
  /** Whether the filter was there from the first frame on, and where the base stood in that. */
  #isTraced = false;
  #origin: Pose = IDENTITY;
  /** (9) m^2: what the first hold's place is in doubt by against where the base began, along the axes that had been free. */
  readonly #anchor = new Float64Array(9);
  /** While the way to the first hold waits for the speed to become known: until when, and the axes that it was free along. */
  #settling: { readonly until: number; readonly free: Float64Array; readonly anchor: Float64Array } | null =
    null;
  #confirmations = 0;
  #firstFound: Pose = IDENTITY;
  #notes: TrackNote[] = [];
  #turned: Pose | null = null;
  /** Odometry and tracked poses of the last second, oldest first. */
  readonly #compared: { time: number; odometry: Pose; base: Pose }[] = [];
  #slips = false;

  /** @param start where the base stands at the first frame; its roll and pitch come from the orientation */
  constructor(start: Pose, given: Partial<TrackerSettings> = {}) {
    const settings = { ...DEFAULT_TRACKER_SETTINGS, ...given };
    this.settings = settings;
    this.#start = start;
    this.#base = start;
    this.#rolling = new Rolling(settings.rolling === "ahead");
    this.#filter = new InertialFilter({ tiltNoise: settings.tiltSigma });
    this.fine = new SurfelMap(settings.fineVoxel, MAX_WEIGHT);
    this.coarse = new SurfelMap(settings.coarseVoxel, MAX_WEIGHT);
    this.#stages = this.#openStages();
  }

  #openStages(): readonly Stage[] {
    return [
      { map: this.coarse, gate: 0.4, lastGate: 0.15, iterations: 3, stride: 4 },
      { map: this.fine, gate: 0.12, lastGate: 0.03, iterations: 6, stride: 1 },
    ];
  }

  /** Empty maps like this one's, to be filled and adopted. */
  emptyMaps(): { readonly fine: SurfelMap; readonly coarse: SurfelMap } {
    const { fineVoxel, coarseVoxel } = this.settings;
    return { fine: new SurfelMap(fineVoxel, MAX_WEIGHT), coarse: new SurfelMap(coarseVoxel, MAX_WEIGHT) };
  }

  /** Metres of way so far, and how far the map near by may be off against the world's origin. */
  get way(): number {
    return this.#way;
  }
  get doubt(): WorldDoubt {
    return { drifted: this.#drifted, built: this.#built };
  }

  /** Metres, 1 sigma, along the axis where the place against the map near by is least sure. */
  get slack(): number {
    return Math.sqrt(largest(this.#covariance));
  }

  /** The place was known before: doubt about the world is no more than it was then. */
  returnTo({ drifted, built }: WorldDoubt): void {
    this.#drifted = Math.min(this.#drifted, drifted);
    this.#built = Math.min(this.#built, built + RETURN_SIGMA ** 2);
    this.#builtNow = Math.min(this.#builtNow, Math.sqrt(this.#built));
  }

  /** Goes on with other maps, in a world that is turned about the vertical and moved. */
  adopt(fine: SurfelMap, coarse: SurfelMap, newFromOld: Pose): void {
    this.fine = fine;
    this.coarse = coarse;
    this.#stages = this.#openStages();
    this.#base = compose(newFromOld, this.#base);
    setPlacement(this.#pose, compose(newFromOld, poseOf(this.#pose)));
    this.#velocity = turn(newFromOld.rotation, this.#velocity);
    this.#filter.turn(newFromOld.rotation);
    this.#yawOffset += toYawPitchRoll(newFromOld.rotation)[0];
    this.#compared.length = 0;
    this.#rolling.interrupt();
  }

  get hold(): Hold {
    return this.#hold;
  }

  get #isSteady(): boolean {
    return this.#hold !== "lost" && this.slack <= this.settings.writeSigma;
  }

  /** Whether the last pose is good enough to write to maps with. */
  get isFit(): boolean {
    // Without odometry a map begun in doubt may lie over another place; with it, drift is what odometry always has.
    return (
      this.#isSteady && this.#settling === null && (this.#odometry !== null || this.#built <= MOST_DOUBT ** 2)
    );
  }

  /**
   * Frames have stopped coming: true when that makes the head lost now.
   * @param isFelt whether inertial samples go on coming
   */
  noFrameUntil(time: number, isFelt = false): boolean {
    if (this.#frames === 0 || this.#hold === "lost" || this.#odometry !== null) return false;
    // Felt on, it may be without usable depth for longer, but not without frames.
    const since = isFelt && this.#isBridged ? this.#lastTime : this.#heldAt;
    if ((time - since) / 1e6 <= this.settings.patience) return false;
    this.#hold = "lost";
    this.#confirmations = 0;
    return true;
  }

  /** Where the base is thought to be at a time without a frame of its own. */
  extrapolate(time: number, attitude: Quat, odometry: Pose | null): Pose {
    const rotation = this.#frames === 0 ? attitude : this.#rotationFrom(attitude);
    const dt = (time - this.#lastTime) / 1e6;
    if (this.#frames === 0) return { rotation, position: this.#start.position };
    return { rotation, position: this.#predict(odometry, Math.max(0, dt), rotation).position };
  }

  track(input: TrackInput): TrackResult {
    this.#notes = [];
    this.#turned = null;
    if (this.#frames === 0) return this.#begin(input);
    const s = this.settings;
    const { time, attitude, baseFromLens } = input;
    const dt = Math.max(1e-3, (time - this.#lastTime) / 1e6);
    this.#yawVariance += (s.yawDrift * dt) ** 2;
    this.#feel(input, dt);
    if (this.#hold === "lost") return this.#recover(input, dt);

    const rotation = this.#rotationFrom(attitude);
    const { position, sigma, growth } = this.#isBridged
      ? this.#predictFelt(rotation)
      : this.#predict(input.odometry, dt, rotation);
    const predicted = { rotation, position };
    this.#expect(compose(predicted, baseFromLens), sigma, this.#yawNoise ** 2 + this.#yawVariance);
    setPlacement(this.#pose, compose(predicted, baseFromLens));
    let share = this.#register(input);
    // Has the orientation's yaw jumped? Where it turned much faster than before, or depth does not fit, the turn rate so
    // far is tried in its place; what more of the frame fits is believed.
    const steady = { rotation: this.#turnedOn(dt, predicted.rotation), position };
    const off = Math.abs(angleAbout(steady.rotation, predicted.rotation));
    if (off > LEAST_JUMP + JUMP_RATE * dt || (share < s.minShare && off > LEAST_JUMP)) {
      const { matched } = this.#registrar.result;
      const kept = poseOf(this.#pose);
      this.#expect(compose(steady, baseFromLens), sigma, LEAST_JUMP ** 2);
      setPlacement(this.#pose, compose(steady, baseFromLens));
      const other = this.#register(input);
      if (other > 0 && this.#registrar.result.matched > matched) share = other;
      else {
        // Once more from where it was best, so that the equations are those of the pose.
        this.#expect(compose(predicted, baseFromLens), sigma, this.#yawNoise ** 2 + this.#yawVariance);
        setPlacement(this.#pose, kept);
        share = this.#register(input);
      }
    }
    share = this.#judgeRotation(input, predicted, sigma, share);
    if (share < s.minShare) return this.#carry(input, dt, predicted, growth);
    return this.#accept(input, dt, share, sigma, growth);
  }

  /**
   * Depth against orientation: only a frame that is held well on all sides may overrule it; else it is depth that errs. An attitude
   * that the gyro steadies has not jumped: then it is overruled only by what insists and fits better, and the place is found with it.
   * @returns the share of the samples on known ground that fit, 0 when the frame is not to be believed
   */
  #judgeRotation(input: TrackInput, predicted: Pose, sigma: number, share: number): number {
    const s = this.settings;
    const { time, baseFromLens } = input;
    const turned = compose(poseOf(this.#pose), invert(baseFromLens)).rotation;
    const [x, y, about] = toRotationVector(multiply(turned, conjugate(predicted.rotation)));
    const yawSigma = Math.sqrt(this.#yawVariance + this.#yawNoise ** 2);
    const isTilted = Math.hypot(x, y) > Math.max(LEAST_TILT, JUMP_SIGMAS * s.tiltSigma);
    const isOverruled =
      isTilted ||
      Math.abs(about) > Math.max(this.#isSteadied ? LEAST_SLIP : LEAST_JUMP, JUMP_SIGMAS * yawSigma);
    if (!isOverruled || share < s.minShare) {
      if (!isOverruled) this.#overruledSince = Number.NaN;
      return share;
    }
    const { matched, shares, rms } = this.#registrar.result;
    const isStrong = matched >= OVERRULING_MATCHES && shares[0]! >= OVERRULING_STRENGTH * s.minStrength;
    if (!this.#isSteadied) return isStrong ? share : 0;
    if (Number.isNaN(this.#overruledSince)) this.#overruledSince = time;
    const isInsisting = (time - this.#overruledSince) / 1e6 > THIN_PATIENCE;
    const free = poseOf(this.#pose);
    const at = compose(predicted, baseFromLens);
    this.#expect(at, sigma, FIRM_ANGLE ** 2, FIRM_ANGLE);
    setPlacement(this.#pose, at);
    const firm = this.#register(input);
    const { result } = this.#registrar;
    const isBetter = firm < s.minShare || rms < result.rms;
    // A drifted heading is put right by as many samples that fit much better; what bends it has more of them, but worse ones.
    const isRight = !isTilted && rms < CLEARLY_LESS * result.rms && matched > NEARLY_ALL * result.matched;
    if (!(isStrong && isBetter && (isInsisting || isRight))) return firm;
    this.#expect(at, sigma, yawSigma ** 2);
    setPlacement(this.#pose, free);
    return this.#register(input);
  }

  #begin(input: TrackInput): TrackResult {
    const { attitude, all, baseFromLens } = input;
    this.#yawOffset = toYawPitchRoll(this.#start.rotation)[0] - toYawPitchRoll(attitude)[0];
    this.#yawVariance = this.settings.yawSigma ** 2;
    this.#base = { rotation: this.#rotationFrom(attitude), position: this.#start.position };
    this.#origin = this.#base;
    setPlacement(this.#pose, compose(this.#base, baseFromLens));
    if (all.count < this.settings.minMatches) {
      // Nothing to hold on to yet; the first frame that shows something is the first.
      return this.#result("carried", input, 0, false);
    }
    this.#fuse(all, null);
    this.#heldAt = input.time;
    this.#freeSince = input.time;
    return this.#done(input, "held", 1);
  }

  #rotationFrom(attitude: Quat): Quat {
    const raw = multiply(fromYawPitchRoll(this.#yawOffset, 0, 0), attitude);
    if (this.#tilts === 0) return raw;
    const [x, y] = [this.#tilt[0] - this.#levelled[0], this.#tilt[1] - this.#levelled[1]];
    return multiply(fromRotationVector([x, y, 0]), raw);
  }

  /** The base's rotation if it kept turning as it did, with the roll and pitch of `tilt`. */
  #turnedOn(dt: number, tilt: Quat): Quat {
    const [yaw] = toYawPitchRoll(this.#base.rotation);
    const [, pitch, roll] = toYawPitchRoll(tilt);
    return fromYawPitchRoll(yaw + this.#yawRate * dt, pitch, roll);
  }

  /** The axis that a rolling base moves along on its way to a rotation, in the world; null when none is known. */
  #wayTo(rotation: Quat): Vec3 | null {
    const { axis } = this.#rolling;
    if (axis === null || this.settings.rolling === "off") return null;
    return turn(slerp(this.#base.rotation, rotation, 0.5), axis);
  }

  /** What it does without odometry: speed goes on, along the way of a rolling base if it is one. */
  #coast(rotation: Quat, seconds: number): Vec3 {
    const way = this.#wayTo(rotation);
    if (way === null) return scaled(this.#velocity, seconds);
    return scaled(way, seconds * dot(this.#velocity, turn(this.#base.rotation, this.#rolling.axis!)));
  }

  #predict(
    odometry: Pose | null,
    dt: number,
    rotation: Quat,
  ): { position: Vec3; sigma: number; growth: number } {
    const s = this.settings;
    if (odometry !== null && this.#odometry !== null) {
      const moved = compose(invert(this.#odometry), odometry).position;
      const step = turn(this.#base.rotation, moved);
      const growth = s.odometryShare * Math.hypot(...step);
      return { position: add(this.#base.position, step), sigma: s.odometrySigma + growth, growth };
    }
    const coast = Math.min(dt, 0.3);
    const unheld = (this.#lastTime - this.#freeSince) / 1e6 + dt;
    return {
      position: add(this.#base.position, this.#coast(rotation, coast)),
      sigma: 0.02 + 0.5 * s.acceleration * coast * coast + s.speed * (dt - coast),
      // What was never held long has no speed that is known.
      growth:
        dt *
        (this.#heldFor < REST_SECONDS
          ? UNKNOWN_SPEED
          : Math.min(s.speed, FIRST_SPEED + SPEED_GROWTH * unheld)),
    };
  }

  /** On by what the imu felt, where it tells of the whole time since the last frame. */
  #feel({ inertial, odometry }: TrackInput, dt: number): void {
    const filter = this.#filter;
    const hasOdometry = odometry !== null && this.#odometry !== null;
    this.#isBridged =
      this.settings.inertial === "used" &&
      inertial !== undefined &&
      inertial !== null &&
      inertial.span.missing <= MOST_MISSING &&
      Math.abs(inertial.span.total - dt) <= OTHER_TIME &&
      !hasOdometry &&
      this.#hold !== "lost";
    this.#isSteadied = this.#isBridged && inertial!.isSteady;
    if (!this.#isBridged) {
      filter.stop();
      this.#settling = null;
      return;
    }
    const { span, baseFromImu } = inertial!;
    this.#lever = baseFromImu.position;
    if (!filter.isRunning) {
      const isKnown = this.#hold === "held" && this.#heldFor >= REST_SECONDS;
      filter.start(this.#velocity, isKnown ? KNOWN_SPEED : UNKNOWN_SPEED);
      this.#isTraced = this.#frames === 1;
      this.#settling = null;
    }
    if (this.#isSteadied) this.#yawOffset += this.#yawDrift * dt;
    filter.advance(span, this.#yawOffset);
    if (filter.isAtRest) filter.rest();
  }

  /** Radians, 1 sigma: noise of the attitude's yaw. */
  get #yawNoise(): number {
    const { yawSigma } = this.settings;
    return this.#isSteadied ? STEADY_SHARE * yawSigma : yawSigma;
  }

  /** Metres by which the imu moves, more than the base, when that turns from where it was. */
  #swing(rotation: Quat): Vec3 {
    return subtract(turn(rotation, this.#lever), turn(this.#base.rotation, this.#lever));
  }

  #predictFelt(rotation: Quat): { position: Vec3; sigma: number; growth: number } {
    const growth = Math.sqrt(largest(this.#filter.stepSpread));
    const step = subtract(this.#filter.step, this.#swing(rotation));
    return { position: add(this.#base.position, step), sigma: 0.02 + growth, growth };
  }

  /** Sets the prior. */
  #expect(
    worldFromLens: Pose,
    sigma: number,
    yawVariance: number,
    tiltSigma = this.settings.tiltSigma,
  ): void {
    setPlacement(this.#prior.at, worldFromLens);
    setDiagonal(this.#prior.rotation, 1 / tiltSigma ** 2, 1 / tiltSigma ** 2, 1 / yawVariance);
    setDiagonal(this.#prior.position, 1 / sigma ** 2, 1 / sigma ** 2, 1 / sigma ** 2);
  }

  /** Registers from `#pose`; the share of the samples on known ground that fit, 0 when there are too few. */
  #register(input: TrackInput): number {
    const { chosen } = input;
    if (chosen.count < this.settings.minMatches) return 0;
    const { matched } = this.#registrar.register(
      chosen,
      this.#pose,
      this.#prior,
      this.#stages,
      worldSigma(this.doubt),
    );
    if (matched < this.settings.minMatches) return 0;
    return Math.min(1, matched / Math.max(1, this.#knownOf(chosen)));
  }

  /** How many samples are on known ground, where the coarse map has a surface; a part of a view may be new. */
  #knownOf(chosen: Samples): number {
    const stride = 4;
    this.coarse.match(this.#matches, chosen, this.#pose, this.coarse.voxelSize, stride);
    return stride * this.#matches.count;
  }

  #accept(input: TrackInput, dt: number, share: number, sigma: number, growth: number): TrackResult {
    const s = this.settings;
    const { attitude, baseFromLens, all } = input;
    // Back on ground that was seen before, a step has in it what the way there was bent by; what fits badly is no such ground.
    const { lead, matched } = this.#registrar.result;
    const isBack = share >= REGAINED_SHARE && matched >= OVERRULING_MATCHES;
    this.#mended = isBack ? lead - this.#lead : 0;
    this.#lead = lead;
    const { weak, thin } = this.#judgeAxes(input);
    if (this.#isBridged) this.#doubtHeld(input, weak, thin, dt);
    const isFree = weak.length + thin.length > 0;
    const rolled = this.#isBridged
      ? this.#stepFelt(input, [...weak, ...thin], dt)
      : isFree
        ? this.#roll(input, [...weak, ...thin], dt, growth)
        : null;
    if (rolled !== null) this.#doubtThin(input, weak, thin, rolled, dt);
    if (this.#isBridged) for (const k of thin) this.#measure(input, k, dt, FEW * STEP_HONESTY);
    const pull = this.#weigh(input, weak, thin, rolled, sigma, growth);
    if (pull === null) return this.#lose(input);
    this.#freed.fill(0);
    for (const k of weak) addSquare(this.#freed, this.#registrar.result.strength.axes, 3 * k, 1);
    for (let i = 0; i < 3; i++) this.#pose.position[i]! += pull[i]!;

    const base = compose(poseOf(this.#pose), invert(baseFromLens));
    const velocity = this.#isBridged
      ? this.#velocityFelt(base.rotation, dt)
      : this.#velocityTo(base, rolled === null ? weak : [...weak, ...thin], rolled, sigma, dt);
    // A place that is mended is no step of the base's: it tells nothing of how that moves.
    const isAgreed = !this.#isBridged || apart(base, this.#predictFelt(base.rotation)) <= AGREEING_STEP;
    if (this.#isBridged) this.#filter.mark();
    const [yawBefore] = toYawPitchRoll(this.#base.rotation);
    const [yawAfter] = toYawPitchRoll(base.rotation);
    this.#yawRate = wrapAngle(yawAfter - yawBefore) / dt;
    this.#followYaw(attitude, base, dt);
    this.#followTilt(attitude, base);
    this.#velocity = velocity;
    this.#goTo(base.position);
    this.#base = base;
    this.#heldAt = input.time;
    if (weak.length === 0) {
      this.#freeSince = input.time;
      this.#builtNow = 0;
      this.#heldFor += dt;
      const now = turn(conjugate(base.rotation), velocity);
      const gain = Math.min(1, dt / REST_MEMORY);
      this.#heldVelocity = scaleAndAdd(this.#heldVelocity, subtract(now, this.#heldVelocity), gain);
    }
    if (weak.length + thin.length === 0 && isAgreed) this.#rolling.see(base);
    else this.#rolling.interrupt();
    const isDisputed = (input.time - this.#disputedAt) / 1e6 < DISPUTED_SECONDS;
    const hold = weak.length > 0 ? "sliding" : this.#isMapDoubtful || isDisputed ? "carried" : "held";
    if (this.#settling !== null && this.#isSpeedKnown(input.time)) this.#settle(input);
    else if (this.#frames % s.fuseEvery === 0) {
      if (weak.length === 0) {
        this.#fuse(all, null);
        this.#level();
      } else
        this.#fuseFree(
          input,
          Float64Array.from(
            weak.flatMap((k) => [...this.#registrar.result.strength.axes.subarray(3 * k, 3 * k + 3)]),
          ),
        );
    }
    if (input.odometry !== null && weak.length === 0) this.#compare(input.time, input.odometry);
    else this.#compared.length = 0;
    return this.#done(input, hold, share);
  }

  /**
   * Axes of the geometry, by number, that depth does not hold, and those that only a few samples hold. `#information` is set to
   * what depth says along each.
   */
  #judgeAxes(input: TrackInput): { weak: number[]; thin: number[] } {
    const { strength, shares } = this.#registrar.result;
    const weak: number[] = [];
    const thin: number[] = [];
    const least = this.settings.minStrength;
    const hasOdometry = input.odometry !== null && this.#odometry !== null;
    this.#refuted.fill(0);
    for (let k = 0; k < 3; k++) {
      // What was free a moment ago must be held clearly before it counts as held again.
      const bar = quadratic(this.#freed, ...this.#axis(k)) > 0.5 ? 2 * least : least;
      // A clear hold is one; less may be feigned by the normals of a floor or wall, so samples must face the axis.
      // Odometry bounds what noise can feign: with it a little is enough.
      const isClear = shares[k]! >= (hasOdometry ? bar : CLEAR_STRENGTH * bar);
      const information = isClear ? strength.values[k]! : this.#facingInformation(k);
      this.#information[k] = information;
      if (!isClear) (HONESTY / information > FACING_SIGMA ** 2 ? weak : thin).push(k);
    }
    return { weak, thin };
  }

  /**
   * A few samples that face an axis may lie on the wrong thing. Where a base that rolls cannot have come from its last place,
   * they are not believed, and the axis becomes a weak one; while they insist, the place is less and less sure, until they are.
   */
  #doubtThin(input: TrackInput, weak: number[], thin: number[], rolled: CompletedStep, dt: number): void {
    const from = subtract(this.#lensAfter(input, rolled.step), this.#lens);
    for (const k of [...thin]) {
      const axis = this.#axis(k);
      const off = Math.abs(dot(axis, from));
      const variance = this.#doubtAfter(rolled, axis) ** 2 + HONESTY / this.#information[k]!;
      if (off * off <= THIN_SIGMAS ** 2 * variance) continue;
      thin.splice(thin.indexOf(k), 1);
      weak.push(k);
      this.#refuted[k] = (off * dt) / (THIN_SIGMAS * THIN_PATIENCE);
    }
    weak.sort();
  }

  /** Metres, 1 sigma: how sure the place along an axis is after a step of a rolling base. */
  #doubtAfter(rolled: CompletedStep, axis: Vec3): number {
    const known = Math.sqrt(Math.max(0, quadratic(this.#covariance, ...axis)));
    return Math.hypot(known + rootOf(rolled.steady, axis), rootOf(rolled.white, axis));
  }

  /** Where the registration has the lens. */
  get #lens(): Vec3 {
    const { position } = this.#pose;
    return [position[0]!, position[1]!, position[2]!];
  }

  #axis(k: number): Vec3 {
    const { axes } = this.#registrar.result.strength;
    return [axes[3 * k]!, axes[3 * k + 1]!, axes[3 * k + 2]!];
  }

  /** What the part of the step that depth holds says of the rest, for a base that rolls; null when nothing. */
  #roll(input: TrackInput, weak: readonly number[], dt: number, growth: number): CompletedStep | null {
    if (input.odometry !== null && this.#odometry !== null) return null;
    const base = compose(poseOf(this.#pose), invert(input.baseFromLens));
    const way = this.#wayTo(base.rotation);
    if (way === null) return null;
    const s = this.settings;
    const seen = subtract(base.position, this.#base.position);
    const held = [0, 1, 2].filter((k) => !weak.includes(k)).map((k) => this.#axis(k));
    const mean = scaled(this.#coast(base.rotation, Math.min(dt, 0.3)), ROLLING_ON ** dt);
    const angle = angleBetween(this.#base.rotation, base.rotation);
    const across = this.#rolling.sidewaysOf(Math.hypot(...mean), angle) + STEP_NOISE / 10;
    const along = s.speed * dt + 0.5 * s.acceleration * dt * dt;
    return completeStep(
      mean,
      spreadAlong(way, along, across),
      // Wheels seldom start sideways, but ahead they may at any time.
      spreadAlong(way, growth, across),
      held,
      held.map((axis) => dot(axis, seen)),
      STEP_NOISE,
    );
  }

  /** What the imu felt, what depth holds and how a base rolls say together of the step. */
  #stepFelt(input: TrackInput, free: readonly number[], dt: number): CompletedStep {
    const { rotation } = compose(poseOf(this.#pose), invert(input.baseFromLens));
    this.#surprised = this.#surprising;
    this.#surprising = [0, 0, 0];
    for (let k = 0; k < 3; k++) if (!free.includes(k)) this.#measure(input, k, dt);
    this.#keepRolling(rotation, dt);
    return {
      step: subtract(this.#filter.step, this.#swing(rotation)),
      steady: this.#filter.stepSpread,
      white: new Float64Array(9),
    };
  }

  /**
   * An axis that depth seems to hold, but where the base cannot have come to by all that the imu felt, is not believed either, and
   * becomes a weak one until it insists: less readily where depth holds them all.
   */
  #doubtHeld(input: TrackInput, weak: number[], thin: readonly number[], dt: number): void {
    for (let k = 0; k < 3; k++) {
      const limit = weak.length + thin.length > 0 ? THIN_SIGMAS : CLEAR_SIGMAS;
      if (weak.includes(k) || thin.includes(k)) continue;
      const axis = this.#axis(k);
      const { metres, variance } = this.#stepSeen(input, k);
      const spread = variance + quadratic(this.#covariance, ...axis);
      // Before anything was held, what fits far off fits by chance.
      const doubt = rootOf(this.#covariance, axis) + Math.sqrt(largest(this.#filter.stepSpread));
      const isChance = this.#isUnbegun && doubt > TRUSTED_DOUBT;
      if (!isChance && this.#filter.surprise(axis, metres, spread) <= limit * limit) continue;
      weak.push(k);
      this.#disputedAt = input.time;
      this.#refuted[k] = (Math.abs(metres - dot(axis, this.#filter.step)) * dt) / (limit * THIN_PATIENCE);
    }
    weak.sort();
  }

  /** The step of the imu's point that depth measured along an axis of the geometry: metres, m^2. */
  #stepSeen(
    { baseFromLens }: TrackInput,
    k: number,
    honesty = STEP_HONESTY,
  ): { metres: number; variance: number } {
    const { position, rotation } = compose(poseOf(this.#pose), invert(baseFromLens));
    const step = add(subtract(position, this.#base.position), this.#swing(rotation));
    const variance = STEP_NOISE ** 2 + honesty / this.#information[k]! + this.#mended ** 2;
    return { metres: dot(this.#axis(k), step), variance };
  }

  /** Tells the filter the step that depth measured along an axis of the geometry. */
  #measure(input: TrackInput, k: number, dt: number, honesty = STEP_HONESTY): void {
    const axis = this.#axis(k);
    const seen = this.#stepSeen(input, k, honesty);
    const { metres } = seen;
    // Where it was free until now the step has the doubt about the place in it.
    const wasFree = quadratic(this.#freed, ...axis) > 0.05;
    const variance = seen.variance + (wasFree ? quadratic(this.#covariance, ...axis) : 0);
    const off = metres - dot(axis, this.#filter.step);
    const surprise = this.#filter.correctStep(axis, metres, variance);
    if (surprise <= ROBUST ** 2) return;
    this.#disputedAt = input.time;
    // Depth may have slipped, and will be back with the next frame. If not, it was pushed harder than the imu can feel.
    if (off * dot(this.#surprised, axis) > 0) this.#filter.unsettle(axis, Math.abs(off) / (ROBUST * dt));
    this.#surprising = scaleAndAdd(this.#surprising, axis, off);
  }

  /** Tells the filter that a base on wheels does not go sideways, unless it does. */
  #keepRolling(rotation: Quat, dt: number): void {
    const way = this.#wayTo(rotation);
    if (way === null) return;
    const filter = this.#filter;
    const swing = this.#swing(rotation);
    const step = subtract(filter.step, swing);
    const along = Math.abs(dot(step, way)) + rootOf(filter.stepSpread, way);
    const angle = angleBetween(this.#base.rotation, rotation);
    const across = this.#rolling.sidewaysOf(along, angle) + STEP_NOISE / 10;
    const variance = across * across * Math.max(1, SIDEWAYS_SECONDS / dt);
    const side = unit(cross(Math.abs(way[2]) < 0.7 ? [0, 0, 1] : [1, 0, 0], way))!;
    const axes = [side, cross(way, side)];
    if (axes.some((axis) => filter.surprise(axis, dot(axis, swing), variance) > ASIDE_SIGMAS ** 2)) return;
    for (const axis of axes) filter.correctStep(axis, dot(axis, swing), variance);
  }

  /** Of the base, by the filter. */
  #velocityFelt(rotation: Quat, dt: number): Vec3 {
    return scaleAndAdd(this.#filter.velocity, this.#swing(rotation), -1 / dt);
  }

  /**
   * Along each axis of the geometry: what it says, as far as it can be trusted, against the prediction.
   * @returns by how much the pose must be moved for that; null when it cannot be where it seems to be
   */
  #weigh(
    input: TrackInput,
    weak: readonly number[],
    thin: readonly number[],
    rolled: CompletedStep | null,
    sigma: number,
    growth: number,
  ): Vec3 | null {
    const P = this.#covariance;
    const next = new Float64Array(9);
    const at: Vec3 = [this.#prior.at.position[0]!, this.#prior.at.position[1]!, this.#prior.at.position[2]!];
    const off = subtract(this.#lens, at);
    const ahead: Vec3 = rolled === null ? [0, 0, 0] : subtract(this.#lensAfter(input, rolled.step), at);
    let pull: Vec3 = [0, 0, 0];
    for (let k = 0; k < 3; k++) {
      const axis = this.#axis(k);
      const isWeak = weak.includes(k);
      const isRolled = rolled !== null && (isWeak || thin.includes(k));
      const information = this.#information[k]!;
      const before =
        (isRolled
          ? this.#doubtAfter(rolled, axis)
          : rootOf(P, axis) + growth * this.#unrest(input, ...axis)) + this.#refuted[k]!;
      if (!isWeak && before > TRUSTED_DOUBT) {
        // What holds after long doubt may be another thing than it seems. Where it was expected it is taken for what it seems,
        // and the doubt stays; elsewhere it is for the strict test of the lost.
        if (Math.abs(dot(axis, off)) > EXPECTED) return null;
        this.#built += before * before;
      }
      // A free axis has no more information than the noise of its normals feigns: none, for the covariance.
      const variance = isWeak ? before * before : 1 / (1 / (before * before) + information / HONESTY);
      addSquare(next, axis, 0, variance);
      if (!isWeak && !isRolled) continue;
      // Of the step along this axis the geometry's part stays; it carries the prior in it already.
      const doubt = !isRolled ? sigma : isWeak ? rootOf(rolled.steady, axis) : before;
      const keep = (information * doubt * doubt) / (information * doubt * doubt + HONESTY);
      this.#keeps[k] = keep;
      pull = scaleAndAdd(pull, axis, -(1 - keep) * dot(axis, subtract(off, ahead)));
    }
    P.set(next);
    return pull;
  }

  /** Where the lens is when the base has made a step, turned as the registration has it. */
  #lensAfter({ baseFromLens }: TrackInput, step: Vec3): Vec3 {
    const { rotation } = compose(poseOf(this.#pose), invert(baseFromLens));
    return compose({ rotation, position: add(this.#base.position, step) }, baseFromLens).position;
  }

  #velocityTo(
    base: Pose,
    weak: readonly number[],
    rolled: CompletedStep | null,
    sigma: number,
    dt: number,
  ): Vec3 {
    // A correction far beyond what the prediction allowed mends its place, and is no speed.
    const step = subtract(base.position, this.#base.position);
    const at = this.#prior.at.position;
    const offset = [0, 1, 2].map((i) => this.#pose.position[i]! - at[i]!) as [number, number, number];
    const size = Math.hypot(...offset);
    const excess = size > 3 * sigma ? 1 - (3 * sigma) / size : 0;
    const measured = scaled(scaleAndAdd(step, offset, -excess), 1 / dt);
    let velocity = measured;
    const left = this.settings.coasting ** dt;
    for (const k of weak) {
      // Along a free axis the step was the prediction's: to take the speed from it would feed its noise back. It fades, but for
      // what a rolling base's way along the held ones says.
      const axis = this.#axis(k);
      const expected = rolled === null ? left * dot(this.#velocity, axis) : dot(rolled.step, axis) / dt;
      velocity = scaleAndAdd(velocity, axis, (1 - this.#keeps[k]!) * (expected - dot(measured, axis)));
    }
    return velocity;
  }

  /**
   * Share of the usual doubt about the speed along an axis: little where the base did not move while depth still held it
   * (wheels seldom start sideways), all of it without such a memory or with odometry, which has errors of its own.
   */
  #unrest({ odometry }: TrackInput, a: number, b: number, c: number): number {
    if (this.#isBridged || this.#heldFor < REST_SECONDS || (odometry !== null && this.#odometry !== null))
      return 1;
    const [x, y, z] = turn(this.#base.rotation, this.#heldVelocity);
    return Math.min(1, REST_SHARE + Math.abs(a * x + b * y + c * z) / this.settings.speed);
  }

  /** What the samples that face an axis of the geometry say of it: the less, the fewer and the closer together they are. */
  #facingInformation(k: number): number {
    const axis = this.#registrar.result.strength.axes.subarray(3 * k, 3 * k + 3);
    const { count, spread, information } = this.#registrar.facing(this.#prior, axis);
    return (
      FEW * information * Math.min(1, count / FACING_COUNT) ** 2 * Math.min(1, spread / FACING_SPREAD) ** 2
    );
  }

  /** Depth could not be used: on by the prediction. */
  #carry(input: TrackInput, dt: number, predicted: Pose, growth: number): TrackResult {
    const s = this.settings;
    const { chosen, all, odometry, baseFromLens } = input;
    const hasOdometry = odometry !== null && this.#odometry !== null;
    widen(this.#covariance, growth);
    if (this.#isBridged) {
      this.#velocity = this.#velocityFelt(predicted.rotation, dt);
      this.#filter.mark();
    } else if (!hasOdometry) this.#velocity = scaled(this.#velocity, s.coasting ** dt);
    this.#goTo(predicted.position);
    this.#base = predicted;
    setPlacement(this.#pose, compose(predicted, baseFromLens));
    this.#compared.length = 0;
    const doubt = largest(this.#covariance);
    const isNew = chosen.count >= s.minMatches && this.#knownOf(chosen) < NEW_GROUND * chosen.count;
    if (isNew && this.#isUnbegun) this.#beginMap(input, new Float64Array([1, 0, 0, 0, 1, 0, 0, 0, 1]));
    else if (isNew && doubt <= this.#mostDoubt(input) ** 2) {
      // New ground, out of sight of the old: a map begins here.
      this.#build(Math.sqrt(doubt), all);
    }
    return this.#isCarriedTooFar(input, hasOdometry) ? this.#lose(input) : this.#done(input, "carried", 0);
  }

  /**
   * Whether what goes on without depth makes it lost: by doubt where the way is measured or felt; after a while where it is not, and
   * where nothing is seen at all, for a head that is covered may be carried anywhere.
   */
  #isCarriedTooFar({ time, chosen, isClear }: TrackInput, hasOdometry: boolean): boolean {
    const { lostSigma, patience, minMatches } = this.settings;
    if (hasOdometry) return this.slack > lostSigma;
    if (chosen.count >= minMatches && isClear !== false) this.#seenAt = time;
    const since = this.#isBridged ? Math.max(this.#heldAt, this.#seenAt) : this.#heldAt;
    return (time - since) / 1e6 > patience || (this.#isBridged && this.slack > this.#mostFelt);
  }

  #goTo(position: Vec3): void {
    const step = Math.hypot(...subtract(position, this.#base.position));
    this.#way += step;
    this.#drifted += step;
  }

  #lose(input: TrackInput): TrackResult {
    this.#notes.push({ what: "lost" });
    this.#confirmations = 0;
    this.#filter.stop();
    return this.#done(input, "lost", 0);
  }

  /** Lost: is this the last place after all, or another on the map? */
  #recover(input: TrackInput, dt: number): TrackResult {
    const s = this.settings;
    const { chosen, attitude, baseFromLens } = input;
    const rotation = this.#rotationFrom(attitude);
    const yawVariance = s.yawSigma ** 2 + this.#yawVariance;
    this.#velocity = [0, 0, 0];
    const { position, growth } = this.#predict(input.odometry, dt, rotation);
    const isBlind = input.odometry === null || this.#odometry === null;
    widen(this.#covariance, isBlind ? FASTEST * dt : growth);
    const last = { position };
    this.#base = { rotation, position: last.position };
    setPlacement(this.#pose, compose(this.#base, baseFromLens));
    if (chosen.count < s.minMatches) return this.#done(input, "lost", 0);
    // Drift is of one cause: since depth last held all, it has added up.
    const drifted = (s.yawDrift * (input.time - this.#freeSince)) / 1e6;
    const doubt = { tilt: s.tiltSigma, yaw: Math.min(Math.sqrt(yawVariance) + drifted, MOST_DRIFT) };
    if (this.#confirmations > 0) {
      // A place was found in the frame before: does this one agree?
      const before = this.#base.position;
      const guess = compose(this.#base, baseFromLens);
      if (this.#places.fits(chosen, guess, { ...doubt, position: 0.1 }, this.#stages) > 0) {
        const { pose } = this.#places;
        const moved = Math.hypot(...subtract(compose(pose, invert(baseFromLens)).position, before));
        const { lying } = this.#places;
        // Meanwhile the other places have their say: another that fits as well refutes this one.
        const other = this.#findElsewhere(input, rotation, { ...doubt, position: 0.3 });
        const isRefuted =
          other !== null && apart(other.pose, pose) > PLACE_RADIUS / 3 && other.upright > RIVAL * lying;
        const isLikely = moved <= 0.05 + FASTEST * dt && !isRefuted;
        if (isLikely) return this.#found(input, dt, pose, ++this.#confirmations);
      }
      this.#confirmations = 0;
    }
    const here = compose({ rotation, position: last.position }, baseFromLens);
    const known = { ...doubt, position: 0.3 };
    const radius = Math.min(s.searchRadius, 0.5 + 3 * Math.sqrt(largest(this.#covariance)));
    const near = this.#places.find(chosen, here, known, radius, this.coarse, this.#stages);
    const place = near ?? this.#findElsewhere(input, rotation, known);
    if (place !== null) return this.#found(input, dt, place.pose, ++this.#confirmations);
    return this.#done(input, "lost", 0);
  }

  /** Looks around one of the places that were seen before, another each time, far from where it was lost as they may be. */
  #findElsewhere(
    { chosen, baseFromLens }: TrackInput,
    rotation: Quat,
    doubt: PlaceDoubt,
  ): { readonly pose: Pose; readonly upright: number } | null {
    const position = this.places[this.#visited++ % Math.max(1, this.places.length)];
    if (position === undefined) return null;
    const guess = compose({ rotation, position }, baseFromLens);
    return this.#places.find(chosen, guess, doubt, PLACE_RADIUS, this.coarse, this.#stages);
  }

  #found(input: TrackInput, dt: number, worldFromLens: Pose, confirmations: number): TrackResult {
    const before = this.#base.position;
    setPlacement(this.#pose, worldFromLens);
    this.#base = compose(worldFromLens, invert(input.baseFromLens));
    if (confirmations === 1) this.#firstFound = this.#base;
    // Seen from one spot, another place may look the same: the view must have changed, unless nothing moves for long.
    const moved = compose(invert(this.#firstFound), this.#base);
    const isChanged =
      Math.hypot(...moved.position) > OTHER_VIEW ||
      angleBetween(moved.rotation, IDENTITY.rotation) > OTHER_ANGLE;
    const wanted = Math.max(CONFIRMATIONS, Math.min(this.places.length, STILL_CONFIRMATIONS));
    const isConfirmed = confirmations >= wanted && (isChanged || confirmations >= STILL_CONFIRMATIONS);
    if (!isConfirmed) return this.#done(input, "lost", 0);
    this.#covariance.fill(0);
    setDiagonal(this.#covariance, MAP_SIGMA ** 2, MAP_SIGMA ** 2, MAP_SIGMA ** 2);
    this.#notes.push({ what: "found", distance: Math.hypot(...subtract(this.#base.position, before)) });
    this.#heldAt = input.time;
    this.#freeSince = input.time;
    this.#confirmations = 0;
    this.#followYaw(input.attitude, this.#base, dt);
    const hold = this.#isMapDoubtful ? "carried" : "held";
    return this.#done(input, hold, 1);
  }

  /** The offset of the orientation's yaw follows what depth says; a jump is taken over at once. */
  #followYaw(attitude: Quat, base: Pose, dt: number): void {
    const yawSigma = this.#yawNoise;
    const off = angleAbout(base.rotation, this.#rotationFrom(attitude));
    const sigma = Math.sqrt(this.#yawVariance + yawSigma ** 2);
    if (Math.abs(off) > Math.max(LEAST_JUMP, JUMP_SIGMAS * sigma)) {
      this.#notes.push({ what: "yaw jump", angle: -off });
      this.#yawOffset += off;
      this.#yawVariance = yawSigma ** 2;
      return;
    }
    const gain = this.#yawVariance / (sigma * sigma);
    this.#yawOffset += gain * off;
    this.#yawVariance *= 1 - gain;
    if (!this.#isSteadied) return;
    const { yawDrift } = this.settings;
    const rate = this.#yawDrift + (DRIFT_GAIN * off) / dt;
    this.#yawDrift = Math.max(-yawDrift, Math.min(yawDrift, rate));
  }

  /** Mean difference in tilt between the map and the orientation, while the map is young. */
  #followTilt(attitude: Quat, base: Pose): void {
    if (this.#fused > LEVEL_AT.at(-1)!) return;
    const raw = multiply(fromYawPitchRoll(this.#yawOffset, 0, 0), attitude);
    const [x, y] = toRotationVector(multiply(base.rotation, conjugate(raw)));
    const n = ++this.#tilts;
    const [a, b] = [x + this.#levelled[0], y + this.#levelled[1]];
    this.#tilt = [this.#tilt[0] + (a - this.#tilt[0]) / n, this.#tilt[1] + (b - this.#tilt[1]) / n, 0];
  }

  /**
   * The first frame's tilt, with all its noise, would be the map's for ever: while the map is young it is turned to the
   * mean of all orientations so far.
   */
  #level(): void {
    if (!LEVEL_AT.includes(this.#fused)) return;
    const [x, y] = [this.#tilt[0] - this.#levelled[0], this.#tilt[1] - this.#levelled[1]];
    this.#levelled = this.#tilt;
    const correction = placement();
    setDiagonal(correction.rotation, 1, 1, 1);
    turnBy(correction.rotation, -x, -y, 0);
    this.fine.turn(correction.rotation, this.#start.position);
    this.coarse.turn(correction.rotation, this.#start.position);
    const turned = poseOf(correction).rotation;
    const move = (pose: Pose): Pose => ({
      rotation: multiply(turned, pose.rotation),
      position: add(turn(turned, subtract(pose.position, this.#start.position)), this.#start.position),
    });
    this.#turned = move(IDENTITY);
    setPlacement(this.#pose, move(poseOf(this.#pose)));
    this.#base = move(this.#base);
    this.#velocity = turn(turned, this.#velocity);
    this.#filter.turn(turned);
    if (this.#isBridged) this.#rolling.interrupt();
  }

  /** Fuses what does not depend on where the head is along the free axes, or all of it when something new ends them. */
  #fuseFree(input: TrackInput, free: Float64Array): void {
    const { all } = input;
    let isFaced = false;
    let doubt = 0;
    for (let k = 0; k < free.length; k += 3) {
      isFaced ||= this.#facing(all, free.subarray(k, k + 3)) > 0.05;
      doubt = Math.max(doubt, quadratic(this.#covariance, free[k]!, free[k + 1]!, free[k + 2]!));
    }
    // Nothing but what is free along these axes was seen yet: wherever the map begins in them, nothing lies elsewhere.
    if (isFaced && this.#isUnbegun) this.#beginMap(input, free);
    else if (isFaced && doubt <= this.#mostDoubt(input) ** 2) {
      // Something faces a free axis and is not on the map yet. It is where the head is thought to be.
      this.#build(Math.sqrt(doubt), all);
    } else if (free.length < 9) this.#fuse(all, free);
  }

  /** Metres, 1 sigma: carried on by what it feels, it is lost with more doubt; before it has held anything there is little to lose. */
  get #mostFelt(): number {
    return this.#isUnbegun ? this.settings.lostSigma : TRUSTED_DOUBT;
  }

  /** Whether depth has held nothing yet by which a place could be told from others, while the way so far is felt. */
  get #isUnbegun(): boolean {
    return this.#isBridged && this.#heldFor < FIRM_SECONDS;
  }

  /** A map begins where the base has come to since it was switched on. */
  #beginMap({ time, all }: TrackInput, free: Float64Array): void {
    const anchor = this.#anchor.slice();
    for (let i = 0; i < 9; i++) this.#anchor[i]! += this.#covariance[i]! + (i % 4 === 0 ? this.#built : 0);
    this.#built = 0;
    this.#builtNow = 0;
    this.#beginAnew(all);
    if (!this.#isTraced || this.#settling !== null) return;
    const axes = new Float64Array(9);
    for (let k = 0; k < free.length; k += 3) addSquare(axes, free, k, 1);
    this.#settling = { until: time + 1e6 * SETTLED_BY, free: axes, anchor };
  }

  /** What was seen so far lies where its speed was not known: of no use beside what is seen now. */
  #beginAnew(all: Samples): void {
    const { fine, coarse } = this.emptyMaps();
    this.fine = fine;
    this.coarse = coarse;
    this.#stages = this.#openStages();
    setDiagonal(this.#covariance, MAP_SIGMA ** 2, MAP_SIGMA ** 2, MAP_SIGMA ** 2);
    this.#fuse(all, null);
  }

  #isSpeedKnown(time: number): boolean {
    const left = (this.#settling!.until - time) / 1e6;
    const isKnown = largest(this.#filter.velocitySpread) <= SETTLED_SPEED ** 2;
    return left <= 0 || (isKnown && left <= SETTLED_BY - SETTLED_AFTER);
  }

  /** The speed that depth now tells says how fast the base had been from the start, and so how far it came until depth held it. */
  #settle({ all }: TrackInput): void {
    const { free, anchor } = this.#settling!;
    this.#settling = null;
    const filter = this.#filter;
    const { rotation, position } = this.#base;
    const swung = subtract(turn(this.#origin.rotation, this.#lever), turn(rotation, this.#lever));
    const off = add(add(this.#origin.position, filter.sum), subtract(swung, position));
    const shift = times(free, off);
    this.#base = { rotation, position: add(position, shift) };
    for (let i = 0; i < 3; i++) this.#pose.position[i]! += shift[i]!;
    this.places = this.places.map((place) => add(place, shift));
    this.#turned = { rotation: IDENTITY.rotation, position: shift };
    const doubt = sandwich(free, filter.sumSpread);
    for (let i = 0; i < 9; i++) this.#anchor[i] = anchor[i]! + doubt[i]!;
    this.#beginAnew(all);
    this.#heldFor = Math.max(this.#heldFor, FIRM_SECONDS);
    filter.forget();
  }

  /** Whether what hangs on the map is not called held. */
  get #isMapDoubtful(): boolean {
    return this.#built > HELD_DOUBT ** 2 || largest(this.#anchor) > HELD_DOUBT ** 2;
  }

  /** Adds new ground to the map where the head is thought to be: the doubt about that is built into it. */
  #build(doubt: number, all: Samples): void {
    // What slips in one slide adds up; what did in an earlier one is of another cause. The map has its own error anyway.
    const more = Math.max(0, doubt - MAP_SIGMA);
    this.#built += (2 * this.#builtNow + more) * more;
    this.#builtNow += more;
    setDiagonal(this.#covariance, MAP_SIGMA ** 2, MAP_SIGMA ** 2, MAP_SIGMA ** 2);
    this.#fuse(all, null);
  }

  /** With odometry a map may begin in doubt: the base knows how it came there. */
  #mostDoubt({ odometry }: TrackInput): number {
    return odometry !== null && this.#odometry !== null ? this.settings.lostSigma : MOST_DOUBT;
  }

  /** Share of the samples whose normal is along an axis. */
  #facing({ count, normal }: Samples, axis: Float64Array): number {
    const R = this.#pose.rotation;
    const lens = [0, 1, 2].map((j) => R[j]! * axis[0]! + R[3 + j]! * axis[1]! + R[6 + j]! * axis[2]!);
    let facing = 0;
    for (let k = 0; k < 3 * count; k += 3) {
      const c = normal[k]! * lens[0]! + normal[k + 1]! * lens[1]! + normal[k + 2]! * lens[2]!;
      if (Math.abs(c) > 0.6) facing++;
    }
    return count > 0 ? facing / count : 0;
  }

  #compare(time: number, odometry: Pose): void {
    const seen = this.#compared;
    seen.push({ time, odometry, base: this.#base });
    while (seen.length > 2 && (time - seen[1]!.time) / 1e6 >= COMPARED) seen.shift();
    const first = seen[0]!;
    if ((time - first.time) / 1e6 < COMPARED / 2) return;
    const rolled = compose(invert(first.odometry), odometry);
    const moved = compose(invert(first.base), this.#base);
    const distance = Math.hypot(...subtract(rolled.position, moved.position));
    const angle = Math.abs(wrapAngle(toYawPitchRoll(rolled.rotation)[0] - toYawPitchRoll(moved.rotation)[0]));
    const way = Math.max(Math.hypot(...rolled.position), Math.hypot(...moved.position));
    const slips = distance > SLIP_METRES + SLIP_SHARE * way || angle > SLIP_ANGLE;
    if (slips && !this.#slips) this.#notes.push({ what: "odometry disagrees", distance, angle });
    this.#slips = slips;
  }

  #done(input: TrackInput, hold: Hold, share: number): TrackResult {
    this.#frames++;
    this.#lastTime = input.time;
    this.#odometry = input.odometry;
    this.#hold = hold;
    return this.#result(hold, input, share, this.isFit);
  }

  #result(hold: Hold, input: TrackInput, share: number, isFit: boolean): TrackResult {
    const covariance = Array.from(this.#covariance);
    const map = worldSigma(this.doubt) ** 2;
    for (const i of [0, 4, 8]) covariance[i]! += map;
    const anchor = this.#anchor;
    for (let i = 0; i < 9; i++) covariance[i]! += anchor[i]!;
    // A floor in view holds the height above it; which part of the ground it is, is as unsure as the place.
    covariance[8]! += SLOPE ** 2 * (this.#covariance[0]! + this.#covariance[4]!);
    covariance[8]! += SLOPE ** 2 * (anchor[0]! + anchor[4]!);
    const yawSigma = Math.sqrt(this.#yawVariance) + 0.2 * DEGREE;
    const worldFromLens = compose(this.#base, input.baseFromLens);
    return {
      hold,
      worldFromBase: this.#base,
      worldFromLens,
      covariance,
      yawSigma,
      isSteady: isFit || this.#isSteady,
      isFit,
      share,
      notes: this.#notes,
      turned: this.#turned,
    };
  }

  #fuse(all: Samples, free: Float64Array | null): void {
    this.#fused++;
    const doubt = worldSigma(this.doubt);
    this.fine.fuse(all, this.#pose, this.fine.voxelSize / 2, free, doubt);
    this.coarse.fuse(all, this.#pose, this.coarse.voxelSize / 2, free, doubt);
  }
}

/** Metres, 1 sigma: how far the map near by may be off against the world's origin. */
export const worldSigma = ({ drifted, built }: WorldDoubt): number =>
  Math.sqrt((WORLD_SIGMA + MAP_DRIFT * drifted) ** 2 + built);

const apart = (a: Pick<Pose, "position">, b: Pick<Pose, "position">): number =>
  Math.hypot(...subtract(a.position, b.position));

/** How far `turned` is from `from` about the vertical, radians. */
const angleAbout = (turned: Quat, from: Quat): number =>
  toRotationVector(multiply(turned, conjugate(from)))[2];

/** v^T m v of a symmetric 3 x 3 matrix. */
function quadratic(m: Float64Array, x: number, y: number, z: number): number {
  return m[0]! * x * x + m[4]! * y * y + m[8]! * z * z + 2 * (m[1]! * x * y + m[2]! * x * z + m[5]! * y * z);
}

/** Square root of `quadratic`, for what can only be below 0 by rounding. */
const rootOf = (m: Float64Array, axis: Vec3): number => Math.sqrt(Math.max(0, quadratic(m, ...axis)));

/** m += k v v^T, v the three numbers from `at`. */
function addSquare(m: Float64Array, v: ArrayLike<number>, at: number, k: number): void {
  for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) m[3 * i + j]! += k * v[at + i]! * v[at + j]!;
}

const values = new Float64Array(3);
const vectors = new Float64Array(9);

function largest(m: Float64Array): number {
  eigenSymmetric(values, vectors, m, 3);
  return values[2]!;
}

/** Adds `sigma` to the standard deviation along every axis: errors of one cause add up, not their squares. */
function widen(m: Float64Array, sigma: number): void {
  eigenSymmetric(values, vectors, m, 3);
  m.fill(0);
  for (let k = 0; k < 3; k++) {
    const variance = (Math.sqrt(Math.max(0, values[k]!)) + sigma) ** 2;
    addSquare(m, vectors, 3 * k, variance);
  }
}

function setDiagonal(m: Float64Array, x: number, y: number, z: number): void {
  m.fill(0);
  m[0] = x;
  m[4] = y;
  m[8] = z;
}
