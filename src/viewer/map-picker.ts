import type { Answer } from "../wire/messages.ts";
import { byId, messageOf, setText } from "./dom.ts";
import { type FindFace, faceOf, finer } from "./fine-walls.ts";
import { meetHeight } from "./floor-layer.ts";
import type { MapView } from "./map-view.ts";
import { type Measure, Measuring } from "./measuring.ts";
import { ageText, metresText } from "./text.ts";
import type { Ask, Ray, Sighting } from "./worker-messages.ts";

type Evidence = Extract<Answer, { about: "evidence" }>;

/** Metres: depth of a queried point below the surface that was hit, so that it is inside the voxel. */
const INSIDE = 0.002;
/** Metres above the world's zero: start of a line that is drawn from the base to a point that it has seen. */
const EYE = 0.3;
/** Pixels: a press that moves farther is a drag, and chooses nothing. */
const STILL = 4;

/** Receives the points chosen on the map while it is drawing. */
export interface PlaceTaker {
  readonly isDrawing: boolean;
  /** Whether the points are places of the floor, also where something stands on it. Default false. */
  readonly isOnFloor?: boolean;
  corner(point: readonly number[]): void;
  /** @returns whether the key has a meaning */
  key(key: string): boolean;
}

/** Chooses points on the map: queries the head about one, or measures distances and areas. It queries the map's data, never the picture. */
export class MapPicker {
  readonly #canvas: HTMLCanvasElement;
  readonly #map: MapView;
  readonly #ask: Ask;
  readonly #taker: PlaceTaker;
  readonly #measuring = new Measuring();
  /** Metres: side of the map's voxels. */
  voxelSize = 0.05;
  /** Called with the place that is asked about; null: with none. */
  onPlace: (point: readonly number[] | null) => void = () => {};

  constructor(canvas: HTMLCanvasElement, map: MapView, ask: Ask, taker: PlaceTaker) {
    this.#canvas = canvas;
    this.#map = map;
    this.#ask = ask;
    this.#taker = taker;
    this.#listen();
  }

  /** A click chooses; a drag turns the map. */
  #listen(): void {
    const canvas = this.#canvas;
    let pressedAt: readonly [number, number] | null = null;
    canvas.addEventListener("pointerdown", ({ clientX, clientY }) => {
      pressedAt = [clientX, clientY];
    });
    canvas.addEventListener("pointerup", ({ clientX, clientY }) => {
      if (pressedAt === null || Math.hypot(clientX - pressedAt[0], clientY - pressedAt[1]) > STILL) return;
      const box = canvas.getBoundingClientRect();
      void this.#choose(
        ((clientX - box.left) / box.width) * 2 - 1,
        1 - ((clientY - box.top) / box.height) * 2,
      );
    });
    canvas.addEventListener("keydown", (event) => {
      const isSpace = event.key === " " && this.#taker.isDrawing;
      if (this.#taker.key(event.key) || this.#measureKey(event.key)) {
        // Handled.
      } else if (event.key === "Enter" || isSpace) void this.#choose(0, 0);
      else if (event.key === "+" || event.key === "=") this.#map.zoom(0.85);
      else if (event.key === "-") this.#map.zoom(1 / 0.85);
      else return;
      event.preventDefault();
      event.stopPropagation();
    });
  }

  /** What is being measured; null: nothing. */
  get measure(): Measure | null {
    return this.#measuring.what;
  }

  set measure(what: Measure | null) {
    this.#measuring.begin(what);
    for (const one of ["distance", "area"] as const) {
      byId(`measure-${one}`).setAttribute("aria-pressed", String(what === one));
    }
    this.#showMeasured();
  }

  async #choose(x: number, y: number): Promise<void> {
    this.onPlace(null);
    try {
      const ray = this.#map.rayThrough(x, y);
      if (this.#taker.isDrawing && this.#taker.isOnFloor) {
        const floor = this.#map.meetFloor(ray) ?? meetHeight(ray, 0);
        if (floor !== null) this.#taker.corner(floor.point);
        return;
      }
      // Without a surface the query uses the floor's height: the floor may be gone or doubtful there.
      const surface = await this.#ask<Sighting | null>({ kind: "look", ...ray });
      const isLevel = this.measure !== null && this.#map.isPlan;
      const sighting = isLevel ? meetHeight(ray, 0) : (surface ?? this.#map.meetFloor(ray));
      if (this.#taker.isDrawing) {
        // A label may lie where the map is empty.
        const at = sighting ?? meetHeight(ray, 0);
        if (at !== null) this.#taker.corner(at.point);
      } else if (sighting === null) setText("found", "Nothing is known there.");
      else if (this.measure !== null) await this.#measure(sighting);
      else await this.#askAbout(sighting, ray);
    } catch (error) {
      setText("found", messageOf(error));
    }
  }

  async #measure({ point }: Sighting): Promise<void> {
    const { place, isOnSide } = this.#map.snap(point);
    const measured = this.#measuring.add(place, this.#map.snapsWithin, isOnSide);
    this.#showMeasured();
    if (measured === null) return;
    const find: FindFace = async (near, along) => {
      const question = {
        about: "wall",
        point: [...near] as [number, number],
        along,
        frame: "world",
      } as const;
      return faceOf(await this.#ask<Extract<Answer, { about: "wall" }>>({ kind: "ask", question }));
    };
    this.#measuring.replace(measured, await finer(measured, find, this.voxelSize));
    this.#showMeasured();
  }

  #showMeasured(): void {
    this.#map.showRulers(this.#measuring.all);
    setText("found", this.#measuring.text);
  }

  /** @returns whether the key has a meaning for measuring */
  #measureKey(key: string): boolean {
    if (this.measure === null) return false;
    if (key === "Escape") this.measure = null;
    else if (key === "Backspace" || key === "Delete") {
      this.#measuring.remove();
      this.#showMeasured();
    } else return false;
    return true;
  }

  async #askAbout({ point }: Sighting, { along }: Ray): Promise<void> {
    const inside = point.map((v, k) => v + INSIDE * along[k]!) as [number, number, number];
    const question = { about: "evidence", point: inside, frame: "world" } as const;
    const answer = await this.#ask<Evidence>({ kind: "ask", question });
    setText("found", evidenceText(point, answer));
    this.onPlace(point);
    const from = answer.changed?.from;
    const places = from === undefined ? [point] : [[...from, EYE], point];
    this.#map.showRulers([{ what: null, places }]);
  }
}

/** The evidence for a voxel and the floor below it, with times and positions of the base. */
function evidenceText(
  point: readonly number[],
  { class: kind, nats, changed, footing, seen }: Evidence,
): string {
  const at = (place: readonly number[]): string => place.map((v) => v.toFixed(2)).join(", ");
  const share = Math.round(100 / (1 + Math.exp(-nats)));
  const odds = `log-odds ${nats >= 0 ? "+" : "−"}${Math.abs(nats).toFixed(1)} (${share} %)`;
  const since =
    changed === null ? "" : `, last changed ${ageText(1e6 * changed.ago)} ago, seen from ${at(changed.from)}`;
  const far = seen?.far == null ? "" : ` from ${metresText(seen.far)} away`;
  const below = seen === null ? "never seen" : `seen ${ageText(1e6 * seen.ago)} ago${far}`;
  return `${at(point)} m: ${kind}, ${odds}${since}. Floor there: ${footing}, ${below}.`;
}
