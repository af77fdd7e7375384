import type { Optics, Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  compose,
  conjugate,
  fromYawPitchRoll,
  IDENTITY,
  invert,
  multiply,
  toMatrix,
  toYawPitchRoll,
  transformPoint,
} from "../geometry/rigid.ts";
import { parseFootprint } from "../guard/body.ts";
import type { Brink } from "../guard/footing.ts";
import type { GlanceFrame, Glancer } from "../guard/glance.ts";
import { Guard } from "../guard/guard.ts";
import { type EvidenceModel, evidenceTable } from "../map/evidence.ts";
import { FloorLayer } from "../map/floor.ts";
import { BlockGrid } from "../map/grid.ts";
import { Integrator } from "../map/integrate.ts";
import { BodyLayers, COLUMN } from "../map/layers.ts";
import { ScanIntegrator } from "../map/scan.ts";
import { AttitudeFilter } from "../sense/attitude.ts";
import type {
  DepthEvent,
  FloorcheckEvent,
  HeadEvent,
  InertialEvent,
  KnockEvent,
  MotionEvent,
  SensorSetup,
  Setup,
  WaiverEvent,
} from "../sense/events.ts";
import { InertialBuffer } from "../sense/inertial-buffer.ts";
import { DEFAULT_MASK_SETTINGS, DepthMask, type MaskResult } from "../sense/mask.ts";
import { OrientationBuffer } from "../sense/orientation.ts";
import { PoseBuffer } from "../sense/poses.ts";
import { SteadyAttitude } from "../sense/steady.ts";
import { Straightener } from "../sense/straighten.ts";
import type { KeyframeReader } from "../track/keyframes.ts";
import type { Revisits } from "../track/revisits.ts";
import { DEFAULT_SAMPLER_SETTINGS, FrameSampler } from "../track/sampler.ts";
import type { InertialInput } from "../track/tracker.ts";
import { MapShare } from "./map-share.ts";
import type { HeadOutput } from "./outputs.ts";
import { MapRemake } from "./remake.ts";
import { SettingError, type Settings } from "./settings.ts";
import { DepthTracking, type Placed, type Trackable, type Tracking } from "./tracking.ts";

const MICROSECONDS = 1e6;
const RADIANS = Math.PI / 180;
/** What buffers and the grid were made with. */
const FIXED_SETTINGS = [
  "map.voxelSize",
  "orientation.lateness",
  "orientation.maxGap",
  "pose.maxGap",
  "track.voxelSize",
] as const;
/** Poses kept of each source: some seconds at any usual rate. */
const POSES_KEPT = 512;
/** Microseconds without a sample after which an inertial sensor has stopped. */
const FELT = 50_000;
/** What a bare head has of a mask that it did not apply. */
const NO_REASONS = new Uint8Array(0);
const NO_TALLY = new Uint32Array(0);

/** Adds masked depth to a map; the number of pixels used. */
type Integrate = (depth: Uint16Array, rotation: Float64Array, position: Float64Array) => number;

/** One sensor's way from counts to the map. */
interface Channel {
  readonly setup: SensorSetup;
  readonly mask: DepthMask;
  readonly integrate: Integrate;
  /** The same into another grid; null for sensors whose frames are not kept. */
  readonly openIntegrate: ((grid: BlockGrid) => Integrate) | null;
  /** Whether its pixels can show floor: a planar scan's cannot. */
  readonly seesFloor: boolean;
  /** Turns its depth into samples for tracking; null for a planar scan, and when poses are given. */
  readonly sampler: FrameSampler | null;
  readonly mounts: PoseBuffer;
  readonly references: PoseBuffer;
  /** Judges its frames; null for lasers and for images too small to be judged. */
  readonly glance: Glancer | null;
  /** What it said of the newest frame; overwritten by the next. */
  judged: GlanceFrame | null;
  /** Whether something close was before the lens in the newest frame. */
  isCovered: boolean;
  /** What the mask left of the newest frame; overwritten by the next. */
  masked: MaskResult | null;
  lastSequence: number | null;
  /** A frame that waits for its pose; its arrays are the channel's own. */
  readonly waiting: WaitingFrame;
}

interface WaitingFrame {
  isWaiting: boolean;
  time: number;
  sequence: number;
  readonly counts: Uint16Array;
  readonly amplitude: Uint16Array;
  hasAmplitude: boolean;
  isMapped: boolean;
}

export interface HeadOptions {
  /**
   * Frames come masked already (their counts are what `DepthMask` leaves of them, in its unit) and judged (`Head.isClear`), and
   * only the map is wanted: no glance, reach or pace, and layers at the end alone. The map and the poses come out the same.
   */
  readonly isBare?: boolean;
  /** The other half of it: frames are masked (`Head.maskedOf`) and judged (`Head.isCovered`), and nothing else is made of them. */
  readonly isJudge?: boolean;
  /**
   * Opens what finds tracked poses, in place of the usual, which it may open; called at the first frame. What it opens is not
   * told of changed settings.
   */
  readonly openTracking?: (openUsual: () => Tracking) => Tracking;
}

