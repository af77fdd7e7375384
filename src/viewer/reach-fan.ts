import { END } from "../terms/safety.ts";
import { SIGNS, type Sign } from "../terms/signs.ts";
import type { FromServer } from "../wire/messages.ts";
import { type Body, type LimitPoint, limitPointOf, wedgeOf } from "./body.ts";
import { dropText, type NearBrink } from "./brinks.ts";
import { fillOf } from "./patterns.ts";
import type { Theme } from "./theme.ts";

/** The drawn fields of a reach. */
type Reach = Pick<FromServer<"reach">, "first" | "step" | "distanceMm" | "what"> &
  Partial<Pick<FromServer<"reach">, "agesMs" | "pace">>;

/** Milliseconds: ground that was last seen longer ago is drawn as remembered. */
const REMEMBERED = 1000;

/** The sign of each drawn kind of end. */
const ENDS: ReadonlyMap<number, Sign> = new Map<number, Sign>([
  [END.obstacle, SIGNS.obstacle],
  [END.overhang, SIGNS.overhang],
  [END.brink, SIGNS.brink],
  [END.doubtful, SIGNS.doubtful],
  [END.unseen, SIGNS.unseen],
  [END.keptOut, SIGNS.closed],
]);

/** Width of the band with the kinds of ends, as a share of the radius. */
const BAND = 0.09;
/** Metres at the outer ring: the smallest of these that covers all free ground. In steps, so that it rarely changes. */
const SCALES = [1, 2, 4, 8, 16];
/** Pixels: a robot of at least this size is drawn to scale, a smaller one as an arrow. */
const ROBOT = 9;
const ARROW: Body = [
  [1.25, 0],
  [-1, -0.85],
  [-0.6, 0],
  [-1, 0.85],
];
/** Pixels: radius of the ring around the point that limits the pace. */
const LIMIT_RING = 8;

/** One drawing of the fan, with the robot in the middle and its front up. */
interface Frame {
  readonly c: CanvasRenderingContext2D;
  readonly theme: Theme;
  /** Pixels: outer and inner radius of the band. */
  readonly radius: number;
  readonly inner: number;
  /** Metres at the inner radius. */
  readonly limit: number;
}

/** The free ground around the robot by bearing, and what ends it. */
export class ReachFan {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  #theme: Theme | null = null;
  #fills: ReadonlyMap<number, CanvasPattern | string> = new Map();
  #remembered: CanvasPattern | string = "transparent";
  #reach: Reach | null = null;
  #brinks: readonly NearBrink[] = [];
  #body: Body = [];
  #isPlain = false;
  #isDue = false;

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.#fills = new Map([...ENDS].map(([end, sign]) => [end, fillOf(this.#context, sign, theme)] as const));
    this.#remembered = fillOf(this.#context, SIGNS.remembered, theme);
    this.draw();
  }

  /** @param reach null draws nothing */
  show(reach: Reach | null): void {
    this.#reach = reach;
    this.#drawSoon();
  }

  /** Shows edges of the floor at their positions. */
  showBrinks(brinks: readonly NearBrink[]): void {
    this.#brinks = brinks;
    this.#drawSoon();
  }

  set body(body: Body) {
    this.#body = body;
    this.#drawSoon();
  }

  /** Whether to leave out ages and edges, for a comparison with a reach that has neither. */
  setPlain(isPlain: boolean): void {
    this.#isPlain = isPlain;
    this.#drawSoon();
  }

  /** Schedules one drawing for all changes since the last picture. */
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
    const { clientWidth, clientHeight } = this.#canvas;
    const side = Math.min(clientWidth, clientHeight);
    if (theme === null || side < 10) return;
    const scale = Math.min(2, globalThis.devicePixelRatio || 1);
    this.#canvas.width = Math.round(clientWidth * scale);
    this.#canvas.height = Math.round(clientHeight * scale);
    const c = this.#context;
    c.setTransform(scale, 0, 0, scale, (clientWidth * scale) / 2, (clientHeight * scale) / 2);
    const reach = this.#reach;
    const radius = side / 2 - 4;
    const frame: Frame = {
      c,
      theme,
      radius,
      inner: radius * (1 - BAND),
      limit: reach === null ? 4 : limitOf(reach),
    };
    if (reach !== null) this.#drawReach(frame, reach);
    drawRings(frame);
    if (reach !== null && !this.#isPlain) drawBrinks(frame, this.#brinks);
    if (reach?.pace !== undefined) drawWay(frame, limitPointOf({ pace: reach.pace }, this.#body));
    drawRobot(frame, this.#body);
  }

  #drawReach(
    { c, theme, radius, inner, limit }: Frame,
    { distanceMm, what, first, step, agesMs }: Reach,
  ): void {
    // Bearing 0 is ahead, which is up. Bearings increase counter-clockwise, on the canvas as in the world.
    const angle = (n: number): number => -Math.PI / 2 - (first + n * step);
    const at = (n: number): number => Math.min(inner, (distanceMm[n]! / 1000 / limit) * inner);
    const sector = (from: number, to: number, start: (n: number) => number, end: (n: number) => number) => {
      c.beginPath();
      for (let n = from; n <= to; n++) c.arc(0, 0, start(n), angle(n - 0.5), angle(n + 0.5), true);
      for (let n = to; n >= from; n--) c.arc(0, 0, end(n), angle(n + 0.5), angle(n - 0.5), false);
      c.closePath();
      c.fill();
    };
    c.fillStyle = theme.firm;
    sector(0, what.length - 1, at, () => 0);
    if (agesMs && !this.#isPlain) {
      c.fillStyle = this.#remembered;
      for (const [from, to] of runsOf(agesMs, (age) => age >= REMEMBERED)) sector(from, to, at, () => 0);
    }
    for (const [end, fill] of this.#fills) {
      c.fillStyle = fill;
      for (const [from, to] of runsOf(what, (one) => one === end)) {
        sector(from, to, (n) => Math.min(radius, at(n) + radius * BAND), at);
      }
    }
  }
}

/** First and last index of each run of values for which `isWanted` holds. */
function* runsOf(
  values: readonly number[],
  isWanted: (value: number) => boolean,
): Generator<readonly [from: number, to: number]> {
  for (let n = 0; n < values.length; n++) {
    if (!isWanted(values[n]!)) continue;
    const from = n;
    while (n + 1 < values.length && isWanted(values[n + 1]!)) n++;
    yield [from, n];
  }
}

function limitOf(reach: Reach): number {
  const farthest = Math.max(...reach.distanceMm) / 1000;
  return SCALES.find((metres) => farthest <= metres) ?? Math.ceil(farthest);
}

function drawRings({ c, theme, inner, limit }: Frame): void {
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
    const [x, y] = [r * Math.SQRT1_2 + 2, -r * Math.SQRT1_2];
    c.lineWidth = 3;
    c.strokeStyle = theme.card;
    c.strokeText(`${metres} m`, x, y);
    c.lineWidth = 1;
    c.strokeStyle = theme.faint;
    c.fillText(`${metres} m`, x, y);
  }
  c.beginPath();
  c.moveTo(0, -inner);
  c.lineTo(0, inner);
  c.moveTo(-inner, 0);
  c.lineTo(inner, 0);
  c.stroke();
}

