import { END } from "../terms/safety.ts";
import type { FromServer } from "../wire/messages.ts";
import { dropText, type NearBrink } from "./brinks.ts";
import type { Theme } from "./theme.ts";

/** What of a reach is drawn. */
type Reach = Pick<FromServer<"reach">, "first" | "step" | "distanceMm" | "what"> &
  Partial<Pick<FromServer<"reach">, "agesMs">>;

/** Ground that was last seen longer ago is drawn as remembered, milliseconds. */
const REMEMBERED = 1000;

/** What ends the way, in words. */
export const ENDS: Readonly<Record<number, string>> = {
  [END.open]: "open",
  [END.obstacle]: "obstacle",
  [END.overhang]: "overhang",
  [END.brink]: "brink",
  [END.doubtful]: "doubtful floor",
  [END.unseen]: "unseen floor",
};

/** How far behind its edge what ends the way is drawn, as a share of the radius. */
const BAND = 0.09;

/**
 * The robot from above, its front up: how far the way is free all round, and what ends it. Each kind has a colour and a
 * pattern of its own.
 */
export class Fan {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  #theme: Theme | null = null;
  #patterns = new Map<number, CanvasPattern | string>();
  #reach: Reach | null = null;
  #brinks: readonly NearBrink[] = [];
  #isPlain = false;
  #isDue = false;
  #worn: CanvasPattern | string = "transparent";

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.#patterns = new Map<number, CanvasPattern | string>([
      [END.obstacle, theme.obstacle],
      [END.overhang, bars(this.#context, theme.obstacle, theme.paper)],
      [END.brink, hatch(this.#context, theme.brink, theme.paper)],
      [END.doubtful, dots(this.#context, theme.doubtful, theme.paper)],
      [END.unseen, sparse(this.#context, theme.unseen)],
    ]);
    this.#worn = worn(this.#context, theme.unseen);
    this.draw();
  }

  /** The newest, or null for nothing at all: what is not known to be true is not drawn. */
  show(reach: Reach | null): void {
    this.#reach = reach;
    this.#drawSoon();
  }

  /** Edges of the floor: they are drawn where they are, with how deep the nearest ones drop. */
  showBrinks(brinks: readonly NearBrink[]): void {
    this.#brinks = brinks;
    this.#drawSoon();
  }

  /** Plain, it shows no ages and no brinks: beside one of which these are not known. */
  setPlain(isPlain: boolean): void {
    this.#isPlain = isPlain;
    this.#drawSoon();
  }

  /** Once for all that came since the last picture. */
  #drawSoon(): void {
    if (this.#isDue) return;
    this.#isDue = true;
    requestAnimationFrame(() => {
      this.#isDue = false;
      this.draw();
    });
  }

  draw(): void {
    const theme = this.#theme;
    if (theme === null) return;
    const canvas = this.#canvas;
    const scale = Math.min(2, globalThis.devicePixelRatio || 1);
    const side = Math.min(canvas.clientWidth, canvas.clientHeight);
    if (side < 10) return;
    canvas.width = Math.round(canvas.clientWidth * scale);
    canvas.height = Math.round(canvas.clientHeight * scale);
    const c = this.#context;
    c.setTransform(scale, 0, 0, scale, (canvas.clientWidth * scale) / 2, (canvas.clientHeight * scale) / 2);
    const radius = side / 2 - 4;
    const reach = this.#reach;
    const limit = reach === null ? 4 : scaleFor(reach);
    if (reach !== null) this.#drawReach(c, reach, radius, limit, theme);
    this.#drawRings(c, radius, limit, theme);
    if (reach !== null && !this.#isPlain) this.#drawBrinks(c, (radius * (1 - BAND)) / limit, limit, theme);
    drawRobot(c, radius / limit, theme);
  }

  #drawReach(c: CanvasRenderingContext2D, reach: Reach, radius: number, limit: number, theme: Theme): void {
    const { distanceMm, what, first, step, agesMs } = reach;
    const inner = radius * (1 - BAND);
    // Bearing 0 is ahead, which is up; to the left is counter-clockwise here as there.
    const angle = (n: number): number => -Math.PI / 2 - (first + n * step);
    const at = (n: number): number => Math.min(inner, (distanceMm[n]! / 1000 / limit) * inner);
    const sector = (from: number, to: number, start: (n: number) => number, end: (n: number) => number) => {
      c.beginPath();
      for (let n = from; n <= to; n++) {
        c.arc(0, 0, start(n), angle(n - 0.5), angle(n + 0.5), true);
      }
      for (let n = to; n >= from; n--) {
        c.arc(0, 0, end(n), angle(n + 0.5), angle(n - 0.5), false);
      }
      c.closePath();
      c.fill();
    };
    c.fillStyle = theme.firm;
    sector(0, what.length - 1, at, () => 0);
    c.fillStyle = this.#worn;
    for (const [from, to] of agesMs && !this.#isPlain ? remembered(agesMs) : [])
      sector(from, to, at, () => 0);
    for (let n = 0; n < what.length; ) {
      let last = n;
      while (last + 1 < what.length && what[last + 1] === what[n]) last++;
      const pattern = this.#patterns.get(what[n]!);
      if (pattern !== undefined) {
        c.fillStyle = pattern;
        sector(n, last, (k) => Math.min(radius, at(k) + radius * BAND), at);
      }
      n = last + 1;
    }
  }

  /** @param perMetre pixels */
  #drawBrinks(c: CanvasRenderingContext2D, perMetre: number, limit: number, theme: Theme): void {
    // Ahead is up, left is left.
    const x = ([, left]: readonly [number, number]): number => -perMetre * left;
    const y = ([ahead]: readonly [number, number]): number => -perMetre * ahead;
    c.save();
    c.beginPath();
    c.arc(0, 0, perMetre * limit, 0, 2 * Math.PI);
    c.clip();
    for (const [ink, wide] of [
      [theme.paper, 5],
      [theme.brink, 3],
    ] as const) {
      c.strokeStyle = ink;
      c.lineWidth = wide;
      c.beginPath();
      for (const { points } of this.#brinks) {
        points.forEach((point, n) => {
          if (n === 0) c.moveTo(x(point), y(point));
          else c.lineTo(x(point), y(point));
        });
      }
      c.stroke();
    }
    c.restore();
    const [first] = this.#brinks;
    if (first === undefined || first.distance > limit) return;
    drawLabel(c, dropText(first.drop), x(first.nearest), y(first.nearest), perMetre * limit, theme);
  }

  #drawRings(c: CanvasRenderingContext2D, radius: number, limit: number, theme: Theme): void {
    const inner = radius * (1 - BAND);
    c.strokeStyle = theme.faint;
    c.fillStyle = theme.ink;
    c.lineWidth = 1;
    c.font = "11px system-ui, sans-serif";
    c.textAlign = "left";
    c.textBaseline = "bottom";
    const every = limit > 8 ? 4 : limit > 4 ? 2 : 1;
    for (let metres = every; metres <= limit; metres += every) {
      const r = (metres / limit) * inner;
      c.beginPath();
      c.arc(0, 0, r, 0, 2 * Math.PI);
      c.stroke();
      c.fillText(`${metres} m`, r * Math.SQRT1_2 + 2, -r * Math.SQRT1_2);
    }
    c.beginPath();
    c.moveTo(0, -inner);
    c.lineTo(0, inner);
    c.moveTo(-inner, 0);
    c.lineTo(inner, 0);
    c.stroke();
  }
}

/** Runs of bearings whose ground is remembered rather than seen. */
function* remembered(agesMs: readonly number[]): Generator<readonly [from: number, to: number]> {
  for (let n = 0; n < agesMs.length; n++) {
    if (agesMs[n]! < REMEMBERED) continue;
    const from = n;
    while (n + 1 < agesMs.length && agesMs[n + 1]! >= REMEMBERED) n++;
    yield [from, n];
  }
}

/** Words on a ground of their own beside a place, kept within so many pixels to either side of the middle. */
function drawLabel(
  c: CanvasRenderingContext2D,
  text: string,
  x: number,
  y: number,
  within: number,
  theme: Theme,
): void {
  c.font = "600 12px system-ui, sans-serif";
  const wide = c.measureText(text).width + 8;
  const left = Math.max(-within, Math.min(within - wide, x - wide / 2));
  const top = y < 0 ? Math.max(-within, y - 24) : Math.min(within - 18, y + 6);
  c.fillStyle = theme.paper;
  c.strokeStyle = theme.brink;
  c.lineWidth = 1;
  c.fillRect(left, top, wide, 18);
  c.strokeRect(left, top, wide, 18);
  c.fillStyle = theme.ink;
  c.textAlign = "left";
  c.textBaseline = "middle";
  c.fillText(text, left + 4, top + 9.5);
}

/** Metres that the fan shows: what there is to see, in steps, so that it does not breathe. */
function scaleFor(reach: Reach): number {
  const farthest = Math.max(...reach.distanceMm) / 1000;
  return [1, 2, 4, 8, 16].find((metres) => farthest <= metres) ?? Math.ceil(farthest);
}

function drawRobot(c: CanvasRenderingContext2D, perMetre: number, theme: Theme): void {
  const size = Math.max(9, 0.2 * perMetre);
  c.fillStyle = theme.robot;
  c.strokeStyle = theme.paper;
  c.lineWidth = 2;
  c.beginPath();
  c.moveTo(0, -1.25 * size);
  c.lineTo(0.85 * size, size);
  c.lineTo(0, 0.6 * size);
  c.lineTo(-0.85 * size, size);
  c.closePath();
  c.fill();
  c.stroke();
}

function tile(
  context: CanvasRenderingContext2D,
  size: number,
  paint: (c: CanvasRenderingContext2D) => void,
): CanvasPattern | string {
  const canvas = document.createElement("canvas");
  canvas.width = size;
  canvas.height = size;
  const c = canvas.getContext("2d")!;
  paint(c);
  return context.createPattern(canvas, "repeat") ?? "transparent";
}

const hatch = (context: CanvasRenderingContext2D, ink: string, ground: string) =>
  tile(context, 8, (c) => {
    c.fillStyle = ink;
    c.fillRect(0, 0, 8, 8);
    c.strokeStyle = ground;
    c.lineWidth = 1.5;
    for (const shift of [-8, 0, 8]) {
      c.beginPath();
      c.moveTo(shift, 8);
      c.lineTo(shift + 8, 0);
      c.stroke();
    }
  });

const bars = (context: CanvasRenderingContext2D, ink: string, ground: string) =>
  tile(context, 5, (c) => {
    c.fillStyle = ground;
    c.fillRect(0, 0, 5, 5);
    c.fillStyle = ink;
    c.fillRect(0, 0, 5, 2);
  });

const dots = (context: CanvasRenderingContext2D, ink: string, ground: string) =>
  tile(context, 6, (c) => {
    c.fillStyle = ink;
    c.fillRect(0, 0, 6, 6);
    c.fillStyle = ground;
    c.fillRect(2, 2, 2, 2);
  });

const sparse = (context: CanvasRenderingContext2D, ink: string) =>
  tile(context, 7, (c) => {
    c.fillStyle = ink;
    c.fillRect(3, 3, 2, 2);
  });

const worn = (context: CanvasRenderingContext2D, ink: string) =>
  tile(context, 8, (c) => {
    c.strokeStyle = ink;
    c.lineWidth = 1;
    for (const shift of [-8, 0, 8]) {
      c.beginPath();
      c.moveTo(shift, 0);
      c.lineTo(shift + 8, 8);
      c.stroke();
    }
  });

/** Index of the bearing nearest to straight ahead. */
export function aheadOf({ first, step, what }: Reach): number {
  let best = 0;
  let least = Number.POSITIVE_INFINITY;
  for (let n = 0; n < what.length; n++) {
    const off = Math.abs(Math.atan2(Math.sin(first + n * step), Math.cos(first + n * step)));
    if (off < least) {
      least = off;
      best = n;
    }
  }
  return best;
}

/** Index of the nearest thing that is no unseen floor, or -1. */
export function nearestOf({ what, distanceMm }: Reach): number {
  let best = -1;
  for (let n = 0; n < what.length; n++) {
    if (what[n] === END.open || what[n] === END.unseen) continue;
    if (best < 0 || distanceMm[n]! < distanceMm[best]!) best = n;
  }
  return best;
}
