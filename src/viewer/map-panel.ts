import type { ColumnUpdate } from "./column-map.ts";
import { byId, setText } from "./dom.ts";
import { download } from "./download.ts";
import { VIEWS, type View } from "./map-camera.ts";
import { MapPicker, type PlaceTaker } from "./map-picker.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import { MapView } from "./map-view.ts";
import { PatchFigures } from "./patch-figures.ts";
import { countText, metresText } from "./text.ts";
import type { Ask, FromWorker } from "./worker-messages.ts";

type Surface = Extract<FromWorker, { kind: "surface" }>;

/** Nothing is cut off at this height, metres. */
const UNCUT = 1e6;

/** The map and its controls. */
export class MapPanel {
  readonly #canvas = byId<HTMLCanvasElement>("map");
  readonly view = new MapView(this.#canvas, byId<HTMLCanvasElement>("map-marks"));
  readonly picker: MapPicker;
  readonly #cut = byId<HTMLInputElement>("cut");
  readonly #floor = byId<HTMLInputElement>("floor");
  readonly #patches = new PatchFigures((then) => this.view.afterNextPicture(then));
  #isPaused = false;
  /** Changes that came while the page was paused: the newest of each chunk. */
  readonly #heldBack = new Map<string, ChunkUpdate>();
  readonly #heldColumns: ColumnUpdate[] = [];
  /** For the benchmark: when the connection opened, and how long the first whole picture took, milliseconds. */
  #openedAt = 0;
  #wholeAfter: number | null = null;

  constructor(ask: Ask, taker: PlaceTaker) {
    this.picker = new MapPicker(this.#canvas, this.view, ask, taker);
    this.view.onSlice = (ms) => {
      this.#patches.addSlice(ms, !this.view.isWaiting);
      this.#showExtent();
    };
    for (const input of document.querySelectorAll<HTMLInputElement>('input[name="view"]')) {
      input.addEventListener("change", () => this.setView(input.value as View));
    }
    this.#cut.addEventListener("input", () => this.#setCut());
    const follow = byId<HTMLInputElement>("follow");
    follow.addEventListener("change", () => {
      this.view.isFollowing = follow.checked;
    });
    byId("fit").addEventListener("click", () => {
      this.view.isFollowing = follow.checked = false;
    });
    this.#floor.addEventListener("change", () => {
      this.view.isFloorShown = this.#floor.checked;
    });
  }

  /** A connection opened. @param isOther the head is another one, or plays another recording */
  open(voxelSize: number, isOther: boolean): void {
    this.#openedAt = performance.now();
    this.view.setVoxelSize(voxelSize);
    if (isOther) this.view.fitNext();
    this.view.showFloor(null);
    this.view.showPath(null);
    this.view.showDrops([]);
  }

  set isPaused(isPaused: boolean) {
    this.#isPaused = isPaused;
    if (isPaused) return;
    for (const columns of this.#heldColumns.splice(0)) this.view.update([], columns);
    this.view.update([...this.#heldBack.values()], null);
    this.#heldBack.clear();
  }

  showSurface(surface: Surface): void {
    const begun = performance.now();
    if (surface.isOther) this.#heldBack.clear();
    if (this.#isPaused) {
      for (const update of surface.updates) this.#heldBack.set(update.chunk, update);
      this.#heldColumns.push(surface.columns);
    } else this.view.update(surface.updates, surface.columns);
    this.#showExtent();
    setText("map-size", `${countText(surface.blocks)} blocks${surface.isComplete ? "" : ", loading"}`);
    if (!this.#isPaused) {
      this.#patches.begin(surface.changed, surface.isOther);
      this.#patches.addSlice(performance.now() - begun, !this.view.isWaiting);
    }
    if (!surface.isComplete || this.#wholeAfter !== null || surface.blocks === 0) return;
    this.view.hurry();
    this.view.afterNextPicture(() => {
      this.#wholeAfter ??= performance.now() - this.#openedAt;
    });
  }

  #showExtent(): void {
    byId("empty").hidden = !this.view.isEmpty;
  }

  setView(view: View): void {
    this.view.setView(view);
    for (const input of document.querySelectorAll<HTMLInputElement>('input[name="view"]')) {
      input.checked = input.value === view;
    }
  }

  /** Makes the map ready for labels to be drawn on it. */
  prepareDrawing(): void {
    this.picker.isMeasuring = false;
    this.#canvas.focus();
    // Two frames later the map has the size that is left beside the form.
    requestAnimationFrame(() => requestAnimationFrame(() => this.setView(VIEWS[0])));
  }

  #setCut(): void {
    const isAll = this.#cut.value === this.#cut.max;
    setText("cut-text", isAll ? "nothing" : metresText(Number(this.#cut.value)));
    this.view.setCut(isAll ? UNCUT : Number(this.#cut.value));
  }

  savePicture(): void {
    this.#canvas.toBlob((blob) => {
      if (blob === null) return;
      download(blob, `map-${new Date().toISOString().slice(0, 19).replaceAll(":", "-")}.png`);
    });
  }

  resize(): void {
    this.view.resize(this.#canvas.clientWidth, this.#canvas.clientHeight);
  }

  /** For the browser benchmark. */
  get figures() {
    return { ...this.view.figures, complete: this.#wholeAfter, patches: this.#patches.patches };
  }
}
