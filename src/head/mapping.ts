import { evidenceTable } from "../map/evidence.ts";
import { FloorLayer } from "../map/floor.ts";
import { BLOCK_VOXELS, BlockGrid, type GridView } from "../map/grid.ts";
import { Integrator } from "../map/integrate.ts";
import { BodyLayers } from "../map/layers.ts";
import { GridReplacement } from "../map/replace.ts";
import { ScanIntegrator } from "../map/scan.ts";
import { WallHits } from "../map/wall-hits.ts";
import { Straightener } from "../sense/straighten.ts";
import { type KeyframeReader, type KeyframeView, unpackDepth } from "../track/keyframes.ts";
import { type Placement, placement, setPlacement } from "../track/placement.ts";
import type { MaskedFrame } from "./frame.ts";
import { type MapParts, MapRemake } from "./remake.ts";
import type { OpenSensor } from "./sensors.ts";
import type { Settings } from "./settings.ts";
import { clearanceLimit, evidenceModel, floorSettings, layersBody } from "./stage-settings.ts";
import type { Placed } from "./tracking.ts";

/** Adds masked depth to a map; returns the number of pixels used. */
type Integrate = (depth: Uint16Array, lens: Placement) => number;

/** One sensor's way into the map. */
interface MappedSensor {
  readonly sensor: OpenSensor;
  readonly integrate: Integrate;
  /** The same into another grid, for rebuilding; null for a planar scan, which has no keyframes and cannot show floor. */
  readonly openIntegrate: ((grid: BlockGrid) => Integrate) | null;
}

/** What a frame did to the map. */
export interface Mapped {
  /** Revision of the map with the frame in it; 0 when it was not written. */
  readonly revision: number;
  /** Pixels used as hits, and floor samples taken. */
  readonly points: number;
  readonly floorSamples: number;
  /** Whether the rebuilt map has taken the place of the old one with this frame. */
  readonly isRemade: boolean;
}

/** Columns of the images for which `floor.stride` is meant. */
const USUAL_WIDTH = 240;

/** Fourth stage: the voxel map, the floor's heights and, every few frames, the layers for this body. */
export class Mapping {
  readonly grid: BlockGrid;
  readonly floor: FloorLayer;
  /** Null unless it was asked for: only measuring needs it. */
  readonly walls: WallHits | null;
  #layers: BodyLayers;
  #settings: Settings;
  #sensors: readonly MappedSensor[];
  /** The rebuilding of the map after a loop closure, while it lasts. */
  #remake: MapRemake | null = null;
  /** Keyframes of this run that the map of an earlier run lacks; null without any. */
  #catchUp: KeyframeReader | null = null;
  readonly #lens = placement();
  #sinceLayers = 0;
  /** Microseconds and metres: when the newest mapped frame was taken, and where the floor was under the base then. */
  #lastTime = 0;
  #lastFloor = 0;
  /** Whether the map has parts that no keyframe shows: those of an earlier run, or from before it was cleared. */
  hasOlderParts = false;

  /**
   * @param hasWalls whether hits of walls are counted
   * @throws {RangeError} if a sensor or a setting does not fit
   */
  constructor(sensors: readonly OpenSensor[], settings: Settings, hasWalls = false) {
    this.#settings = settings;
    this.grid = new BlockGrid(settings["map.voxelSize"]);
    this.floor = new FloorLayer(this.grid.voxelSize, floorSettings(settings));
    this.walls = hasWalls ? new WallHits(settings["body.height"]) : null;
    this.#layers = this.#openLayers(settings);
    this.#sensors = sensors.map((sensor) => openSensor(sensor, settings, this.grid));
  }

