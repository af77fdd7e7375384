import { LIGHT, type Palette } from "../../src/terms/palette.ts";
import { Drawing, type Fill, textWidth, wrapText } from "./drawing.ts";

/** What a class of a layer is called and how it is filled. */
export interface Style {
  readonly label: string;
  readonly fill: Fill;
}

/** Drawn over a layer. Places are in metres, in the layer's own axes. */
export type Overlay = PathOverlay | DotsOverlay | DropsOverlay;

/** The robot's path, with the robot at its end. */
export interface PathOverlay {
  readonly kind: "path";
  readonly label: string;
  /** x, y alternating. */
  readonly points: ArrayLike<number>;
}

/** Unconnected points. */
export interface DotsOverlay {
  readonly kind: "dots";
  readonly label: string;
  /** Default "robot". */
  readonly color?: keyof Palette;
  /** x, y alternating. */
  readonly points: ArrayLike<number>;
}

/** Edges of the floor: the boldest lines of a picture. */
export interface DropsOverlay {
  readonly kind: "drops";
  readonly label: string;
  readonly drops: readonly Drop[];
  /** Whether the floor is gone at a place: there the low side of an edge is. */
  readonly isGone: (x: number, y: number) => boolean;
}

export interface Drop {
  readonly points: readonly (readonly [x: number, y: number])[];
  /** Metres; not finite when no bottom was seen. */
  readonly depth: number;
}

export interface LayerOptions {
  readonly title: string;
  /** (height * width) row by row from the bottom: index into `styles`. */
  readonly layer: ArrayLike<number>;
  readonly width: number;
  readonly height: number;
  readonly styles: readonly Style[];
  /** Metres along one side of a cell. */
  readonly cellSize: number;
  /** Metres: the corner of cell 0 that is least in both axes. Default 0, 0. */
  readonly origin?: readonly [number, number];
  /** Pixels along one side of a cell. Default: the most that keep the longer side below 1000. */
  readonly scale?: number;
  /** Names of the axes to the right and up, as in "x" and "y". */
  readonly axes?: readonly [string, string];
  readonly overlays?: readonly Overlay[];
}

/** Where the layer lies in its picture: its top left corner, and the side of a cell, pixels. */
export interface Plot {
  readonly left: number;
  readonly top: number;
  readonly scale: number;
}

/** Pixels around and between the parts of a picture. */
const GAP = 14;
const LINE_HEIGHT = 26;
const SWATCH_WIDTH = 40;
const SWATCH_HEIGHT = 24;
/** Pixels below and to the left of the layer for the numbers of the grid, and their size. */
const TICK_HEIGHT = 24;
const TICK_SIZE = 16;
/** Least pixels between lines of the grid, and between their numbers. */
const GRID = 60;
const MOST_PIXELS = 64e6;
const LEAST_WIDTH = 320;
const LONGER_SIDE = 1000;

/** Pixels: an edge's line, its halo, the ticks to its low side and their distance. */
const EDGE = 5;
const EDGE_HALO = 10;
const TICK_LENGTH = 12;
const TICK_EVERY = 13;
/** An edge shorter than this has no depth beside it, pixels. */
const LABELLED = 45;

/** Metres and pixels of one picture. */
interface Scale extends Plot {
  readonly cellSize: number;
  readonly origin: readonly [number, number];
  readonly columns: number;
  readonly rows: number;
}
const xOf = (s: Scale, metres: number): number => s.left + ((metres - s.origin[0]) / s.cellSize) * s.scale;
const yOf = (s: Scale, metres: number): number =>
  s.top + (s.rows - (metres - s.origin[1]) / s.cellSize) * s.scale;

/**
 * Draws a layer of classes, a map from above or an elevation from the side, with a title, a grid in metres, a legend of its
 * styles, and a scale. The first row is at the bottom.
 * @throws {RangeError} if the layer doesn't fit its size, or has a class that has no style
 */
