import type { Pose } from "../geometry/optics.ts";
import { planarOf } from "../geometry/rigid.ts";
import type { FloorSource, FootingLayer, FootingView } from "../guard/footing.ts";
import type { GlanceFrame } from "../guard/glance-frame.ts";
import { Guard, type Pace } from "../guard/guard.ts";
import { KeepOut, type KeepOutView, parseAreas } from "../guard/keep-out.ts";
import type { ReachNow } from "../guard/reach.ts";
import type { FloorLayer, FloorView } from "../map/floor.ts";
import type { BlockGrid, GridView } from "../map/grid.ts";
import type { ColumnSource, LayersView } from "../map/layers.ts";
import type { WallHits } from "../map/wall-hits.ts";
import type { DepthEvent, HeadEvent, KnockEvent, Setup } from "../sense/events.ts";
import { type FrozenNote, FrozenWatch, type ImageVerdict } from "../sense/frozen.ts";
import type { MaskResult } from "../sense/mask.ts";
import type { Revisits } from "../track/revisits.ts";
import { Answering } from "./answering.ts";
import { BlockedCells } from "./blocked-cells.ts";
import { judgeFloorcheck, takeKnock } from "./contacts.ts";
import type { JudgedFrame } from "./frame.ts";
import { FrameCounts } from "./frame-counts.ts";
import { Ground } from "./ground.ts";
import { GroundMotion } from "./ground-motion.ts";
import { Judging } from "./judging.ts";
import { LensChecks } from "./lens-checks.ts";
import { listOf } from "./lists.ts";
import type { Planar } from "./local-frame.ts";
import { MapShare } from "./map-share.ts";
import { Mapping } from "./mapping.ts";
import { Masking } from "./masking.ts";
import type { GlanceOutput, HeadOutput, ReachOutput } from "./outputs.ts";
import { type OpenTracking, Placing } from "./place.ts";
import { type Located, type PoseEvent, PoseSources } from "./pose-sources.ts";
import { type PlaceParts, requireFit, type SavedPlace } from "./saved-place.ts";
import { openSensors } from "./sensors.ts";
import { SettingError, type Settings } from "./settings.ts";
import { guardSettings } from "./stage-settings.ts";
import type { Placed } from "./tracking.ts";
import { WaiverInForce } from "./waiver.ts";

/** Settings that buffers and the grid depend on, so that they cannot change in a running head. */
const FIXED_SETTINGS = [
  "map.voxelSize",
  "orientation.lateness",
  "orientation.maxGap",
  "pose.maxGap",
  "track.voxelSize",
] as const;

/** A map that was cleared: voxels, heights of the floor, and the ground in the world. */
export interface ClearedMap {
  readonly grid: BlockGrid;
  readonly floor: FloorLayer;
  readonly walls: WallHits | null;
  readonly footing: FootingLayer;
}

export interface HeadOptions {
  /**
   * Called with the outputs so far as soon as the reach of a frame is among them. It does not wait for the mapping of the frame, so the map's
   * obstacles in that reach are those of the last frame.
   */
  readonly onReach?: (outputs: readonly HeadOutput[]) => void;
  /** Opens the tracking of poses, instead of the default. */
  readonly openTracking?: OpenTracking;
  /** Counts hits of walls, to measure distances between them. Nothing else depends on it. */
  readonly hasWalls?: boolean;
}

/**
 * The pipeline from events to outputs. Deterministic, without clock, randomness or I/O: the same events and settings give the same outputs and
 * the same map.
 *
 * The stages of a frame are, in this order: mask, glance, pose, reach and pace, floor and map, and every few frames the two-dimensional
 * layers. The glance needs no position and never waits. The later stages wait for the frame's pose (see `Placing`).
 */
export class Head {
  #setup: Setup;
  #settings: Settings;
  readonly #share = new MapShare();
  readonly #poses: PoseSources;
  #frozen: FrozenWatch;
  #lensChecks: LensChecks;
  #masking: Masking;
  #judging: Judging;
  readonly #placing: Placing<JudgedFrame>;
  readonly #mapping: Mapping;
  readonly #answering = new Answering();
  #guard: Guard;
  readonly #waiver = new WaiverInForce();
  readonly #onReach: HeadOptions["onReach"];
  readonly #outputs: HeadOutput[] = [];
  readonly #counts = new FrameCounts();
  /** Microseconds: the newest stamp of all events. */
  #now = Number.NEGATIVE_INFINITY;
  readonly #ground: Ground;
  readonly #groundMotion: GroundMotion;
  readonly #blocked = new BlockedCells();
  /** The place of an earlier run that is looked for; null without one. */
  #sought: SavedPlace | null = null;
  #keepOut: KeepOut;

