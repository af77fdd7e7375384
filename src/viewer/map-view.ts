import {
  Box3,
  type BufferGeometry,
  Color,
  type IUniform,
  type Mesh,
  Scene,
  Vector2,
  Vector3,
  WebGLRenderer,
} from "three";
import type { Spot } from "../terms/spots.ts";
import { BLOCK_SIDE } from "../wire/blocks.ts";
import type { CurvePoint } from "../wire/curve.ts";
import type { FloorEdge } from "../wire/floor-map.ts";
import type { FromServer } from "../wire/messages.ts";
import { AREA_HEIGHT, AreaLayer, type ShownZone } from "./area-layer.ts";
import type { Body } from "./body.ts";
import type { ColumnUpdate } from "./column-map.ts";
import type { Corner, Draft } from "./corner-handles.ts";
import { DropLayer } from "./drop-layer.ts";
import { FloorLayer, meetHeight } from "./floor-layer.ts";
import { FrameCloud } from "./frame-cloud.ts";
import type { ShownWay } from "./goal-way.ts";
import { GoalWayLayer } from "./goal-way-layer.ts";
import { type Known, squaresOf } from "./known-map.ts";
import { LabelLayer, type Marked } from "./label-layer.ts";
import { MapCamera } from "./map-camera.ts";
import { MapChunks } from "./map-chunks.ts";
import { fitBounds, fitPlaces, hasOutgrown } from "./map-fit.ts";
import { MapMarks } from "./map-marks.ts";
import { type Colouring, MapMaterials } from "./map-materials.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import { PaceLayer } from "./pace-layer.ts";
import { PathLayer } from "./path-layer.ts";
import { Redraw } from "./redraw.ts";
import { RobotMarker } from "./robot-marker.ts";
import { type Ruler, RulerLayer } from "./ruler-layer.ts";
import { sideNear } from "./side-near.ts";
import { drawsInSoftware } from "./software-drawing.ts";
import { SpotLayer } from "./spot-layer.ts";
import type { Theme } from "./theme.ts";
import { viewOf } from "./view-wedge.ts";
import type { View } from "./views.ts";
import type { Ground, Ray, Sighting, Trail, UnpackedImage } from "./worker-messages.ts";

/** Layers that a person may show or hide. */
export const LAYERS = ["floor", "drops", "path", "pace", "way", "views", "grid", "cloud"] as const;
export type Layer = (typeof LAYERS)[number];

/** Pixels: a measured point snaps to a side within this distance. */
const SNAP = 14;
/** Metres: a longer step between two poses is a jump in the recording. */
const JUMP = 0.3;
/** Shows or hides the row of the legend for something that is only sometimes on the map. */
function mark(what: "rulers" | "goal" | "labels" | "areas" | "slow" | "spots", isShown: boolean): void {
  document.documentElement.classList.toggle(`has-${what}`, isShown);
}

/** The map in three dimensions, or from above: its surface, and layers on it. */
export class MapView {
  readonly #renderer: WebGLRenderer;
  readonly #scene = new Scene();
  readonly #viewport: IUniform<Vector2> = { value: new Vector2(1, 1) };
  readonly #materials = new MapMaterials();
  readonly #camera: MapCamera;
  readonly #redraw: Redraw;
  readonly #chunks = new MapChunks(this.#materials);
  readonly #floor = new FloorLayer(this.#materials);
  readonly #drops = new DropLayer(this.#viewport, (x, y) => this.#floor.isGone(x, y));
  readonly #path = new PathLayer(this.#viewport);
  readonly #pace = new PaceLayer(this.#viewport);
  readonly #labels = new LabelLayer(this.#viewport);
  readonly #areas = new AreaLayer(this.#viewport);
  readonly #spots = new SpotLayer(this.#viewport);
  readonly #goalWay = new GoalWayLayer(this.#viewport);
  readonly #ruler = new RulerLayer(this.#viewport);
  readonly #robot = new RobotMarker(this.#viewport);
  readonly #cloud = new FrameCloud();
  readonly #sheet = this.#materials.planSheet();
  readonly #marks: MapMarks;
  /** Position of the robot, which a fitted view includes. */
  #place: Vector3 | null = null;
  #trail: Trail | null = null;
  #hasGrid = true;
  #isFitted = false;
  /** Called after each picture of the map. */
  onPicture: () => void = () => {};
  /** Bounds that the view was fitted to. */
  readonly #fitted = new Box3();