  #openLayers(settings: Settings): BodyLayers {
    return new BodyLayers(this.grid, this.floor, layersBody(settings), clearanceLimit(settings));
  }

  /** For this body; replaced when settings change. */
  get layers(): BodyLayers {
    return this.#layers;
  }

  get lastTime(): number {
    return this.#lastTime;
  }

  /** Whether the layers are as new as the map. */
  get areLayersFresh(): boolean {
    return this.#sinceLayers === 0;
  }

  /** Whether `map.layersEvery` frames were mapped since the layers were updated. */
  get areLayersDue(): boolean {
    return this.#sinceLayers >= this.#settings["map.layersEvery"];
  }

  /**
   * Prepares other settings or sensors: nothing changes until the returned function is called. The map and the floor stay.
   * @throws {RangeError} if they do not fit
   */
  prepare(sensors: readonly OpenSensor[], settings: Settings): () => void {
    const layers = this.#openLayers(settings);
    const mapped = sensors.map((sensor) => openSensor(sensor, settings, this.grid));
    return () => {
      this.#settings = settings;
      this.#sensors = mapped;
      // Immediately, or obstacles would be forgotten until the next update of the layers.
      layers.update(this.#lastFloor);
      this.#layers = layers;
      if (this.walls !== null) this.walls.height = settings["body.height"];
    };
  }

  /** Forgets the map. Revisions continue from where they are. @returns the map of before */
  clear(): MapParts {
    const before = {
      grid: new BlockGrid(this.grid.voxelSize),
      floor: new FloorLayer(this.floor.columnSize, this.floor.settings),
      walls: this.walls && new WallHits(this.walls.height),
    };
    this.#swap(before);
    this.hasOlderParts = false;
    return before;
  }

  /** Puts a map from before it was cleared in place of the present one, in a new revision. */
  restore(before: MapParts): void {
    this.#swap(before);
    this.grid.frame++;
    this.hasOlderParts = true;
  }

  #swap({ grid, floor, walls }: MapParts): void {
    this.grid.swap(grid);
    this.floor.swap(floor);
    if (walls !== null) this.walls?.swap(walls);
    this.#remake = null;
    this.#catchUp = null;
  }

  /** Adds all of another map with voxels of the same size, in a revision of its own, which is later than both maps'. */
  paste(saved: GridView): void {
    const { grid } = this;
    this.hasOlderParts = true;
    grid.frame = Math.max(grid.frame, saved.frame) + 1;
    const voxels = new Uint8Array(BLOCK_VOXELS);
    for (let id = 0; id < saved.count; id++) {
      saved.copyBlock(id, voxels);
      grid.pasteBlock(saved.keyOf(id), voxels, grid.frame);
    }
  }

  /**
   * Puts the map of an earlier run in place of the present one, in a new revision, and adds this run's keyframes to it, one with each frame.
   * @param saved must not be used again
   */
  join({ grid, floor }: Pick<MapParts, "grid" | "floor">, keyframes: KeyframeReader): void {
    this.#remake = null;
    this.grid.frame++;
    new GridReplacement(this.grid, grid).step(Number.POSITIVE_INFINITY);
    this.floor.become(floor);
    if (this.walls !== null) this.walls.swap(new WallHits(this.walls.height));
    this.hasOlderParts = true;
    this.#catchUp = keyframes;
  }

  /** Adds the next keyframe that a joined map lacks. */
  #catchUpOne(): void {
    const keyframe = this.#catchUp?.next() ?? null;
    if (keyframe === null) {
      this.#catchUp = null;
      return;
    }
    const mapped = this.#sensors[keyframe.sensor];
    if (!keyframe.isSound || !mapped?.openIntegrate || mapped.sensor.mask.rays.x.length !== keyframe.pixels)
      return;
    const depth = unpackDepth(new Uint16Array(keyframe.pixels), keyframe);
    const { grid, floor, walls } = this;
    const { integrate, sensor } = mapped;
    this.#addKeyframe(depth, keyframe, { grid, floor, walls, integrate, sensor });
  }

  /** Writes a frame to the map if it qualifies, and does one step of rebuilding the map. */
  add(frame: MaskedFrame, { worldFromLens, floorHeight, isFit }: Placed): Mapped {
    const { depth, unitsPerMetre, isMapped, showsRoom, sensor } = frame;
    const isWritten = isMapped && isFit && showsRoom && this.#remake?.isReplacing !== true;
    let [revision, points, floorSamples] = [0, 0, 0];
    if (isWritten) {
      const lens = this.#lens;
      setPlacement(lens, worldFromLens);
      const { integrate, openIntegrate, sensor: open } = this.#sensors[sensor]!;
      revision = ++this.grid.frame;
      if (openIntegrate !== null) {
        floorSamples = this.floor.addFrame({
          depth,
          rays: open.mask.rays,
          unitsPerMetre,
          rotation: lens.rotation,
          position: lens.position,
          floorHeight,
          frame: revision,
          ...this.#floorSteps(open.mask.rays.width),
        });
        this.walls?.addFrame({ sensor, depth, rays: open.mask.rays, unitsPerMetre, lens, floorHeight });
      }
      points = integrate(depth, lens);
    }
    if (this.#catchUp !== null) this.#catchUpOne();
    const isRemade = this.#remake?.step() === true;
    if (isRemade) this.#remake = null;
    if (isWritten) {
      this.#lastTime = frame.time;
      this.#lastFloor = floorHeight;
      this.#sinceLayers++;
    }
    return { revision, points, floorSamples, isRemade };
  }

  /** An image narrower than usual is sampled more densely: each column of the map gets as many samples. */
  #floorSteps(width: number): { readonly step: number; readonly stride: number } {
    const stride = this.#settings["floor.stride"];
    const step = Math.max(1, Math.min(stride, Math.round((stride * width) / USUAL_WIDTH)));
    return { step, stride };
  }

  /** Brings the layers up to the map's revision. Returns how many columns of blocks had changed. */
  updateLayers(floorHeight = this.#lastFloor): number {
    this.#sinceLayers = 0;
    return this.#layers.update(floorHeight);
  }

  /** Begins to rebuild the map from keyframes. */
  remake(keyframes: KeyframeReader): void {
    const open = new Map<number, Integrate>();
    this.#remake = new MapRemake(keyframes, this, (depth, keyframe, { grid, floor, walls }) => {
      const mapped = this.#sensors[keyframe.sensor];
      if (!mapped?.openIntegrate) return; // a sensor that was removed
      const integrate = open.get(keyframe.sensor) ?? mapped.openIntegrate(grid);
      open.set(keyframe.sensor, integrate);
      this.#addKeyframe(depth, keyframe, { grid, floor, walls, integrate, sensor: mapped.sensor });
    });
  }

  #addKeyframe(
    depth: Uint16Array,
    { sensor, worldFromLens, unitsPerMetre, floorHeight }: KeyframeView,
    into: MapParts & { integrate: Integrate; sensor: OpenSensor },
  ): void {
    const { rays } = into.sensor.mask;
    if (rays.x.length !== depth.length) return;
    const lens = this.#lens;
    setPlacement(lens, worldFromLens);
    into.grid.frame++;
    into.floor.addFrame({
      depth,
      rays,
      unitsPerMetre,
      rotation: lens.rotation,
      position: lens.position,
      floorHeight,
      frame: into.grid.frame,
      ...this.#floorSteps(rays.width),
    });
    into.walls?.addFrame({ sensor, depth, rays, unitsPerMetre, lens, floorHeight });
    into.integrate(depth, lens);
  }
}