export function drawLayer(options: LayerOptions): { readonly drawing: Drawing; readonly plot: Plot } {
  const { title, layer, width, height, styles, cellSize, origin = [0, 0], overlays = [] } = options;
  const scale = options.scale ?? Math.max(1, Math.floor(LONGER_SIDE / Math.max(width, height)));
  requireSize(width, height, layer.length, scale);
  if (!(cellSize > 0)) throw new RangeError(`cells of ${cellSize} m`);
  const [plotWidth, plotHeight] = [width * scale, height * scale];
  const left = GAP + tickMargin(origin[1], origin[1] + height * cellSize);
  const innerWidth = Math.max(plotWidth + left - GAP, LEAST_WIDTH);
  const titleLines = wrapText(title, innerWidth);
  const top = GAP + titleLines.length * LINE_HEIGHT + (titleLines.length > 0 ? 6 : 0);
  const below = top + plotHeight + TICK_HEIGHT;
  const entries = [...styles, ...overlays];
  const places = legendPlaces(entries, innerWidth);
  const legendHeight = entries.length === 0 ? 0 : places.at(-1)![1] + SWATCH_HEIGHT;
  const legendTop = below + LINE_HEIGHT + GAP;
  const drawing = new Drawing(innerWidth + 2 * GAP, legendTop + legendHeight + GAP);
  titleLines.forEach((line, n) => void drawing.text(GAP, GAP + 20 + n * LINE_HEIGHT, line));

  const s: Scale = { left, top, scale, cellSize, origin, columns: width, rows: height };
  drawCells(drawing, options, s);
  drawGrid(drawing, s);
  drawing.within({ x: left, y: top, width: plotWidth, height: plotHeight }, () => {
    for (const overlay of overlays) {
      if (overlay.kind === "drops") drawDrops(drawing, overlay, s);
      else if (overlay.kind === "path") drawPath(drawing, placesOf(overlay, s), s);
      else drawDots(drawing, placesOf(overlay, s), LIGHT[overlay.color ?? "robot"]);
    }
  });
  const border = { x: left - 1, y: top - 1, width: plotWidth + 2, height: plotHeight + 2 };
  drawing.frame(border, { color: LIGHT.ink, width: 1 });
  drawScaleBar(drawing, s, below, options.axes);
  entries.forEach((entry, n) => {
    const [x, y] = [GAP + places[n]![0], legendTop + places[n]![1]];
    drawSwatch(drawing, x, y, entry);
    drawing.text(x + SWATCH_WIDTH + 8, y + 19, entry.label);
  });
  return { drawing, plot: { left, top, scale } };
}

function requireSize(width: number, height: number, count: number, scale: number): void {
  const isWhole = Number.isInteger(width) && width > 0 && Number.isInteger(height) && height > 0;
  if (!isWhole || count !== width * height) throw new RangeError(`${count} cells for ${width} x ${height}`);
  if (!(Number.isInteger(scale) && scale > 0 && width * height * scale ** 2 <= MOST_PIXELS)) {
    throw new RangeError(
      `${width} x ${height} cells at ${scale} pixels each; a picture has at most ${MOST_PIXELS}`,
    );
  }
}

/** Fills the cells: the style that most rows begin with as the ground of all, each of the others as one path. */
function drawCells(drawing: Drawing, { layer, styles, width, height }: LayerOptions, s: Scale): void {
  const outlines = styles.map(() => [] as string[]);
  /** Runs of the row below that may grow upwards, by their first column: style, end, height. */
  let open = new Map<number, { style: number; end: number; from: number }>();
  const close = (
    start: number,
    { style, end, from }: { style: number; end: number; from: number },
    to: number,
  ) => {
    const [x, y] = [s.left + start * s.scale, s.top + (height - to) * s.scale];
    const [w, h] = [(end - start) * s.scale, (to - from) * s.scale];
    outlines[style]!.push(`M${x} ${y}h${w}v${h}h${-w}z`);
  };
  for (let row = 0; row <= height; row++) {
    const grown = new Map<number, { style: number; end: number; from: number }>();
    for (let col = 0; row < height && col < width; ) {
      const style = layer[row * width + col]!;
      if (outlines[style] === undefined) throw new RangeError(`cell ${col}, ${row} has class ${style}`);
      let end = col + 1;
      while (end < width && layer[row * width + end] === style) end++;
      const below = open.get(col);
      const isSame = below?.style === style && below.end === end;
      grown.set(col, { style, end, from: isSame ? below.from : row });
      if (isSame) open.delete(col);
      col = end;
    }
    for (const [start, run] of open) close(start, run, row);
    open = grown;
  }
  const ground = outlines.reduce((best, { length }, n) => (length > outlines[best]!.length ? n : best), 0);
  styles.forEach(({ fill }, n) => {
    if (n === ground)
      drawing.rect({ x: s.left, y: s.top, width: width * s.scale, height: height * s.scale }, fill);
  });
  styles.forEach(({ fill }, n) => {
    if (n !== ground && outlines[n]!.length > 0) drawing.area(outlines[n]!.join(""), fill, true);
  });
}