/** Draws edges of the floor as bold lines, and the depth of the nearest. */
function drawBrinks(frame: Frame, brinks: readonly NearBrink[]): void {
  const { c, theme, inner, limit } = frame;
  const perMetre = inner / limit;
  // Ahead is up, left is left.
  const x = ([, left]: readonly [number, number]): number => -perMetre * left;
  const y = ([ahead]: readonly [number, number]): number => -perMetre * ahead;
  c.save();
  c.beginPath();
  c.arc(0, 0, inner, 0, 2 * Math.PI);
  c.clip();
  c.lineJoin = c.lineCap = "round";
  c.beginPath();
  for (const { points } of brinks) {
    points.forEach((point, n) => {
      if (n === 0) c.moveTo(x(point), y(point));
      else c.lineTo(x(point), y(point));
    });
  }
  for (const [ink, wide] of [
    [theme.paper, 7],
    [theme.brink, 4],
  ] as const) {
    // biome-ignore format: halo, then line
    c.strokeStyle = ink;
    c.lineWidth = wide;
    c.stroke();
  }
  c.restore();
  const [first] = brinks;
  if (first === undefined || first.distance > limit) return;
  drawLabel(frame, dropText(first.drop), x(first.nearest), y(first.nearest));
}

/** Draws a label beside a point, inside the fan. */
function drawLabel({ c, theme, inner }: Frame, text: string, x: number, y: number): void {
  c.font = "600 12px system-ui, sans-serif";
  const wide = c.measureText(text).width + 8;
  const left = Math.max(-inner, Math.min(inner - wide, x - wide / 2));
  const top = y < 0 ? Math.max(-inner, y - 24) : Math.min(inner - 18, y + 6);
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

/** Draws the band that the robot sweeps straight ahead, and a ring around the point that limits it. */
function drawWay({ c, theme, inner, limit }: Frame, limitPoint: LimitPoint | null): void {
  if (limitPoint === null) return;
  const perMetre = inner / limit;
  const { front, end, left, right, x, y, isOpen } = limitPoint;
  const [top, wide] = [-perMetre * end, perMetre * (left - right)];
  c.globalAlpha = 0.16;
  c.fillStyle = theme.robot;
  c.fillRect(-perMetre * left, top, wide, perMetre * (end - front));
  c.globalAlpha = 1;
  c.strokeStyle = theme.robot;
  c.lineWidth = 1.5;
  c.beginPath();
  c.moveTo(-perMetre * left, -perMetre * front);
  c.lineTo(-perMetre * left, top);
  c.lineTo(-perMetre * right, top);
  c.lineTo(-perMetre * right, -perMetre * front);
  c.stroke();
  if (isOpen) return;
  for (const [ink, width] of [
    [theme.paper, 5],
    [theme.robot, 2.5],
  ] as const) {
    c.strokeStyle = ink;
    c.lineWidth = width;
    c.beginPath();
    c.arc(-perMetre * y, -perMetre * x, LIMIT_RING, 0, 2 * Math.PI);
    c.stroke();
  }
}

/** Draws the robot to scale if that is large enough, else as an arrow. */
function drawRobot({ c, theme, inner, limit }: Frame, body: Body): void {
  const perMetre = inner / limit;
  const most = Math.max(0, ...body.flatMap(([x, y]) => [Math.abs(x), Math.abs(y)]));
  const isLarge = most * perMetre >= ROBOT;
  const size = isLarge ? perMetre : ROBOT;
  const outline = isLarge ? body : ARROW;
  const trace = (corners: Body): void => {
    c.beginPath();
    for (const [x, y] of corners) c.lineTo(-size * y, -size * x);
    c.closePath();
  };
  c.lineJoin = "round";
  trace(outline);
  c.fillStyle = isLarge ? theme.paper : theme.robot;
  c.fill();
  c.strokeStyle = theme.paper;
  c.lineWidth = 5;
  c.stroke();
  c.strokeStyle = theme.robot;
  c.lineWidth = 2;
  c.stroke();
  if (!isLarge) return;
  trace(wedgeOf(body));
  c.fillStyle = theme.robot;
  c.fill();
}
