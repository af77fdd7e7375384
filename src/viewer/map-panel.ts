import type { ColumnUpdate } from "./column-map.ts";
import { byId, setText } from "./dom.ts";
import { download } from "./download.ts";
import { KnownMap } from "./known-map.ts";
import { COLOURINGS, type Colouring } from "./map-materials.ts";
import { MapPicker, type PlaceTaker } from "./map-picker.ts";
import { pictureOf } from "./map-picture.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import { LAYERS, MapView } from "./map-view.ts";
import type { Measure } from "./measuring.ts";
import { PatchFigures } from "./patch-figures.ts";
import { countText, metresText } from "./text.ts";
import { THEMES, type Theme } from "./theme.ts";
import { VIEWS, type View } from "./views.ts";
import type { Ask, FromWorker } from "./worker-messages.ts";

type Surface = Extract<FromWorker, { kind: "surface" }>;

/** Pixels between the legend and the edge of the map. */
const BESIDE = 8;
/** Metres: a cut at this height hides nothing. */
const UNCUT = 1e6;

const colouringOf = ({ id }: HTMLInputElement): Colouring => id.slice("layer-".length) as Colouring;

/** The map and its controls. */
export class MapPanel {
  readonly #canvas = byId<HTMLCanvasElement>("map");
  readonly view = new MapView(this.#canvas, byId<HTMLCanvasElement>("map-marks"));
  readonly picker: MapPicker;
  readonly #cut = byId<HTMLInputElement>("cut");
  readonly #below = byId<HTMLInputElement>("below");
  readonly #patches = new PatchFigures((then) => this.view.afterNextPicture(then));
  readonly #known: KnownMap;
  readonly #colourings = COLOURINGS.slice(1).map((one) => byId<HTMLInputElement>(`layer-${one}`));
  #isPaused = false;
  #covered = 0;
  #theme: Theme = THEMES.light;
  /** Changes that arrived while the page was paused: the newest of each chunk. */
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
    for (const slider of [this.#cut, this.#below]) slider.addEventListener("input", () => this.#setCut());
    const follow = byId<HTMLInputElement>("follow");
    follow.addEventListener("change", () => {
      this.view.isFollowing = follow.checked;
    });
    byId("fit").addEventListener("click", () => {
      this.view.isFollowing = follow.checked = false;
    });
    this.#known = new KnownMap(
      ask,
      () => this.view.squares,
      (square, known) => this.view.showKnown(square, known),
    );
    for (const box of this.#colourings) box.addEventListener("change", () => this.#setColouring(box));
    this.#setColouring(this.#colourings.find(({ checked }) => checked) ?? null);
    for (const layer of LAYERS) {
      const box = byId<HTMLInputElement>(layer === "floor" ? "floor" : `layer-${layer}`);
      const apply = (): void => {
        this.view.setLayer(layer, box.checked);
        document.documentElement.classList.toggle(`is-${layer}-shown`, box.checked);
      };
      box.addEventListener("change", apply);
      apply();
    }
  }

  /** Colours show one thing at a time: choosing another one ends the first. */
  #setColouring(chosen: HTMLInputElement | null): void {
    for (const box of this.#colourings) {
      if (box !== chosen) box.checked = false;
      document.documentElement.classList.toggle(`is-${colouringOf(box)}-shown`, box.checked);
    }
    const colouring = chosen?.checked ? colouringOf(chosen) : "kind";
    this.view.colouring = colouring;
    this.#known.isOn = colouring === "age" || colouring === "certainty";
  }

  /** Takes a new connection. @param isOther whether it is another head, or another recording */
  open(voxelSize: number, isOther: boolean): void {
    this.view.forgetKnown();
    this.#openedAt = performance.now();
    this.view.setVoxelSize(voxelSize);
    this.picker.voxelSize = voxelSize;
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
    document.documentElement.dataset["view"] = view;
    for (const input of document.querySelectorAll<HTMLInputElement>('input[name="view"]')) {
      input.checked = input.value === view;
    }
  }

  /** Begins to measure distances or areas, or ends it. Areas are measured on the plan. */
  toggleMeasure(what: Measure): void {
    const isOn = this.picker.measure === what;
    if (!isOn && what === "area") this.setView("plan");
    this.picker.measure = isOn ? null : what;
  }

  /** Prepares the map for the drawing of labels. */
  prepareDrawing(): void {
    this.picker.measure = null;
    this.#canvas.focus();
    // The map has its final size beside the form only two frames later.
    requestAnimationFrame(() => requestAnimationFrame(() => this.setView(VIEWS[0])));
  }

  #setCut(): void {
    const isAll = this.#cut.value === this.#cut.max;
    setText("cut-text", isAll ? "nothing" : metresText(Number(this.#cut.value)));
    const isFromBelow = this.#below.value === this.#below.min;
    setText("below-text", isFromBelow ? "nothing" : metresText(Number(this.#below.value)));
    this.view.setCut(
      isAll ? UNCUT : Number(this.#cut.value),
      isFromBelow ? -UNCUT : Number(this.#below.value),
    );
  }

  /** @param what source of the picture: the recording and its moment, or the live head */
  savePicture(what: string): void {
    const now = new Date().toISOString().slice(0, 19);
    const caption = { text: `${what}, saved ${now.replace("T", " ")} UTC`, isPlan: this.view.isPlan };
    const marks = byId<HTMLCanvasElement>("map-marks");
    pictureOf(this.#canvas, marks, caption, this.#theme).toBlob((blob) => {
      if (blob === null) return;
      download(blob, `map-${now.replaceAll(":", "-")}.png`);
    });
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.view.paint(theme);
  }

  resize(): void {
    const { clientWidth, clientHeight } = this.#canvas;
    this.view.resize(clientWidth, clientHeight);
    const layers = byId<HTMLDetailsElement>("layers");
    // On a narrow map the open legend covers most of it, so that centring beside the legend makes no sense.
    const covered = layers.open && clientWidth > 2.5 * layers.offsetWidth ? layers.offsetWidth + BESIDE : 0;
    if (covered !== this.#covered) this.view.covered = covered;
    this.#covered = covered;
  }

  /** For the browser benchmark. */
  get figures() {
    return { ...this.view.figures, complete: this.#wholeAfter, patches: this.#patches.patches };
  }
}