  /** @param marks a canvas that lies over the map's own */
  constructor(canvas: HTMLCanvasElement, marks: HTMLCanvasElement) {
    this.#marks = new MapMarks(marks);
    // The drawing buffer is preserved, so that a picture can be saved of it.
    const isSoftware = drawsInSoftware();
    this.#renderer = new WebGLRenderer({ canvas, antialias: !isSoftware, preserveDrawingBuffer: true });
    this.#camera = new MapCamera(canvas, () => this.#redraw.invalidate());
    this.#redraw = new Redraw(this.#renderer, this.#scene, () => this.#camera.camera, isSoftware);
    this.#redraw.onDrawn = () => {
      this.#drawMarks();
      this.onPicture();
    };
    this.#camera.onInteraction = (isMoving) => {
      this.#redraw.isMoving = isMoving;
    };
    this.#redraw.isPartial = () => this.#chunks.isWaiting;
    this.#chunks.onComplete = () => {
      this.#refit();
      this.#redraw.invalidate();
    };
    for (const { object } of [this.#chunks, this.#floor, ...this.#painted]) this.#scene.add(object);
    this.#scene.add(this.#sheet.plan, this.#sheet.cap);
  }

  /** Layers that have colours of their own. */
  get #painted() {
    return [
      this.#drops,
      this.#path,
      this.#pace,
      this.#labels,
      this.#areas,
      this.#spots,
      this.#goalWay,
      this.#ruler,
      this.#robot,
      this.#cloud,
    ] as const;
  }

  paint(theme: Theme): void {
    this.#scene.background = new Color(theme.paper);
    this.#materials.paint(theme);
    this.#marks.paint(theme);
    for (const layer of this.#painted) layer.paint(theme);
    this.#redraw.invalidate();
  }

  /** Heights above the world's zero between which things stand in the robot's way, metres. */
  setBands(low: number, high: number): void {
    this.#materials.setBands(low, high);
    this.#camera.planFrom = high;
    this.#redraw.invalidate();
  }

  setVoxelSize(metres: number): void {
    this.#materials.voxelSize = metres;
  }

  /** Hides everything above the first height and below the second, metres. */
  setCut(height: number, below: number): void {
    this.#materials.cut = height;
    this.#materials.below = below;
    this.#sheet.place();
    this.#redraw.invalidate();
  }

  resize(width: number, height: number): void {
    const size = this.#viewport.value;
    if (width < 2 || height < 2 || (width === size.x && height === size.y)) return;
    size.set(width, height);
    this.#renderer.setSize(width, height, false);
    this.#camera.resize(width, height);
    this.#marks.resize(width, height);
    if (this.#isFitted && this.#camera.mayRefit) this.fit();
    this.#redraw.drawNow();
  }

  /** @param covered pixels at the right of the canvas that another element covers */
  set covered(covered: number) {
    this.#camera.covered = covered;
    if (this.#isFitted && this.#camera.mayRefit) this.fit();
    this.#redraw.hurry();
  }

  /** Applies changes of the map: the first map as a whole, later ones in pieces between pictures. */
  update(updates: readonly ChunkUpdate[], columns: ColumnUpdate | null): void {
    if (columns !== null) {
      this.#materials.columns.update(columns, this.#materials.voxelSize);
      this.#sheet.place();
    }
    this.#chunks.update(updates, !this.#isFitted);
  }

  /** Called after each postponed piece of a change, with its milliseconds. */
  set onSlice(told: (milliseconds: number) => void) {
    this.#chunks.onSlice = told;
  }

  moveTo(pose: FromServer<"pose">["worldFromBase"], time: number): void {
    this.#cloud.addPose(time, pose);
    this.#robot.moveTo(pose);
    this.#camera.setPose(pose);
    const place = new Vector3(...pose.position);
    // A jump to another moment of a recording is drawn at once.
    if (this.#place !== null && place.distanceTo(this.#place) > JUMP) this.#redraw.hurry();
    this.#place = place;
    this.#refit();
    this.#redraw.invalidate();
  }

  /** The robot's outline. */
  set body(body: Body) {
    this.#robot.body = body;
    this.#redraw.invalidate();
  }

  /** Shows the free band ahead, and what limits it. */
  showReach(reach: Pick<FromServer<"reach">, "pace"> | null): void {
    this.#robot.showReach(reach);
    this.#redraw.invalidate();
  }

  showPath(trail: Trail | null): void {
    this.#path.show(trail);
    this.#trail = trail;
    this.#redraw.invalidate();
  }

  /** Shows the pace along the path of a recording. @param topSpeed m/s */
  showPace(curve: readonly CurvePoint[], topSpeed: number): void {
    this.#pace.show(curve, topSpeed);
    this.#redraw.invalidate();
  }

  showFloor(ground: Ground | null): void {
    this.#floor.show(ground);
    this.#drops.showRims(ground?.rims ?? []);
    this.#redraw.invalidate();
  }

  /** Shows or hides a layer. */
  setLayer(layer: Layer, isShown: boolean): void {
    switch (layer) {
      case "floor":
        this.#floor.isShown = isShown;
        break;
      case "drops":
        this.#drops.object.visible = isShown;
        break;
      case "path":
        this.#path.object.visible = isShown;
        break;
      case "pace":
        this.#pace.object.visible = isShown;
        break;
      case "way":
        this.#robot.isWayShown = isShown;
        break;
      case "views":
        this.#robot.areViewsShown = isShown;
        break;
      case "grid":
        this.#materials.hasGrid = this.#hasGrid = isShown;
        break;
      case "cloud":
        this.#cloud.object.visible = isShown;
        break;
      default:
        layer satisfies never;
    }
    this.#redraw.hurry();
  }

  /** Shows the sensors' fields of view, in the robot's frame. */
  showSetup(setup: FromServer<"welcome">["setup"]): void {
    const { sensors, baseFromHead } = setup;
    this.#cloud.setup = setup;
    this.#cloud.show(null);
    this.#robot.views = sensors.map((sensor) => viewOf(sensor, baseFromHead));
    this.#redraw.invalidate();
  }

  showDrops(edges: readonly FloorEdge[]): void {
    this.#drops.showEdges(edges);
    this.#redraw.invalidate();
  }

  /** Shows the points of a depth image. */
  showImage(image: UnpackedImage): void {
    this.#cloud.show(image);
    this.#redraw.invalidate();
  }

  /** What the colours show. */
  set colouring(colouring: Colouring) {
    this.#materials.colouring = colouring;
    this.#redraw.hurry();
  }

  /** The squares of the map, for which the head is asked how old and certain they are. */
  get squares(): readonly (readonly [number, number])[] {
    return squaresOf(this.#materials.columns.places, BLOCK_SIDE * this.#materials.voxelSize);
  }

  showKnown(square: readonly [number, number], known: Known): void {
    this.#materials.known.update(square, known, this.#materials.voxelSize);
    this.#redraw.invalidate();
  }

  forgetKnown(): void {
    this.#materials.known.clear();
    this.#redraw.invalidate();
  }

  /** Shows chosen points, and the lines between two of them. */
  showRulers(rulers: readonly Ruler[]): void {
    this.#ruler.show(rulers);
    mark("rulers", rulers.length > 0);
    this.#redraw.invalidate();
  }

  /** Shows the way to a chosen goal. */
  showGoalWay(shown: ShownWay | null): void {
    this.#goalWay.show(shown);
    mark("goal", shown !== null);
    this.#redraw.invalidate();
  }

  showLabels(labels: readonly Marked[]): void {
    this.#labels.show(labels);
    mark("labels", labels.length > 0);
    this.#redraw.invalidate();
  }

  /** Shows closed areas and slow zones, and an outline that is being drawn. */
  showZones(zones: readonly ShownZone[], draft: Draft | null): void {
    this.#areas.show(zones, draft);
    mark(
      "areas",
      zones.some(({ speed }) => speed === null),
    );
    mark(
      "slow",
      zones.some(({ speed }) => speed !== null),
    );
    this.#redraw.invalidate();
  }

  /** Shows the places that have a name. */
  showSpots(spots: readonly Spot[]): void {
    this.#spots.show(spots);
    mark("spots", spots.length > 0);
    this.#redraw.invalidate();
  }

  /** Fits the view to the next map, because it is another head's. */
  fitNext(): void {
    this.#isFitted = false;
  }

  setView(view: View): void {
    this.#camera.setView(view);
    const isPlan = view === "plan";
    this.#sheet.isPlan = isPlan;
    this.#chunks.object.visible = !isPlan;
    this.#floor.isPlan = isPlan;
    if (this.#camera.isNew || (this.#camera.mayRefit && this.#isFitted)) this.fit();
    this.#redraw.hurry();
  }

  /** Whether the view moves with the robot. */
  set isFollowing(isFollowing: boolean) {
    this.#camera.isFollowing = isFollowing;
    this.#redraw.invalidate();
  }

  #drawMarks(): void {
    const drops = this.#drops.object.visible ? this.#drops.tags : [];
    this.#marks.show("mark", [
      ...this.#ruler.tags,
      ...this.#labels.tags,
      ...this.#areas.tags,
      ...this.#spots.tags,
      ...drops,
    ]);
    const { camera, view, metresPerPixel } = this.#camera;
    this.#marks.draw({ camera, isPlan: view === "plan", hasGrid: this.#hasGrid, metresPerPixel });
  }

  /** Fits the view to a map that has grown, unless a person has moved it. */
  #refit(): void {
    if (!this.#isFitted || (this.#camera.mayRefit && hasOutgrown(this.#fitted, this.#bounds))) this.fit();
  }

  /** Fits the view to the whole map and the robot. */
  fit(): void {
    const bounds = this.#bounds;
    if (bounds === null) return;
    this.#isFitted = true;
    this.#fitted.copy(bounds);
    this.#camera.fit(this.#places(bounds));
    this.#redraw.invalidate();
  }

  /** Points that must be in view. */
  #places(bounds: Box3): Vector3[] {
    const stood = this.#place === null ? [] : [this.#place];
    // The floor under the base at its start is beside what the sensors saw.
    const points = this.#trail?.points ?? [];
    for (let n = 0; n < points.length; n += 3) stood.push(new Vector3().fromArray(points, n));
    return fitPlaces(this.#materials.columns.places, bounds, stood);
  }

  get #bounds(): Box3 | null {
    return fitBounds(this.#chunks.bounds, this.#place);
  }

  /** Zooms. A factor below 1 moves closer. */
  zoom(factor: number): void {
    this.#camera.zoom(factor);
    this.#redraw.invalidate();
  }

  /** The ray through a point of the canvas, -1 to 1 from left to right and from bottom to top. */
  rayThrough(x: number, y: number): Ray {
    return this.#camera.rayThrough(x, y);
  }

  get view(): View {
    return this.#camera.view;
  }

  /** Whether the view is the plan, in which a chosen point has only x and y. */
  get isPlan(): boolean {
    return this.#camera.view === "plan";
  }

  /** Metres within which a measured point snaps. */
  get snapsWithin(): number {
    return SNAP * this.#camera.metresPerPixel;
  }

  /** The nearest side of an obstacle within SNAP pixels of a point; else the point itself. */
  snap([x, y, z]: readonly [number, number, number]): {
    readonly place: readonly [number, number, number];
    readonly isOnSide: boolean;
  } {
    const { columns, voxelSize } = this.#materials;
    const [sideX, sideY] = sideNear(
      [x, y],
      this.snapsWithin,
      voxelSize,
      (atX, atY) => (columns.at(atX, atY)?.[1] ?? 0) > 0,
    );
    return { place: [sideX, sideY, z], isOnSide: sideX !== x || sideY !== y };
  }

  /** Where a corner of an area is drawn, pixels of the page from the canvas's upper left corner; null out of view. */
  pixelOf([x, y]: Corner): readonly [left: number, top: number] | null {
    return this.#marks.project([x, y, AREA_HEIGHT], this.#camera.camera);
  }

  /** The inverse of `pixelOf`; null above the horizon. */
  floorAt(left: number, top: number): Corner | null {
    const { x: wide, y: high } = this.#viewport.value;
    const ray = this.rayThrough((2 * left) / wide - 1, 1 - (2 * top) / high);
    const [x, y] = meetHeight(ray, AREA_HEIGHT)?.point ?? [];
    return x === undefined || y === undefined ? null : [x, y];
  }

  /** The intersection of a ray with the height of the floor; null where the state of the floor is unknown. */
  meetFloor(ray: Ray): Sighting | null {
    return this.#floor.meet(ray);
  }

  get isEmpty(): boolean {
    return this.#chunks.quadCount === 0;
  }

  /** Whether part of a change of the map is still pending. */
  get isWaiting(): boolean {
    return this.#chunks.isWaiting;
  }

  /** Calls `then` once the present state has been drawn, with the milliseconds of the page's thread. */
  afterNextPicture(then: (milliseconds: number) => void): void {
    this.#redraw.afterNextPicture(then);
  }

  /** Draws the next picture without a pause. */
  hurry(): void {
    this.#redraw.hurry();
  }

  /** For a benchmark: the renderer, and the use of graphics memory. */
  get figures(): {
    readonly chunks: number;
    readonly quads: number;
    readonly calls: number;
    readonly geometries: number;
    readonly textures: number;
    readonly buffers: number;
    readonly drawn: number;
    readonly sharpAfter: number | null;
  } {
    const { memory, render } = this.#renderer.info;
    return {
      chunks: this.#chunks.chunkCount,
      quads: this.#chunks.quadCount,
      calls: render.calls,
      geometries: memory.geometries,
      textures: memory.textures,
      buffers: this.#bytes,
      drawn: this.#redraw.drawn,
      sharpAfter: this.#redraw.sharpAfter,
    };
  }

  /** Bytes of vertices and indices, and of the map's quads. */
  get #bytes(): number {
    const arrays = new Set<ArrayLike<number> & { readonly byteLength: number }>();
    this.#scene.traverse((object) => {
      const geometry = (object as Mesh).geometry as BufferGeometry | undefined;
      if (geometry === undefined) return;
      for (const attribute of [...Object.values(geometry.attributes), geometry.index]) {
        if (attribute === null) continue;
        arrays.add("data" in attribute ? attribute.data.array : attribute.array);
      }
    });
    let bytes = this.#chunks.quadBytes;
    for (const { byteLength } of arrays) bytes += byteLength;
    return bytes;
  }
}