  /** @throws {RangeError} that names the field, if optics, a setting, or their combination are not valid */
  constructor(
    setup: Setup,
    settings: Settings,
    { onReach, openTracking, hasWalls = false }: HeadOptions = {},
  ) {
    this.#setup = setup;
    this.#settings = settings;
    this.#onReach = onReach;
    const sensors = openSensors(setup, settings);
    // Made first, because it refuses too small voxels before other parts make tables for them.
    this.#mapping = new Mapping(sensors, settings, hasWalls);
    this.#guard = new Guard(guardSettings(settings));
    this.#ground = new Ground(settings["map.voxelSize"]);
    this.#guard.toWorld = (at) => this.#ground.local.toWorld(at);
    this.#keepOut = keepOutOf(settings, null);
    this.#poses = new PoseSources(setup, settings);
    this.#groundMotion = new GroundMotion(this.#ground, this.#poses);
    this.#frozen = openWatch(setup);
    this.#lensChecks = new LensChecks(sensors);
    this.#masking = new Masking(sensors);
    this.#judging = new Judging(sensors, this.#guard);
    this.#placing = new Placing(sensors, settings, this.#poses, {
      openTracking: openTracking ?? null,
      listener: {
        placed: (frame, placed) => this.#map(frame, placed),
        skipped: (skip) => {
          this.#outputs.push({ kind: "skipped", ...skip });
          if (this.#answering.isDue) this.#sayReach();
        },
      },
    });
  }

  get setup(): Setup {
    return this.#setup;
  }
  get settings(): Settings {
    return this.#settings;
  }
  get grid(): GridView {
    return this.#mapping.grid;
  }
  get floor(): FloorView {
    return this.#mapping.floor;
  }
  /** Hits of walls; null unless `hasWalls`. */
  get walls(): Pick<WallHits, "at"> | null {
    return this.#mapping.walls;
  }
  /** The areas that the base must not enter. */
  get keepOut(): KeepOutView {
    return this.#keepOut;
  }
  get layers(): LayersView {
    return this.#mapping.layers;
  }
  get footing(): FootingView {
    return this.#ground.footing;
  }
  /** The map of the floor, to be read tile by tile. */
  get floorSource(): FloorSource {
    return this.#ground.footing;
  }

  /** The map's blocked columns, to be read tile by tile. Other settings of the body replace it. */
  get columnSource(): ColumnSource {
    return this.#mapping.layers;
  }

  /** Last known pose of the base, and the height of the floor under it; null before the first, and while lost. */
  get place(): Pick<Located, "worldFromBase" | "floorHeight"> | null {
    return this.#answering.place;
  }

  /** Keyframes and loop closures of tracked poses; null when poses are given, or no keyframes are kept. */
  get revisits(): Revisits | null {
    return this.#placing.revisits;
  }

  /** The masked newest frame of a sensor, for display; null before the first. The next frame overwrites it. */
  maskedOf(sensor: number): Readonly<MaskResult> | null {
    return this.#masking.newestOf(sensor);
  }

  /** Reach from a pose in the world, by everything in memory. The next call overwrites it. */
  reachAt(x: number, y: number, yaw: number): Readonly<ReachNow> {
    const at = this.#ground.local.fromWorld({ x, y, yaw });
    return this.#guard.reach(at.x, at.y, at.yaw);
  }

  /** Pace from a pose in the world, by everything in memory. */
  paceAt(x: number, y: number, yaw: number): Pace {
    const at = this.#ground.local.fromWorld({ x, y, yaw });
    return this.#guard.pace(at.x, at.y, at.yaw);
  }

  /** The waiver in force at a time, microseconds. */
  waiverAt(time: number): ReachOutput["waiver"] {
    return this.#waiver.at(time);
  }

  /**
   * Replaces settings or sensors. The map, the floor and the state of poses stay. A frame that waits for its pose is left out.
   * @throws {SettingError} for a setting that cannot change in a running head
   * @throws {RangeError} like the constructor; nothing has changed then
   */
  change(settings: Settings, setup: Setup = this.#setup): void {
    for (const name of FIXED_SETTINGS) {
      if (settings[name] !== this.#settings[name]) {
        throw new SettingError(
          `${name} cannot change while the head runs: change it in the settings file, start again`,
        );
      }
    }
    const sensors = openSensors(setup, settings);
    const guard = new Guard(guardSettings(settings), this.#guard);
    const judging = new Judging(sensors, guard);
    const changeMapping = this.#mapping.prepare(sensors, settings);
    const changePlacing = this.#placing.prepare(sensors, settings);
    // From here on nothing can fail, so a refused change leaves the head as it was.
    if (setup !== this.#setup) {
      this.#frozen = openWatch(setup);
      this.#lensChecks = new LensChecks(sensors);
    }
    this.#settings = settings;
    this.#keepOut = keepOutOf(settings, this.#keepOut);
    this.#setup = setup;
    this.#guard = guard;
    guard.keepSensors(setup.sensors.map(({ name }) => name));
    guard.distrust(this.#frozen.isFrozen);
    this.#masking = new Masking(sensors);
    this.#judging = judging;
    this.#poses.change(setup, settings);
    changeMapping();
    changePlacing();
    this.#tellBlocked();
  }

  /** Clears the map. Its revision continues to count up. @returns the map of before, for `restore` */
  clear(): ClearedMap {
    const mapped = this.#mapping.clear();
    this.#placing.clear();
    this.#sought = null;
    this.#guard.forget();
    const footing = this.#ground.forgetWorld();
    this.#answering.forgetBrinks();
    this.change(this.#settings);
    return { ...mapped, footing };
  }

  /**
   * Puts a map that was cleared in place of the present one, which is lost. Its revision continues to count up. Poses go on as they are: the
   * world's frame did not change. The guard's memory near the base stays that of the frames since the map was cleared. Keyframes of before do
   * not return, so places of before are no loops.
   * @param cleared must not be used again
   */
  restore(cleared: ClearedMap): void {
    this.#mapping.restore(cleared);
    this.#ground.restoreWorld(cleared.footing);
    this.#answering.forgetBrinks();
    this.change(this.#settings);
  }

  /**
   * Replaces the map by a saved one. Its revision continues to count up.
   * @throws {RangeError} if the saved voxels have another size
   */
  load(saved: GridView): void {
    const { grid } = this.#mapping;
    if (saved.voxelSize !== grid.voxelSize) {
      throw new RangeError(`the saved map's voxels are ${saved.voxelSize} m, the head's ${grid.voxelSize} m`);
    }
    this.clear();
    this.#mapping.paste(saved);
  }

  /**
   * From now on looks for the place of an earlier run, while a map of this run grows. When it is recognised, the world is that of the earlier
   * run: its map and ground take the place of the present ones, this run's are added to them, and a note "place found" says so.
   * @param place must not be used again
   * @throws {RangeError} if its voxels have other sizes than the head's
   * @throws {SettingError} if poses are not tracked with keyframes
   */
  seek(place: SavedPlace): void {
    requireFit(place, this.#settings);
    this.#sought = place;
    this.#placing.seek(place.known);
  }

  /** No longer looks for the place of an earlier run: this one is another. */
  giveUpSeeking(): void {
    this.#sought = null;
    this.#placing.giveUpSeeking();
  }

  /** Whether the place of an earlier run is still looked for. */
  get isSeeking(): boolean {
    return this.#sought !== null;
  }

  /**
   * All that this run knows of its place, for `seek` in a later run. Null before the first frame, and unless poses are tracked with keyframes.
   * @param budget bytes of keyframes
   */
  memory(budget: number): PlaceParts | null {
    const known = this.#placing.memory(budget);
    if (known === null) return null;
    const { grid, floor } = this.#mapping;
    return { grid, floor, footing: this.#ground.footing, ...known, drawn: this.#settings };
  }

  /**
   * Takes one event. Events must come in the order of their arrival.
   * @returns its outputs; the array is reused, so read it before the next call
   */
  take(event: HeadEvent): readonly HeadOutput[] {
    this.#outputs.length = 0;
    this.#advance(event.time);
    switch (event.kind) {
      case "depth":
        this.#takeDepth(event);
        break;
      case "orientation":
      case "inertial":
      case "motion":
      case "mount":
      case "reference":
        this.#poses.take(event);
        this.#answering.takePoseEvent(this.#now);
        this.#watchStreams(event);
        break;
      case "knock":
        this.#takeKnock(event);
        break;
      case "floorcheck":
        this.#outputs.push(judgeFloorcheck(event, this.#localPlace, this.#guard));
        break;
      case "waiver":
        this.#outputs.push(this.#waiver.ask(event, this.#settings["guard.waiverLimit"]));
        break;
      case "shed":
        this.#share.change(event.level);
        break;
      case "mark":
        break; // a text in the recording for people
      default:
        event satisfies never;
    }
    if (event.kind !== "depth") {
      this.#placing.retry(event.time);
      if (this.#answering.isOverdue(this.#now)) this.#sayReach();
      if (this.#placing.isLostAt(event.time)) {
        this.#outputs.push({ kind: "track", time: event.time, note: { what: "lost" } });
      }
    }
    return this.#outputs;
  }

  /** Ends the stream of events: leaves out frames that still wait, and updates the layers to the last state of the map. */
  finish(): readonly HeadOutput[] {
    this.#outputs.length = 0;
    this.#answering.finish();
    this.#placing.finish();
    if (!this.#mapping.areLayersFresh) this.#updateLayers(this.#mapping.lastTime);
    return this.#outputs;
  }

  /** Advances the head's time to an event's stamp. A waiver may expire, and a silent sensor is reported at once. */
  #advance(time: number): void {
    if (!(time > this.#now)) return;
    this.#now = time;
    this.#guard.tick(time);
    const expired = this.#waiver.expire(time);
    if (expired !== null) this.#outputs.push(expired);
    if (this.#guard.isStaler) this.#sayReach();
  }

  /** Checks whether a stream repeats old content. A change is reported to the base at once. */
  #watchStreams(event: PoseEvent): void {
    const note = this.#frozen.take(event);
    if (note === null) return;
    this.#noteFrozen(event.time, note);
    this.#sayReach();
  }

  #takeDepth(event: DepthEvent): void {
    const { sensor, time, sequence, amplitude } = event;
    const unfit = this.#masking.unfit(event);
    if (unfit !== null) {
      this.#outputs.push({ kind: "skipped", ...unfit });
      return;
    }
    const isMapped = this.#share.isMapped(sensor);
    this.#placing.overtake(sensor, sequence);
    const { verdict, note } = this.#frozen.see(event);
    if (note !== null) this.#noteFrozen(time, note);
    const masked = this.#masking.apply(event);
    const pose = this.#poses.at(sensor, time);
    const levelFromLens = this.#poses.levelFromLens(sensor, time, pose);
    const fault = this.#lensChecks.take(event, levelFromLens);
    if (fault !== null) this.#outputs.push(fault);
    const judged = this.#judging.look(
      { sensor, masked, levelFromLens },
      amplitude,
      this.#ground.local.at(time),
    );
    if (judged !== null) this.#outputs.push(this.#glance(event, judged, verdict));
    const { depth, unitsPerMetre, tally } = masked;
    const isLive = verdict === "live" && !this.#frozen.isAttitudeFrozen;
    const showsRoom = isLive && judged?.sight !== "covered";
    const frame = {
      time,
      sensor,
      sequence,
      depth,
      unitsPerMetre,
      tally,
      isMapped,
      showsRoom,
      isLive,
      judged,
    };
    this.#placing.offer(frame, pose);
    if (this.#answering.isOverdue(this.#now)) this.#sayReach();
  }

  #noteFrozen(time: number, note: FrozenNote): void {
    this.#outputs.push({ kind: "frozen", time, ...note });
    this.#guard.distrust(this.#frozen.isFrozen);
  }

  #glance({ time, sensor, sequence }: DepthEvent, judged: GlanceFrame, verdict: ImageVerdict): GlanceOutput {
    // A frozen image is not a new view of the floor, whatever its stamp.
    this.#ground.watch(this.#guard, judged, time);
    if (verdict !== "frozen") this.#guard.watch(this.#setup.sensors[sensor]!.name, judged, time);
    this.#answering.takeFrame(time, this.#now);
    return {
      kind: "glance",
      time,
      sensor,
      sequence,
      sight: this.#frozen.isFrozen ? "frozen" : judged.sight,
      x: listOf(judged.endX),
      y: listOf(judged.endY),
      ends: listOf(judged.kind),
      drop: listOf(judged.drop),
      trim: [judged.trimPitch, judged.trimRoll],
    };
  }

  /** The later stages of a frame, once its pose is known: first its reach, then the map. */
  #map(frame: JudgedFrame, placed: Placed): void {
    const { time, sensor, sequence, judged } = frame;
    const { worldFromBase, worldFromLens, floorHeight, newFromOld } = placed;
    for (const note of placed.notes) this.#outputs.push({ kind: "track", time, note });
    if (placed.isPlaceFound && this.#sought !== null) this.#join(this.#sought, newFromOld!);
    else if (newFromOld !== null) {
      this.#mapping.remake(this.#placing.keyframes());
      this.#ground.moveWorld(...planarOf(newFromOld));
      this.#answering.forgetBrinks();
    }
    this.#groundMotion.follow(this.#guard, placed, time, this.#settings["pose.source"]);
    const [x, y] = worldFromBase.position;
    if (this.#keepOut.standAt(x, y) || this.#ground.local.liesOtherwise) this.#tellBlocked();
    const { name } = this.#setup.sensors[sensor]!;
    if (judged !== null) {
      const isKnown = placed.state?.hold !== "lost";
      // The local memory needs no certain pose in the world. The memory in the world does.
      if (isKnown && frame.isLive) this.#ground.remember(this.#guard, name, judged, time);
      if (placed.isFit && frame.isLive) this.#ground.rememberWorld(this.#guard, judged, time, placed);
      this.#answering.takePlace(isKnown ? placed : null, time);
      if (this.#answering.isDue) {
        this.#sayReach();
        this.#onReach?.(this.#outputs);
      }
    }
    const { revision, points, floorSamples, isRemade } = this.#mapping.add(frame, placed);
    if (isRemade) this.#updateLayers(time, floorHeight);
    this.#outputs.push({
      kind: "frame",
      time,
      sensor,
      sequence,
      missed: this.#counts.missedBefore(name, sequence),
      revision,
      worldFromBase,
      worldFromLens,
      tally: listOf(frame.tally),
      points,
      floorSamples,
      track: placed.state,
    });
    if (this.#mapping.areLayersDue) this.#updateLayers(time, floorHeight);
    if (this.#sought !== null) this.#placing.seekOn();
  }

  /** The place of an earlier run was recognised: continues in its world, with its map and ground. */
  #join({ grid, floor, footing }: SavedPlace, newFromOld: Pose): void {
    this.#sought = null;
    this.#mapping.join({ grid, floor }, this.#placing.ownKeyframes());
    this.#ground.join(footing, ...planarOf(newFromOld));
    this.#answering.forgetBrinks();
    this.#mapping.updateLayers();
    this.#tellBlocked();
  }

  /** Pose of the base in its local frame; null while it is not known. */
  get #localPlace(): Planar | null {
    return this.#answering.place === null ? null : this.#ground.local.place;
  }

  #sayReach(): void {
    const answer = this.#answering.answer({
      guard: this.#guard,
      ground: this.#ground,
      settings: this.#settings,
      now: this.#now,
      areLayersFresh: this.#mapping.areLayersFresh,
      waiver: this.#waiver.at(this.#now),
    });
    this.#outputs.push(answer);
  }

  #takeKnock(event: KnockEvent): void {
    const place = this.#localPlace;
    if (place === null) return;
    this.#outputs.push(takeKnock(event, place, this.#guard, this.#settings["map.voxelSize"]));
    this.#sayReach();
  }

  #updateLayers(time: number, floorHeight?: number): void {
    const columns = this.#mapping.updateLayers(floorHeight);
    this.#tellBlocked();
    this.#outputs.push({ kind: "layers", time, revision: this.#mapping.grid.frame, columns });
  }

  #tellBlocked(): void {
    this.#blocked.report(this.#mapping.layers, this.#keepOut, this.#ground, this.#guard);
  }
}

const keepOutOf = (settings: Settings, before: KeepOut | null): KeepOut =>
  new KeepOut(parseAreas(settings["guard.keepOut"]), settings["map.voxelSize"], before);

const openWatch = ({ sensors }: Setup): FrozenWatch => new FrozenWatch(sensors.map(({ optics }) => optics));