/** The distance between lines of the grid: 1, 2, 5, 10 ... metres, the least that leaves `GRID` pixels between them. */
function gridStep({ scale, cellSize }: Scale): number {
  for (let power = 1; ; power *= 10) {
    for (const digit of [1, 2, 5]) if ((digit * power * scale) / cellSize >= GRID) return digit * power;
  }
}

/** Multiples of `step` from `low` to `high`. */
function* multiples(low: number, high: number, step: number): Generator<number> {
  for (let n = Math.ceil(low / step - 1e-9); n * step <= high + 1e-9; n++) yield n * step;
}

const tickText = (metres: number): string => String(Math.round(metres)).replace("-", "−");
/** Pixels to the left of the layer for numbers from `low` to `high`. */
const tickMargin = (low: number, high: number): number =>
  12 + Math.ceil(Math.max(...[low, high].map((end) => textWidth(tickText(end), TICK_SIZE))));

function drawGrid(drawing: Drawing, s: Scale): void {
  const step = gridStep(s);
  const [right, bottom] = [s.left + s.columns * s.scale, s.top + s.rows * s.scale];
  const stroke = { color: LIGHT.faint, width: 1 };
  const label = { size: TICK_SIZE, color: LIGHT.soft };
  for (const x of multiples(s.origin[0], s.origin[0] + s.columns * s.cellSize, step)) {
    const at = xOf(s, x);
    drawing.lines([[at, s.top, at, bottom]], stroke);
    drawing.text(at, bottom + 18, tickText(x), { ...label, anchor: "middle" });
  }
  for (const y of multiples(s.origin[1], s.origin[1] + s.rows * s.cellSize, step)) {
    const at = yOf(s, y);
    drawing.lines([[s.left, at, right, at]], stroke);
    drawing.text(s.left - 7, at + 6, tickText(y), { ...label, anchor: "end" });
  }
}

/** The points of an overlay as pixels. */
function placesOf({ points }: PathOverlay | DotsOverlay, s: Scale): number[] {
  const places: number[] = [];
  for (let n = 0; n + 1 < points.length; n += 2) places.push(xOf(s, points[n]!), yOf(s, points[n + 1]!));
  return places;
}

function drawDots(drawing: Drawing, places: readonly number[], color: string): void {
  for (let n = 0; n < places.length; n += 2) drawing.dot(places[n]!, places[n + 1]!, 3, color);
}

function drawPath(drawing: Drawing, places: readonly number[], s: Scale): void {
  // Narrower than a corridor where the whole map is small.
  const width = Math.min(3, Math.max(1.5, (0.15 * s.scale) / s.cellSize));
  if (width >= 2) drawing.lines([places], { color: LIGHT.paper, width: width + 3 });
  drawing.lines([places], { color: LIGHT.robot, width });
  drawRobot(drawing, places);
}

/** The robot at the end of its path, its tip ahead. */
function drawRobot(drawing: Drawing, places: readonly number[]): void {
  const [x, y] = places.slice(-2) as [number, number];
  if (x === undefined) return;
  // Ahead is away from where it was a few pixels before.
  let n = places.length - 2;
  while (n > 0 && Math.hypot(x - places[n]!, y - places[n + 1]!) < 8) n -= 2;
  const ahead = n >= 0 ? Math.atan2(y - places[n + 1]!, x - places[n]!) : 0;
  const corner = (along: number, across: number): string =>
    `${x + along * Math.cos(ahead) - across * Math.sin(ahead)} ${y + along * Math.sin(ahead) + across * Math.cos(ahead)}`;
  const outline = (size: number): string =>
    `M${corner(1.5 * size, 0)}L${corner(-size, 0.9 * size)}L${corner(-0.6 * size, 0)}L${corner(-size, -0.9 * size)}Z`;
  drawing.area(outline(13), LIGHT.paper);
  drawing.area(outline(9), LIGHT.robot);
}