/**
 * The pipeline: events in, outputs out. Deterministic: no clock, no randomness, no I/O; the same events and settings
 * give the same outputs and the same map.
 *
 * Order within a frame: mask, tilt trim, glance output, pose, reach and pace, floor, map, every few frames the two-dimensional
 * layers. The glance needs no position and never waits; the rest of a frame whose pose is not known yet does, one per sensor
 * and for a bounded time; a newer frame takes its place.
 */
export class Head {
  /** These four are replaced by `change` and `clear`, and by nothing else. */
  setup: Setup;
  settings: Settings;
  layers: BodyLayers;
  guard: Guard;
  readonly grid: BlockGrid;
  readonly floor: FloorLayer;
  #channels: readonly Channel[];
  readonly #orientations: OrientationBuffer;
  readonly #attitude = new AttitudeFilter();
  readonly #inertial = new InertialBuffer();
  readonly #steady = new SteadyAttitude();
  readonly #motions: PoseBuffer;
  readonly #references: PoseBuffer;
  readonly #headMounts: PoseBuffer;
  /**
   * Called with the outputs so far as soon as the reach of a frame is among them, before the frame is mapped: it does not wait for
   * the map, and what stands in the way it knows from the frame before.
   */
  onReach: ((outputs: readonly HeadOutput[]) => void) | null = null;
  /** Of a bare head: whether the frame taken next was found not to be covered. */
  isClear = true;
  readonly #share = new MapShare();
  readonly #isBare: boolean;
  readonly #isJudge: boolean;
  readonly #openInstead: HeadOptions["openTracking"];
  /** Made at the first frame, when poses are tracked; and the usual one, if it was made. */
  #tracking: Tracking | null = null;
  #usualTracking: DepthTracking | null = null;
  /** The map being made anew after a loop was closed. */
  #remake: MapRemake | null = null;
  /** Where the base stands when tracking starts: the world's origin, or where it was when the map was cleared. */
  #start: Pose = IDENTITY;
  #lastMotion = Number.NEGATIVE_INFINITY;
  #lastInertial = Number.NEGATIVE_INFINITY;
  #hasFusedOrientation = false;
  #sinceLayers = 0;
  #lastTime = 0;
  #lastFloor = 0;
  #outputs: HeadOutput[] = [];
  /** The newest place of the base that is known, and the height of the floor under it. */
  #base: Located | null = null;
  /** Gravity in the base's frame as it was last known: pitch and roll. */
  #tilt: readonly [pitch: number, roll: number] = [0, 0];
  #now = Number.NEGATIVE_INFINITY;
  #isLateSaid = false;
  #brinks: readonly Brink[] | null = null;
  #waiver: { readonly event: WaiverEvent; readonly until: number } | null = null;
  readonly #rotation = new Float64Array(9);
  readonly #position = new Float64Array(3);

