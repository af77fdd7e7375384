import { type Camera, Vector3 } from "three";
import { metresText, roundBelow } from "./text.ts";
import type { Theme } from "./theme.ts";

/** A short text at a position in the world. */
export interface Tag {
  readonly text: string;
  /** Metres. */
  readonly at: readonly [x: number, y: number, z: number];
}

/** The view of the map that the marks are drawn on. */
export interface Seen {
  readonly camera: Camera;
  readonly isPlan: boolean;
  readonly hasGrid: boolean;
  readonly metresPerPixel: number;
}

const FONT = "12px system-ui, sans-serif";
/** Pixels: height of a tag, and its distance from its position. */
const TAG = 18;
const BESIDE = 6;
/** Pixels: greatest length of the scale bar, and its position from the lower left corner. */
const LONGEST_BAR = 150;
const INSET = 14;
/** Pixels: length of the axes, and their position from the lower left corner. */
const AXIS = 26;
const AXES_AT = [44, 62] as const;
/** Pixels: least spacing of the grid's labels. */
const LABELS_APART = 70;

/** Marks drawn over the picture of the map: depths of drops, distances, the scale, the grid's coordinates, the axes. */
export class MapMarks {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  #theme: Theme | null = null;
  #wide = 1;
  #high = 1;
  /** Tags, by the colour of their text. */
  readonly #tags = new Map<keyof Theme, readonly Tag[]>();

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
  }

  resize(width: number, height: number): void {
    [this.#wide, this.#high] = [width, height];
  }

  /** Replaces the tags of one colour. */
  show(ink: keyof Theme, tags: readonly Tag[]): void {
    this.#tags.set(ink, tags);
  }

  draw(seen: Seen): void {
    const theme = this.#theme;
    if (theme === null) return;
    const scale = Math.min(2, globalThis.devicePixelRatio || 1);
    const [wide, high] = [Math.round(this.#wide * scale), Math.round(this.#high * scale)];
    if (this.#canvas.width !== wide || this.#canvas.height !== high) {
      this.#canvas.width = wide;
      this.#canvas.height = high;
    }
    const c = this.#context;
    c.setTransform(scale, 0, 0, scale, 0, 0);
    c.clearRect(0, 0, this.#wide, this.#high);
    c.font = FONT;
    if (seen.isPlan) {
      if (seen.hasGrid) this.#drawGridLabels(theme, seen);
      this.#drawScale(theme, seen.metresPerPixel);
    }
    this.#drawAxes(theme, seen);
    this.#drawTags(theme, seen);
  }

  /** Projects a position to the canvas, pixels of the page; null behind the camera or outside. */
  project(at: readonly number[], camera: Camera): readonly [number, number] | null {
    const place = new Vector3(at[0], at[1], at[2]).project(camera);
    if (Math.abs(place.z) > 1 || Math.abs(place.x) > 1 || Math.abs(place.y) > 1) return null;
    return [((place.x + 1) / 2) * this.#wide, ((1 - place.y) / 2) * this.#high];
  }

  /** Draws the tags. Of tags that would overlap, only the first is drawn. */
  #drawTags(theme: Theme, { camera }: Seen): void {
    const c = this.#context;
    c.font = `600 ${FONT}`;
    c.textBaseline = "middle";
    c.textAlign = "left";
    const taken: (readonly [left: number, top: number, right: number])[] = [];
    for (const [ink, tags] of this.#tags) {
      for (const { text, at } of tags) {
        const place = this.project(at, camera);
        if (place === null) continue;
        const wide = c.measureText(text).width + 10;
        const left = Math.min(place[0] + BESIDE, this.#wide - wide - 2);
        const top = Math.max(2, place[1] - BESIDE - TAG);
        const isCovering = taken.some(([l, t, r]) => left < r && left + wide > l && Math.abs(top - t) < TAG);
        if (isCovering) continue;
        taken.push([left, top, left + wide]);
        c.fillStyle = theme.paper;
        c.strokeStyle = theme[ink];
        c.lineWidth = 1.5;
        c.fillRect(left, top, wide, TAG);
        c.strokeRect(left, top, wide, TAG);
        c.fillStyle = theme[ink];
        c.fillText(text, left + 5, top + TAG / 2 + 0.5);
      }
    }
  }

  #haloed(text: string, x: number, y: number, theme: Theme): void {
    const c = this.#context;
    c.lineWidth = 3;
    c.strokeStyle = theme.paper;
    c.strokeText(text, x, y);
    c.fillText(text, x, y);
  }

  #drawScale(theme: Theme, metresPerPixel: number): void {
    const c = this.#context;
    const metres = roundBelow(LONGEST_BAR * metresPerPixel);
    const long = metres / metresPerPixel;
    const [left, base] = [INSET, this.#high - INSET];
    for (const [ink, width] of [
      [theme.paper, 5],
      [theme.ink, 2],
    ] as const) {
      c.strokeStyle = ink;
      c.lineWidth = width;
      c.beginPath();
      c.moveTo(left, base - 6);
      c.lineTo(left, base);
      c.lineTo(left + long, base);
      c.lineTo(left + long, base - 6);
      c.stroke();
    }
    c.fillStyle = theme.ink;
    c.textAlign = "left";
    c.textBaseline = "bottom";
    this.#haloed(metresText(metres), left + 6, base - 3, theme);
  }

  /** Draws the coordinates of the grid's lines along the upper and the right edge. */
  #drawGridLabels(theme: Theme, { camera, metresPerPixel }: Seen): void {
    const c = this.#context;
    let every = 5;
    while (every / metresPerPixel < LABELS_APART) every *= 2;
    const corner = new Vector3(-1, -1, 0).unproject(camera);
    c.fillStyle = theme.soft;
    c.textBaseline = "bottom";
    c.textAlign = "left";
    for (let x = Math.ceil(corner.x / every) * every; ; x += every) {
      const at = (x - corner.x) / metresPerPixel;
      if (at > this.#wide - 40) break;
      if (at > 2 * INSET + LONGEST_BAR) this.#haloed(`x ${x} m`, at + 3, this.#high - 3, theme);
    }
    for (let y = Math.ceil(corner.y / every) * every; ; y += every) {
      const at = this.#high - (y - corner.y) / metresPerPixel;
      if (at < 60) break;
      if (at < this.#high - 110) this.#haloed(`y ${y} m`, 4, at - 2, theme);
    }
  }

  /** Draws the directions of the world's axes. */
  #drawAxes(theme: Theme, { camera, isPlan }: Seen): void {
    const c = this.#context;
    const [x, y] = [AXES_AT[0], this.#high - AXES_AT[1]];
    const turn = camera.matrixWorldInverse;
    c.textAlign = "center";
    c.textBaseline = "middle";
    const axes = [
      ["x", new Vector3(1, 0, 0)],
      ["y", new Vector3(0, 1, 0)],
      ["up", new Vector3(0, 0, 1)],
    ] as const;
    for (const [name, axis] of axes) {
      if (isPlan && name === "up") continue;
      const along = axis.clone().transformDirection(turn);
      const [dx, dy] = [AXIS * along.x, -AXIS * along.y];
      for (const [ink, width] of [
        [theme.paper, 4],
        [theme.soft, 1.5],
      ] as const) {
        c.strokeStyle = ink;
        c.lineWidth = width;
        c.beginPath();
        c.moveTo(x, y);
        c.lineTo(x + dx, y + dy);
        c.stroke();
      }
      c.fillStyle = theme.ink;
      this.#haloed(name, x + 1.35 * dx, y + 1.35 * dy, theme);
    }
  }
}