function drawDrops(drawing: Drawing, { drops, isGone }: DropsOverlay, s: Scale): void {
  const edges = drops.map(({ points }) => points.flatMap(([x, y]) => [xOf(s, x), yOf(s, y)]));
  const metres = s.cellSize / s.scale;
  const isLow = (x: number, y: number): boolean =>
    isGone((x - s.left) * metres + s.origin[0], (s.rows * s.scale - (y - s.top)) * metres + s.origin[1]);
  const ticks = edges.flatMap((edge) => ticksOf(edge, Math.max(s.scale, TICK_LENGTH), isLow));
  // A single cell's edge is a dot: a line from a place to itself, which the round ends make one.
  const dotted = edges.map((edge) => (edge.length === 2 ? [...edge, edge[0]!, edge[1]! + 0.01] : edge));
  drawing.lines([...dotted, ...ticks], { color: LIGHT.paper, width: EDGE_HALO });
  drawing.lines(ticks, { color: LIGHT.brink, width: 3 });
  drawing.lines(dotted, { color: LIGHT.brink, width: EDGE });
  const taken: (readonly [x: number, y: number, halfWidth: number])[] = [];
  const byLength = edges.map((edge, n) => ({ edge, depth: drops[n]!.depth, length: lengthOf(edge) }));
  for (const { edge, depth, length } of byLength.sort((a, b) => b.length - a.length)) {
    if (length < LABELLED) break;
    const text = Number.isFinite(depth) ? lengthName(depth) : "no bottom seen";
    const half = textWidth(text) / 2;
    const [x, y] = labelPlace(edge, length / 2, half, isLow);
    if (taken.some(([tx, ty, th]) => Math.abs(tx - x) < half + th && Math.abs(ty - y) < LINE_HEIGHT))
      continue;
    taken.push([x, y, half]);
    drawing.text(x, y + 7, text, { anchor: "middle", color: LIGHT.mark, halo: LIGHT.paper });
  }
}

/** Short lines from an edge to its low side. */
function ticksOf(edge: readonly number[], far: number, isLow: (x: number, y: number) => boolean): number[][] {
  const ticks: number[][] = [];
  let since = TICK_EVERY / 2;
  for (let n = 2; n < edge.length; n += 2) {
    const [ax, ay, bx, by] = edge.slice(n - 2, n + 2) as [number, number, number, number];
    const length = Math.hypot(bx - ax, by - ay);
    if (length === 0) continue;
    for (; since < length; since += TICK_EVERY) {
      const [x, y] = [ax + (since / length) * (bx - ax), ay + (since / length) * (by - ay)];
      const [nx, ny] = [-(by - ay) / length, (bx - ax) / length];
      const side = [1, -1].find((one) => isLow(x + one * far * nx, y + one * far * ny));
      if (side !== undefined) ticks.push([x, y, x + side * TICK_LENGTH * nx, y + side * TICK_LENGTH * ny]);
    }
    since -= length;
  }
  return ticks;
}

function lengthOf(edge: readonly number[]): number {
  let length = 0;
  for (let n = 2; n < edge.length; n += 2)
    length += Math.hypot(edge[n]! - edge[n - 2]!, edge[n + 1]! - edge[n - 1]!);
  return length;
}