  /** @throws {RangeError} if optics, a setting, or their combination are not valid, naming the field */
  constructor(setup: Setup, settings: Settings, options: HeadOptions = {}) {
    this.#isBare = options.isBare === true;
    this.#isJudge = options.isJudge === true;
    this.#openInstead = options.openTracking;
    this.setup = setup;
    this.settings = settings;
    this.grid = new BlockGrid(settings["map.voxelSize"]);
    this.floor = new FloorLayer(this.grid.voxelSize, {
      band: settings["floor.band"],
      slope: settings["floor.slope"] * RADIANS,
    });
    this.layers = this.#openLayers();
    this.#orientations = new OrientationBuffer({
      capacity: 1024,
      lateness: settings["orientation.lateness"] * MICROSECONDS,
      maxGap: settings["orientation.maxGap"] * MICROSECONDS,
    });
    const maxGap = settings["pose.maxGap"] * MICROSECONDS;
    this.#motions = new PoseBuffer(POSES_KEPT, maxGap);
    this.#references = new PoseBuffer(POSES_KEPT, maxGap);
    this.#headMounts = new PoseBuffer(POSES_KEPT, maxGap);
    this.guard = this.#openGuard(null);
    this.#channels = setup.sensors.map((sensor) => this.#open(sensor));
  }

  #openLayers(): BodyLayers {
    const { settings } = this;
    return new BodyLayers(
      this.grid,
      this.floor,
      { height: settings["body.height"], groundClearance: settings["body.groundClearance"] },
      // The field counts in cells, at most 254 of them.
      Math.min(settings["body.clearanceLimit"], 250 * settings["map.voxelSize"]),
    );
  }

  /** @param before whose memory of the ground it takes over */
  #openGuard(before: Guard | null): Guard {
    const { settings } = this;
    return new Guard(
      {
        body: {
          footprint: parseFootprint(settings["body.footprint"]),
          height: settings["body.height"],
          wheelRadius: settings["body.wheelRadius"],
          climbableStep: settings["body.climbableStep"],
          tolerableDrop: settings["body.tolerableDrop"],
          deceleration: settings["body.deceleration"],
          reactionDelay: settings["body.reactionDelay"],
        },
        cellSize: settings["map.voxelSize"],
        margin: settings["guard.margin"],
        maxReach: settings["guard.maxReach"],
        topSpeed: settings["guard.topSpeed"],
        topTurn: settings["guard.topTurn"],
        maxBlind: settings["guard.maxBlind"],
        memory: settings["guard.memory"],
        startTrust: settings["guard.startTrust"],
        knockRepeat: settings["guard.knockRepeat"],
        maxTrim: settings["guard.maxTrim"] * RADIANS,
        gate: settings["guard.gate"],
      },
      before,
    );
  }

  /**
   * Goes on with other settings or sensors. The map, the floor and what is known of poses stay; a frame that waits for its
   * pose is left out.
   * @throws {SettingError} for a setting that the map or the buffers were made with
   * @throws {RangeError} like the constructor; nothing has changed then
   */
  change(settings: Settings, setup: Setup = this.setup): void {
    for (const name of FIXED_SETTINGS) {
      if (settings[name] !== this.settings[name]) {
        throw new SettingError(
          `${name} cannot change while the head runs: change it in the settings file, start again`,
        );
      }
    }
    const before = { settings: this.settings, setup: this.setup, guard: this.guard };
    this.settings = settings;
    this.setup = setup;
    try {
      const layers = this.#openLayers();
      this.guard = this.#openGuard(before.guard);
      const known = new Map(this.#channels.map((channel) => [channel.setup.name, channel]));
      this.#channels = setup.sensors.map((sensor) => {
        const { mounts, references, lastSequence } = known.get(sensor.name) ?? {};
        const channel = this.#open(sensor);
        return mounts && references
          ? { ...channel, mounts, references, lastSequence: lastSequence ?? null }
          : channel;
      });
      // At once, or what stands in the way would be forgotten until the layers' next turn.
      layers.update(this.#lastFloor);
      this.layers = layers;
      this.guard.setBlocked((i, j) => layers.kindAt(i, j) === COLUMN.blocked, this.grid.frame);
      this.#usualTracking?.change(settings);
    } catch (error) {
      Object.assign(this, before);
      throw error;
    }
  }

  /** Forgets the map; revisions go on counting. */
  clear(): void {
    this.grid.clear();
    this.floor.clear();
    this.guard.forget();
    this.#brinks = null;
    this.#tracking = null;
    this.#usualTracking = null;
    this.#remake = null;
    this.change(this.settings);
  }

  #open(sensor: SensorSetup): Channel {
    const { settings, grid } = this;
    // A laser's few rays are walked one by one, and its noise grows little: it maps as far as it sees.
    const maxRange =
      sensor.optics.model === "scan"
        ? sensor.optics.maxRange
        : Math.min(sensor.optics.maxRange, settings["map.maxRange"]);
    const optics: Optics = { ...sensor.optics, maxRange };
    const mask = new DepthMask(optics, {
      ...DEFAULT_MASK_SETTINGS,
      minAmplitude: settings["mask.minAmplitude"],
      grazing: settings["mask.grazing"] * RADIANS,
      agreement: settings["mask.agreement"],
    });
    const model: EvidenceModel = {
      sigma0: settings["evidence.sigma0"],
      sigma2: settings["evidence.sigma2"],
      outlierShare: settings["evidence.outlierShare"],
      independence: settings["evidence.independence"],
      framesToClear: settings["evidence.framesToClear"],
    };
    const maxGap = settings["pose.maxGap"] * MICROSECONDS;
    const pixels = optics.width * optics.height;
    const isTracked = settings["pose.source"] === "tracked" && optics.model !== "scan";
    const channel = {
      setup: sensor,
      mask,
      sampler: isTracked
        ? new FrameSampler(mask.rays, { ...DEFAULT_SAMPLER_SETTINGS, wanted: settings["track.samples"] })
        : null,
      mounts: new PoseBuffer(POSES_KEPT, maxGap),
      references: new PoseBuffer(POSES_KEPT, maxGap),
      glance: this.#isBare
        ? null
        : this.guard.openGlancer(optics, mask.rays, mask.unitsPerMetre, DEFAULT_MASK_SETTINGS.noise),
      judged: null,
      isCovered: false,
      masked: null,
      lastSequence: null,
      waiting: {
        isWaiting: false,
        time: 0,
        sequence: 0,
        counts: new Uint16Array(pixels),
        amplitude: new Uint16Array(pixels),
        hasAmplitude: false,
        isMapped: true,
      },
    };
    const unitsPerMetre = mask.unitsPerMetre;
    if (optics.model === "scan") {
      const evidence = evidenceTable({ ...model, sigma2: 0 }, grid.voxelSize, maxRange, 1);
      const scan = new ScanIntegrator(grid, mask.rays, unitsPerMetre, maxRange, evidence);
      const integrate: Integrate = (depth, R, t) => scan.integrate(depth, R, t);
      return { ...channel, seesFloor: false, integrate, openIntegrate: null };
    }
    const straight = new Straightener(optics);
    const every = settings["map.carveEvery"];
    const evidence = evidenceTable(model, grid.voxelSize, maxRange, every);
    const openIntegrate = (into: BlockGrid): Integrate => {
      const integrator = new Integrator(into, { ...straight.view, unitsPerMetre, maxRange }, evidence, every);
      return (depth, R, t) => {
        integrator.integrate(straight.apply(depth), R, t);
        return integrator.counts.points;
      };
    };
    return { ...channel, seesFloor: true, integrate: openIntegrate(grid), openIntegrate };
  }

  /**
   * Takes one event; events come in the order in which they arrived.
   * @returns what followed from it; the array is reused, read it before the next call
   */
  take(event: HeadEvent): readonly HeadOutput[] {
    this.#outputs.length = 0;
    this.#goOn(event.time);
    switch (event.kind) {
      case "depth":
        this.#takeDepth(event);
        break;
      case "orientation":
        this.#hasFusedOrientation = true;
        this.#orientations.push(event.time, event.rotation);
        break;
      case "inertial":
        this.#takeInertial(event);
        break;
      case "motion":
        this.#motions.push(event.time, poseOfMotion(event));
        this.#lastMotion = event.time;
        break;
      case "mount":
        if (event.sensor === null) this.#headMounts.push(event.time, event.pose);
        else this.#channels[event.sensor]?.mounts.push(event.time, event.pose);
        break;
      case "reference":
        if (event.of === "base") this.#references.push(event.time, event.pose);
        else this.#channels[event.sensor]?.references.push(event.time, event.pose);
        break;
      case "knock":
        this.#takeKnock(event);
        break;
      case "floorcheck":
        this.#takeFloorcheck(event);
        break;
      case "waiver":
        this.#takeWaiver(event);
        break;
      case "shed":
        this.#share.change(event.level);
        break;
      case "mark":
        // Changes nothing.
        break;
      default:
        event satisfies never;
    }
    if (event.kind !== "depth") {
      this.#retryWaiting(event.time);
      const isMissing = this.#channels.every(({ waiting }) => !waiting.isWaiting);
      const isFelt = event.time - this.#lastInertial < FELT;
      if (isMissing && this.#tracking?.noFrameUntil(event.time, isFelt)) {
        this.#outputs.push({ kind: "track", time: event.time, note: { what: "lost" } });
      }
    }
    return this.#outputs;
  }

  #takeInertial({ time, gyro, accel }: InertialEvent): void {
    if (this.#hasFusedOrientation) {
      if (this.#inertial.push(time, gyro, accel)) this.#lastInertial = time;
    } else if (this.#attitude.push(time, gyro, accel)) {
      // Attitudes made of accelerations lean with every start and stop: they cannot tell those from gravity.
      this.#orientations.push(time, this.#attitude.rotation);
    }
  }

  /** What the mask left of a sensor's newest frame, to be looked at; null before the first. The next overwrites it. */
  maskedOf(sensor: number): MaskResult | null {
    return this.#channels[sensor]?.masked ?? null;
  }

  /** Whether something lies before a sensor's lens, by its newest frame. */
  isCovered(sensor: number): boolean {
    return this.#channels[sensor]?.isCovered === true;
  }

  /** Where the base was when it was last known, and the height of the floor under it; null before, and while lost. */
  get place(): { readonly worldFromBase: Pose; readonly floorHeight: number } | null {
    return this.#base;
  }

  /** Keyframes and loops of tracked poses; null when poses are given, or none are kept. */
  get revisits(): Revisits | null {
    return this.#usualTracking?.revisits ?? null;
  }

  /** No more events will come: frames still waiting are left out, and the layers follow the map's last state. */
  finish(): readonly HeadOutput[] {
    this.#outputs.length = 0;
    this.#channels.forEach((channel, sensor) => {
      const frame = channel.waiting;
      if (frame.isWaiting) this.#skip(sensor, frame.time, frame.sequence, "no pose", "the recording ended");
      frame.isWaiting = false;
    });
    if (this.#sinceLayers > 0) this.#updateLayers(this.#lastTime, this.#lastFloor, true);
    return this.#outputs;
  }

  #takeDepth(event: DepthEvent): void {
    const { sensor, time, sequence } = event;
    const channel = this.#channels[sensor];
    if (channel === undefined) {
      const detail = `sensor ${sensor} is not one of the ${this.#channels.length} in the setup`;
      this.#skip(sensor, time, sequence, "unfit", detail);
      return;
    }
    const isMapped = this.#share.isMapped(sensor);
    const pixels = channel.waiting.counts.length;
    const length = event.counts.length;
    if (length !== pixels || (event.amplitude !== null && event.amplitude.length !== pixels)) {
      this.#skip(sensor, time, sequence, "unfit", `${length} pixels, the sensor has ${pixels}`);
      return;
    }
    const frame = channel.waiting;
    if (frame.isWaiting) {
      this.#skip(sensor, frame.time, frame.sequence, "overtaken", `by frame ${sequence}`);
      frame.isWaiting = false;
    }
    const masked = this.#mask(channel, event.counts, event.amplitude);
    channel.masked = masked;
    channel.isCovered = this.#isBare && !this.isClear;
    const pose = this.#poseAt(channel, time);
    this.#glance(
      sensor,
      channel,
      time,
      sequence,
      masked,
      event.amplitude,
      typeof pose === "string" || "attitude" in pose ? null : pose,
    );
    if (this.#isJudge) return;
    if (pose === "not yet") {
      frame.isWaiting = true;
      frame.time = time;
      frame.sequence = sequence;
      frame.counts.set(event.counts);
      frame.hasAmplitude = event.amplitude !== null;
      frame.isMapped = isMapped;
      if (event.amplitude !== null) frame.amplitude.set(event.amplitude);
    } else if (typeof pose === "string") {
      this.#skip(sensor, time, sequence, "no pose", pose);
    } else {
      this.#map(sensor, channel, time, sequence, masked, pose, isMapped);
    }
  }

  #mask({ mask }: Channel, counts: Uint16Array, amplitude: Uint16Array | null): MaskResult {
    if (!this.#isBare) return mask.apply(counts, amplitude);
    return { depth: counts, reason: NO_REASONS, tally: NO_TALLY, unitsPerMetre: mask.unitsPerMetre };
  }

  #retryWaiting(now: number): void {
    for (let sensor = 0; sensor < this.#channels.length; sensor++) {
      const channel = this.#channels[sensor]!;
      const frame = channel.waiting;
      if (!frame.isWaiting) continue;
      const pose = this.#poseAt(channel, frame.time);
      if (pose === "not yet") {
        if (now - frame.time <= this.settings["pose.maxWait"] * MICROSECONDS) continue;
        this.#skip(sensor, frame.time, frame.sequence, "no pose", "none came in time");
      } else if (typeof pose === "string") {
        this.#skip(sensor, frame.time, frame.sequence, "no pose", pose);
      } else {
        const masked = this.#mask(channel, frame.counts, frame.hasAmplitude ? frame.amplitude : null);
        this.#map(sensor, channel, frame.time, frame.sequence, masked, pose, frame.isMapped);
      }
      frame.isWaiting = false;
    }
  }

  #skip(
    sensor: number,
    time: number,
    sequence: number,
    why: "no pose" | "overtaken" | "unfit",
    detail: string,
  ): void {
    this.#outputs.push({ kind: "skipped", time, sensor, sequence, why, detail });
  }

  /** Where the lens sits on the base at `time`; a mount that moves is interpolated, and holds its last place. */
  #baseFromLens(channel: Channel, time: number): Pose {
    const { mount } = channel.setup;
    const own = poseOr(channel.mounts, time, mount.pose);
    return mount.on === "base" ? own : compose(poseOr(this.#headMounts, time, this.setup.baseFromHead), own);
  }

  #poseAt(channel: Channel, time: number): Located | Trackable | "not yet" | string {
    const baseFromLens = this.#baseFromLens(channel, time);
    if (this.settings["pose.source"] === "tracked") return this.#trackableAt(baseFromLens, time);
    if (this.settings["pose.source"] === "odometry") {
      const worldFromBase = this.#odometryAt(time);
      if (typeof worldFromBase === "string") return worldFromBase;
      return { worldFromBase, worldFromLens: compose(worldFromBase, baseFromLens), floorHeight: 0 };
    }
    if (channel.references.count > 0) {
      const worldFromLens = channel.references.at(time);
      if (typeof worldFromLens === "string") return worldFromLens;
      // Nothing tells how high a free lens is above the floor but the world's own zero.
      return { worldFromBase: compose(worldFromLens, invert(baseFromLens)), worldFromLens, floorHeight: 0 };
    }
    const worldFromBase = this.#references.at(time);
    if (typeof worldFromBase === "string") return worldFromBase;
    const floorHeight = worldFromBase.position[2];
    return { worldFromBase, worldFromLens: compose(worldFromBase, baseFromLens), floorHeight };
  }

  /** The base's rotation by the orientation sensor. */
  #attitudeAt(time: number): { readonly rotation: Quat } | string {
    const imu = new Float64Array(4);
    const status = this.#orientations.at(time, imu);
    if (status !== "ok") return status;
    return { rotation: multiply(imu as unknown as Quat, conjugate(this.#baseFromImu(time).rotation)) };
  }

  #baseFromImu(time: number): Pose {
    return compose(poseOr(this.#headMounts, time, this.setup.baseFromHead), this.setup.headFromImu);
  }

  #trackableAt(baseFromLens: Pose, time: number): Trackable | string {
    const attitude = this.#attitudeAt(time);
    if (typeof attitude === "string") return attitude;
    let odometry: Pose | null = null;
    // Odometry that has stopped coming is not waited for.
    if (time - this.#lastMotion < this.settings["pose.maxWait"] * MICROSECONDS) {
      const planar = this.#motions.at(time);
      if (planar === "not yet") return planar;
      if (typeof planar !== "string") odometry = planar;
    }
    return { attitude: attitude.rotation, odometry, baseFromLens };
  }

  /** Finds the pose of a frame, and says whether it may be mapped. */
  #track(channel: Channel, time: number, { depth, unitsPerMetre }: MaskResult, at: Trackable): Placed {
    this.#tracking ??= this.#openTracking(channel, time, at);
    const placed = this.#tracking.place({
      ...(channel.sampler === null ? { ...at, inertial: null } : this.#steadied(at, time)),
      ...{ time, sensor: this.#channels.indexOf(channel), sampler: channel.sampler },
      ...{ depth, unitsPerMetre, isClear: !channel.isCovered, isFloorZero: channel.references.count > 0 },
    });
    for (const note of placed.notes) this.#outputs.push({ kind: "track", time, note });
    if (placed.newFromOld !== null) {
      this.#remakeMap(this.#tracking.keyframes());
      this.guard.move(...planar(placed.newFromOld));
      this.#brinks = null;
    }
    if (placed.state !== null) this.#start = placed.worldFromBase;
    return placed;
  }

  /** With what the imu felt since the frame before, and the attitude freed of noise by its gyro; without odometry only. */
  #steadied(at: Trackable, time: number): Trackable & { readonly inertial: InertialInput | null } {
    const span = this.#inertial.cut(time, this.#orientations);
    if (span === null || at.odometry !== null || this.settings["track.inertial"] === "ignored") {
      return { ...at, inertial: null };
    }
    const baseFromImu = this.#baseFromImu(time);
    const steady = this.#steady.follow(span);
    const { rotation, hasJumped } = steady ?? { rotation: null, hasJumped: false };
    const attitude = rotation === null ? at.attitude : multiply(rotation, conjugate(baseFromImu.rotation));
    return { ...at, attitude, inertial: { span, baseFromImu, isSteady: rotation !== null && !hasJumped } };
  }

  /** Begins to make the map anew from the keyframes as they lie now. */
  #remakeMap(keyframes: KeyframeReader): void {
    const stride = this.settings["floor.stride"];
    const open = new Map<number, Integrate>();
    this.#remake = new MapRemake(keyframes, this, (depth, keyframe, grid, floor) => {
      const channel = this.#channels[keyframe.sensor];
      if (!channel?.openIntegrate) return; // a sensor that is no more
      const integrate = open.get(keyframe.sensor) ?? channel.openIntegrate(grid);
      open.set(keyframe.sensor, integrate);
      const R = this.#unpack(keyframe.worldFromLens);
      const { rays } = channel.mask;
      if (rays.x.length !== depth.length) return;
      const { unitsPerMetre, floorHeight } = keyframe;
      grid.frame++;
      floor.addFrame(
        ...([depth, rays, unitsPerMetre, R, this.#position, floorHeight, grid.frame, stride] as const),
      );
      integrate(depth, R, this.#position);
    });
  }

  #openTracking(channel: Channel, time: number, { baseFromLens }: Trackable): Tracking {
    // Where a reference is known, it names the world; nothing but the start is taken from it.
    const lens = channel.references.at(time);
    const base = this.#references.at(time);
    let start = this.#start;
    if (typeof lens !== "string") start = compose(lens, invert(baseFromLens));
    else if (typeof base !== "string") start = base;
    const openUsual = () => {
      this.#usualTracking = new DepthTracking(start, this.settings);
      return this.#usualTracking;
    };
    return this.#openInstead?.(openUsual) ?? openUsual();
  }

  /** Place and heading from odometry, roll and pitch from orientation. */
  #odometryAt(time: number): Pose | string {
    const planar = this.#motions.at(time);
    if (typeof planar === "string") return planar;
    const attitude = this.#attitudeAt(time);
    if (typeof attitude === "string") return attitude;
    const [, pitch, roll] = toYawPitchRoll(attitude.rotation);
    const [yaw] = toYawPitchRoll(planar.rotation);
    return { rotation: fromYawPitchRoll(yaw, pitch, roll), position: planar.position };
  }

  #map(
    sensor: number,
    channel: Channel,
    time: number,
    sequence: number,
    masked: MaskResult,
    pose: Located | Trackable,
    isAllowed: boolean,
  ): void {
    const located =
      "attitude" in pose ? this.#track(channel, time, masked, pose) : { ...pose, isFit: true, state: null };
    const { worldFromBase, worldFromLens, floorHeight } = located;
    // A hand before the lens is no part of the room.
    const isSeen = isAllowed && located.isFit && !channel.isCovered;
    const isMapped = isSeen && this.#remake?.isReplacing !== true;
    if (channel.judged !== null) {
      const [x, y, yaw] = planar(worldFromBase);
      // What was seen from an unsure place is no memory of any; and lost, no memory says what is around: the glance stands alone.
      if (located.isFit) this.guard.remember(channel.judged, time, x, y, yaw, floorHeight);
      this.#base = located.state?.hold === "lost" ? null : located;
      this.#sayReach(time);
      this.onReach?.(this.#outputs);
    }
    const R = this.#unpack(worldFromLens);
    let revision = 0;
    let floorSamples = 0;
    let points = 0;
    if (isMapped) {
      revision = ++this.grid.frame;
      if (channel.seesFloor) {
        const { rays } = channel.mask;
        const stride = this.settings["floor.stride"];
        const { depth, unitsPerMetre } = masked;
        floorSamples = this.floor.addFrame(
          ...([depth, rays, unitsPerMetre, R, this.#position, floorHeight, revision, stride] as const),
        );
      }
      points = channel.integrate(masked.depth, R, this.#position);
    }
    if (this.#remake?.step()) {
      this.#remake = null;
      this.#updateLayers(time, floorHeight);
    }
    const last = channel.lastSequence;
    const missed = last === null ? 0 : Math.max(0, sequence - last - 1);
    channel.lastSequence = sequence;
    this.#outputs.push({
      kind: "frame",
      time,
      sensor,
      sequence,
      missed,
      revision,
      worldFromBase,
      worldFromLens,
      tally: listOf(masked.tally),
      points,
      floorSamples,
      track: located.state,
    });
    if (isMapped) {
      this.#lastTime = time;
      this.#lastFloor = floorHeight;
      if (++this.#sinceLayers >= this.settings["map.layersEvery"]) this.#updateLayers(time, floorHeight);
    }
  }

  /** Judges a frame by gravity and the lens's height. */
  #glance(
    sensor: number,
    channel: Channel,
    time: number,
    sequence: number,
    masked: MaskResult,
    amplitude: Uint16Array | null,
    pose: Located | null,
  ): void {
    const { guard } = this;
    if (channel.glance === null) return;
    const levelFromLens = this.#levelFromLens(channel, time, pose);
    const R = this.#unpack(levelFromLens);
    if (this.#isJudge) {
      channel.isCovered = channel.glance.judge(masked.depth, masked.reason, R, this.#position) === "covered";
      return;
    }
    const judged = channel.glance.look(masked.depth, masked.reason, amplitude, R, this.#position);
    channel.judged = judged;
    channel.isCovered = judged.sight === "covered";
    guard.watch(judged, time);
    if (!guard.isLate) this.#isLateSaid = false;
    const { room } = guard.straightRoom(judged);
    this.#outputs.push({
      kind: "glance",
      ...{ time, sensor, sequence, sight: judged.sight },
      x: listOf(judged.endX),
      y: listOf(judged.endY),
      ends: listOf(judged.kind),
      drop: listOf(judged.drop),
      trim: [judged.trimPitch, judged.trimRoll],
      ...{ room, pace: guard.speedFor(room) },
    });
  }

  /** The lens over the base's floor point, the base's axes turned upright: by the pose if it is known, else by gravity. */
  #levelFromLens(channel: Channel, time: number, pose: Located | null): Pose {
    if (pose !== null) {
      const [x, y, yaw] = planar(pose.worldFromBase);
      const [, pitch, roll] = toYawPitchRoll(pose.worldFromBase.rotation);
      this.#tilt = [pitch, roll];
      const upright: Pose = { rotation: fromYawPitchRoll(yaw, 0, 0), position: [x, y, pose.floorHeight] };
      return compose(invert(upright), pose.worldFromLens);
    }
    const attitude = this.#attitudeAt(time);
    if (typeof attitude !== "string") {
      const [, pitch, roll] = toYawPitchRoll(attitude.rotation);
      this.#tilt = [pitch, roll];
    }
    const rotation = fromYawPitchRoll(0, this.#tilt[0], this.#tilt[1]);
    return compose({ rotation, position: [0, 0, 0] }, this.#baseFromLens(channel, time));
  }

  /** A pose as the hot loops read it: its rotation row by row, which is returned, and `#position`. */
  #unpack(pose: Pose): Float64Array {
    const m = toMatrix(pose);
    for (let row = 0; row < 3; row++) {
      for (let col = 0; col < 3; col++) this.#rotation[3 * row + col] = m[4 * col + row]!;
      this.#position[row] = m[12 + row]!;
    }
    return this.#rotation;
  }

  /** Reach and pace from the newest place that is known. */
  #sayReach(time: number): void {
    const { guard } = this;
    if (this.#base === null) return;
    const [x, y, yaw] = planar(this.#base.worldFromBase);
    const { distance, ends, age } = guard.reach(x, y, yaw);
    const waiver = this.#waiver;
    this.#outputs.push({
      kind: "reach",
      ...{ time, age: guard.blindFor, sight: guard.isLate ? "late" : guard.sight },
      distance: listOf(distance),
      ends: listOf(ends),
      ages: listOf(age),
      pace: guard.pace(x, y, yaw),
      brinks: this.#brinksAt(x, y),
      waiver:
        waiver === null
          ? null
          : {
              direction: waiver.event.direction,
              reason: waiver.event.reason,
              left: (waiver.until - this.#now) / MICROSECONDS,
            },
    });
  }

  /** Edges near by; followed as often as the layers, for they are to be looked at: reach and pace do not go by them. */
  #brinksAt(x: number, y: number): readonly Brink[] {
    if (this.#sinceLayers === 0 || this.#brinks === null) this.#brinks = this.guard.brinks(x, y);
    return this.#brinks;
  }

  /** Time goes on: what expires does, and a head that has seen nothing for too long says so, once. */
  #goOn(time: number): void {
    if (!(time > this.#now)) return;
    this.#now = time;
    this.guard.tick(time);
    const waiver = this.#waiver;
    if (waiver !== null && time >= waiver.until) {
      this.#waiver = null;
      const { direction, reason } = waiver.event;
      this.#outputs.push({ kind: "waiver", time, direction, reason, state: "expired", seconds: 0 });
    }
    if (this.#base !== null && this.guard.isLate && !this.#isLateSaid) {
      this.#isLateSaid = true;
      this.#sayReach(time);
    }
  }

  #takeWaiver(event: WaiverEvent): void {
    const { time, direction, reason } = event;
    const say = (state: "begun" | "withdrawn" | "refused", seconds: number) =>
      this.#outputs.push({ kind: "waiver", time, direction, reason, state, seconds });
    if (event.seconds === 0 && this.#waiver !== null) {
      this.#waiver = null;
      say("withdrawn", 0);
    } else if (!(event.seconds > 0) || reason.trim() === "") {
      say("refused", 0);
    } else {
      const seconds = Math.min(event.seconds, this.settings["guard.waiverLimit"]);
      this.#waiver = { event, until: time + seconds * MICROSECONDS };
      say("begun", seconds);
    }
  }

  /** A point of the base in the world, by the newest place that is known. */
  #worldOf(point: Vec3): Vec3 | null {
    return this.#base === null ? null : transformPoint(this.#base.worldFromBase, point);
  }

  #takeKnock({ time, point }: KnockEvent): void {
    const place = this.#worldOf(point);
    if (place === null) return;
    const isRepeat = !this.guard.knock(time, place[0], place[1]);
    if (!isRepeat) {
      // What was hit lies beyond the bumper's own cell, too.
      const out = 1 + this.settings["map.voxelSize"] / Math.max(0.01, Math.hypot(point[0], point[1]));
      const [x, y] = this.#worldOf([point[0] * out, point[1] * out, point[2]])!;
      this.guard.footing.addKnock(x, y);
    }
    this.#outputs.push({ kind: "knock", time, point, isRepeat });
    this.#sayReach(time);
  }

  #takeFloorcheck({ time, point, alarm }: FloorcheckEvent): void {
    const place = this.#worldOf([point[0], point[1], 0]);
    const [x, y] = place ?? [Number.NaN, Number.NaN];
    const evidence = this.guard.footing.cellAt(x, y);
    const verdict = place === null ? "cannot see" : this.guard.judgeFloorcheck(x, y, alarm);
    const age = (time - evidence.time) / MICROSECONDS;
    this.#outputs.push({ kind: "finding", time, point, alarm, verdict, evidence, age });
  }

  #updateLayers(time: number, floorHeight: number, isLast = false): void {
    if (this.#isBare && !isLast) return;
    this.#sinceLayers = 0;
    const columns = this.layers.update(floorHeight);
    const { layers } = this;
    this.guard.setBlocked((i, j) => layers.kindAt(i, j) === COLUMN.blocked, this.grid.frame);
    this.#outputs.push({ kind: "layers", time, revision: this.grid.frame, columns });
  }
}

interface Located {
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  /** z of the floor below the base. */
  readonly floorHeight: number;
}

/** x, y and heading of a pose. */
function planar({ rotation, position }: Pose): readonly [x: number, y: number, yaw: number] {
  return [position[0], position[1], toYawPitchRoll(rotation)[0]];
}

function poseOr(buffer: PoseBuffer, time: number, otherwise: Pose): Pose {
  if (buffer.count === 0) return otherwise;
  const pose = buffer.at(time);
  return typeof pose === "string" ? (pose === "not yet" ? (buffer.last ?? otherwise) : otherwise) : pose;
}

function poseOfMotion({ pose: [x, y, yaw] }: MotionEvent): Pose {
  const position: Vec3 = [x, y, 0];
  return { ...IDENTITY, rotation: fromYawPitchRoll(yaw, 0, 0), position };
}

/** What `Array.from` gives, which goes through an iterator for each number. */
function listOf(values: Float32Array | Uint8Array | Uint32Array | Int32Array): number[] {
  const out = new Array<number>(values.length);
  for (let n = 0; n < values.length; n++) out[n] = values[n]!;
  return out;
}
