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
import type { FromServer } from "../wire/messages.ts";
import { DropLayer } from "./drop-layer.ts";
import { FloorLayer } from "./floor-layer.ts";
import { LabelLayer, type Marked } from "./label-layer.ts";
import { MapCamera, type View } from "./map-camera.ts";
import { MapChunks } from "./map-chunks.ts";
import { MapMaterials } from "./map-materials.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import { PathLayer } from "./path-layer.ts";
import { Redraw } from "./redraw.ts";
import { RobotMarker } from "./robot-marker.ts";
import { RulerLayer } from "./ruler-layer.ts";
import type { Theme } from "./theme.ts";
import type { Ground, Ray, Sighting, Trail } from "./worker-messages.ts";

/** The map in three dimensions: its surface, and layers on it. */
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
  readonly #labels = new LabelLayer(this.#viewport);
  readonly #ruler = new RulerLayer(this.#viewport);
  readonly #robot = new RobotMarker();
  #isFitted = false;
  /** What the view was fitted to. */
  readonly #fitted = new Box3();

  constructor(canvas: HTMLCanvasElement) {
    // Kept, so that a picture can be taken of what is on the screen.
    this.#renderer = new WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
    this.#camera = new MapCamera(canvas, () => this.#redraw.invalidate());
    this.#redraw = new Redraw(this.#renderer, this.#scene, this.#camera.camera);
    this.#redraw.isPartial = () => this.#chunks.isWaiting;
    this.#chunks.onComplete = () => {
      if (!this.#isFitted || (this.#camera.mayRefit && this.#hasOutgrown)) this.fit();
      this.#redraw.invalidate();
    };
    for (const { object } of [this.#chunks, this.#floor, ...this.#painted]) this.#scene.add(object);
  }

  /** Layers with colours of their own. */
  get #painted() {
    return [this.#drops, this.#path, this.#labels, this.#ruler, this.#robot] as const;
  }

  paint(theme: Theme): void {
    this.#scene.background = new Color(theme.paper);
    this.#materials.paint(theme);
    for (const layer of this.#painted) layer.paint(theme);
    this.#redraw.invalidate();
  }

  /** Heights above the world's zero between which things stand in the robot's way, metres. */
  setBands(low: number, high: number): void {
    this.#materials.setBands(low, high);
    this.#redraw.invalidate();
  }

  setVoxelSize(metres: number): void {
    this.#materials.voxelSize = metres;
  }

  /** Nothing above this height is drawn, metres. */
  setCut(height: number): void {
    this.#materials.cut = height;
    this.#redraw.invalidate();
  }

  resize(width: number, height: number): void {
    const size = this.#viewport.value;
    if (width < 2 || height < 2 || (width === size.x && height === size.y)) return;
    size.set(width, height);
    this.#renderer.setSize(width, height, false);
    this.#camera.resize(width, height);
    this.#labels.resize(height);
    this.#drops.resize(height);
    this.#redraw.drawNow();
  }

  /** Takes over changes of the map: the first map as a whole, later ones in pieces between pictures. */
  update(updates: readonly ChunkUpdate[]): void {
    this.#chunks.update(updates, !this.#isFitted);
  }

  /** Called after each piece of a change that waited for a picture, with its milliseconds. */
  set onSlice(told: (milliseconds: number) => void) {
    this.#chunks.onSlice = told;
  }

  moveTo(pose: FromServer<"pose">["worldFromBase"]): void {
    this.#robot.moveTo(pose);
    this.#camera.setPose(pose);
    this.#redraw.invalidate();
  }

  showPath(trail: Trail | null): void {
    this.#path.show(trail);
    this.#redraw.invalidate();
  }

  showFloor(ground: Ground | null): void {
    this.#floor.show(ground);
    this.#drops.showRims(ground?.rims ?? []);
    this.#redraw.invalidate();
  }

  /** Whether what is known of the floor is drawn. */
  set isFloorShown(isShown: boolean) {
    this.#floor.isShown = isShown;
    this.#redraw.invalidate();
  }

  showDrops(brinks: FromServer<"brinks">["brinks"]): void {
    this.#drops.showBrinks(brinks);
    this.#redraw.invalidate();
  }

  /** Draws up to two places and the line between them. */
  showRuler(places: readonly (readonly number[])[]): void {
    this.#ruler.show(places);
    this.#redraw.invalidate();
  }

  showLabels(labels: readonly Marked[]): void {
    this.#labels.show(labels);
    this.#redraw.invalidate();
  }

  /** The map is another head's: the next is brought into view as the first was. */
  fitNext(): void {
    this.#isFitted = false;
  }

  setView(view: View): void {
    this.#camera.setView(view);
    if (view !== "follow") this.fit();
    this.#redraw.invalidate();
  }

  /** Brings the whole map into view. */
  fit(): void {
    const bounds = this.#chunks.bounds;
    if (bounds === null) return;
    this.#isFitted = true;
    this.#fitted.set(bounds.low, bounds.high);
    this.#camera.fit(bounds.low, bounds.high);
    this.#redraw.invalidate();
  }

  /** The map reaches farther than what the view was fitted to, by a tenth of its size. */
  get #hasOutgrown(): boolean {
    const bounds = this.#chunks.bounds;
    if (bounds === null) return false;
    const spare = this.#fitted.getSize(new Vector3()).length() / 10;
    return !this.#fitted.clone().expandByScalar(spare).containsBox(new Box3(bounds.low, bounds.high));
  }

  /** Below 1 comes nearer. */
  zoom(factor: number): void {
    this.#camera.zoom(factor);
    this.#redraw.invalidate();
  }

  /** The ray through a place on the canvas, -1 to 1 from left to right and from bottom to top. */
  rayThrough(x: number, y: number): Ray {
    return this.#camera.rayThrough(x, y);
  }

  /** Where a ray meets the height of the floor, if anything is known of the floor there. */
  meetFloor(ray: Ray): Sighting | null {
    return this.#floor.meet(ray);
  }

  get isEmpty(): boolean {
    return this.#chunks.quadCount === 0;
  }

  /** Part of a change of the map is still to be taken over. */
  get isWaiting(): boolean {
    return this.#chunks.isWaiting;
  }

  /** Calls `then` once all that is known now has been drawn, with the milliseconds of the page's own thread. */
  afterNextPicture(then: (milliseconds: number) => void): void {
    this.#redraw.afterNextPicture(then);
  }

  /** Draws the next picture without a pause before it. */
  hurry(): void {
    this.#redraw.hurry();
  }

  /** For a benchmark: what the map is drawn with, and what the graphics memory holds for it. */
  get figures(): {
    readonly chunks: number;
    readonly quads: number;
    readonly calls: number;
    readonly geometries: number;
    readonly textures: number;
    readonly buffers: number;
    readonly drawn: number;
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