/** Where the middle of a text goes: beside the place `along` pixels from the start of an edge, on its high side. */
function labelPlace(
  edge: readonly number[],
  along: number,
  halfWidth: number,
  isLow: (x: number, y: number) => boolean,
): readonly [x: number, y: number] {
  let left = along;
  for (let n = 2; n < edge.length; n += 2) {
    const [ax, ay, bx, by] = edge.slice(n - 2, n + 2) as [number, number, number, number];
    const length = Math.hypot(bx - ax, by - ay);
    if (length === 0 || length < left) {
      left -= length;
      continue;
    }
    const [x, y] = [ax + (left / length) * (bx - ax), ay + (left / length) * (by - ay)];
    const [nx, ny] = [-(by - ay) / length, (bx - ax) / length];
    const side = isLow(x + 2 * TICK_LENGTH * nx, y + 2 * TICK_LENGTH * ny) ? -1 : 1;
    const away = 20 + Math.abs(nx) * (halfWidth - 8);
    return [x + side * away * nx, y + side * away * ny];
  }
  return [edge[0]!, edge[1]!];
}

function drawScaleBar(drawing: Drawing, s: Scale, below: number, axes?: readonly [string, string]): void {
  const metre = s.scale / s.cellSize;
  const length = roundLength(Math.max((s.columns * s.scale) / 4, 40) / metre);
  const bar = length * metre;
  const y = below + 14;
  drawing.rect({ x: s.left, y: y - 2, width: bar, height: 4 }, LIGHT.ink);
  drawing.rect({ x: s.left, y: y - 7, width: 2, height: 14 }, LIGHT.ink);
  drawing.rect({ x: s.left + bar - 2, y: y - 7, width: 2, height: 14 }, LIGHT.ink);
  const name = lengthName(length);
  drawing.text(s.left + bar + 10, y + 7, name);
  if (axes === undefined) return;
  const text = `${axes[0]} to the right, ${axes[1]} up, metres`;
  const x = s.left + bar + 10 + textWidth(name) + 2 * GAP;
  if (x + textWidth(text, TICK_SIZE) <= drawing.width) {
    drawing.text(x, y + 6, text, { size: TICK_SIZE, color: LIGHT.soft });
  }
}

/** The longest of 1, 2, 5, 10 ... that isn't longer than `most`. Metres. */
function roundLength(most: number): number {
  const power = 10 ** Math.floor(Math.log10(most) + 1e-9);
  return [5, 2, 1].map((digit) => digit * power).find((length) => length <= most * (1 + 1e-9)) ?? power;
}

function lengthName(metres: number): string {
  if (metres >= 1) return `${Number(metres.toFixed(1))} m`;
  return metres >= 0.01 ? `${Math.round(metres * 100)} cm` : `${Number((metres * 1000).toPrecision(3))} mm`;
}

/** Where the entries of a legend go, row below row: the top left of each swatch. */
function legendPlaces(
  entries: readonly { readonly label: string }[],
  width: number,
): [x: number, y: number][] {
  let [x, y] = [0, 0];
  return entries.map(({ label }) => {
    const size = SWATCH_WIDTH + 8 + textWidth(label);
    if (x > 0 && x + size > width) {
      x = 0;
      y += SWATCH_HEIGHT + 10;
    }
    const place: [number, number] = [x, y];
    x += size + 2 * GAP;
    return place;
  });
}

function drawSwatch(drawing: Drawing, x: number, y: number, entry: Style | Overlay): void {
  if ("fill" in entry) {
    const swatch = { x, y, width: SWATCH_WIDTH, height: SWATCH_HEIGHT };
    drawing.rect(swatch, entry.fill);
    drawing.frame(swatch, { color: LIGHT.soft, width: 1 });
    return;
  }
  const middle = y + SWATCH_HEIGHT / 2;
  switch (entry.kind) {
    case "path":
      drawing.lines([[x, middle, x + SWATCH_WIDTH, middle]], { color: LIGHT.robot, width: 3 });
      break;
    case "dots":
      for (let k = 6; k < SWATCH_WIDTH; k += 9) drawing.dot(x + k, middle, 3, LIGHT[entry.color ?? "robot"]);
      break;
    case "drops": {
      const ticks = [7, 20, 33].map((k) => [x + k, middle - 3, x + k, middle - 3 + TICK_LENGTH]);
      drawing.lines(ticks, { color: LIGHT.brink, width: 3 });
      drawing.lines([[x, middle - 3, x + SWATCH_WIDTH, middle - 3]], { color: LIGHT.brink, width: EDGE });
      break;
    }
    default:
      entry satisfies never;
  }
}