/** @throws {RangeError} if the optics or a setting do not fit */
function openSensor(sensor: OpenSensor, settings: Settings, grid: BlockGrid): MappedSensor {
  const { optics, mask } = sensor;
  const { unitsPerMetre } = mask;
  const { maxRange } = optics;
  const model = evidenceModel(settings);
  if (optics.model === "scan") {
    const evidence = evidenceTable({ ...model, sigma2: 0 }, grid.voxelSize, maxRange, 1);
    const scan = new ScanIntegrator(grid, { rays: mask.rays, unitsPerMetre, maxRange }, evidence);
    const integrate: Integrate = (depth, { rotation, position }) => scan.integrate(depth, rotation, position);
    return { sensor, integrate, openIntegrate: null };
  }
  const straight = new Straightener(optics);
  const every = settings["map.carveEvery"];
  const evidence = evidenceTable(model, grid.voxelSize, maxRange, every);
  const openIntegrate = (into: BlockGrid): Integrate => {
    const integrator = new Integrator(into, { ...straight.view, unitsPerMetre, maxRange }, evidence, every);
    return (depth, { rotation, position }) => {
      integrator.integrate(straight.apply(depth), rotation, position);
      return integrator.counts.points;
    };
  };
  return { sensor, integrate: openIntegrate(grid), openIntegrate };
}
