import { GLYPH_HEIGHT, GLYPH_WIDTH, glyphRows } from "./font.ts";
import { encodePng } from "./png.ts";

export type Color = readonly [red: number, green: number, blue: number];

/** Told apart with any kind of colour vision. Source: Okabe & Ito 2008, Color Universal Design. */
export const OKABE_ITO = {
  black: [0, 0, 0],
  orange: [230, 159, 0],
  skyBlue: [86, 180, 233],
  bluishGreen: [0, 158, 115],
  yellow: [240, 228, 66],
  blue: [0, 114, 178],
  vermillion: [213, 94, 0],
  reddishPurple: [204, 121, 167],
} as const satisfies Record<string, Color>;

const WHITE: Color = [255, 255, 255];
const INK: Color = OKABE_ITO.black;

/** How an area is filled. A pattern puts `mark` on `color`, so that colour alone never tells areas apart. */
export interface Style {
  readonly label: string;
  readonly color: Color;
  readonly pattern?: "plain" | "hatch" | "dots" | "cross";
  readonly mark?: Color;
}

/** What maps show. */
export const STYLES = {
  unknown: { label: "unknown", color: [190, 190, 190], pattern: "dots", mark: [150, 150, 150] },
  clear: { label: "clear floor", color: [255, 255, 255] },
  blocked: { label: "blocked", color: OKABE_ITO.black },
  lowOverhead: { label: "low overhead", color: OKABE_ITO.orange, pattern: "hatch", mark: [150, 90, 0] },
  firm: { label: "firm", color: OKABE_ITO.skyBlue },
  gone: { label: "gone", color: OKABE_ITO.vermillion, pattern: "cross", mark: OKABE_ITO.black },
  doubtful: { label: "doubtful", color: OKABE_ITO.yellow, pattern: "hatch", mark: [150, 140, 20] },
} as const satisfies Record<string, Style>;

/** Pixels between the marks of a pattern: fixed on the paper, whatever the magnification. */
const PATTERN_STEP = 6;

/** The colour of a style at a pixel of the picture. */
function colorAt({ color, pattern = "plain", mark = INK }: Style, x: number, y: number): Color {
  const down = (x + y) % PATTERN_STEP;
  const up = (x - y + PATTERN_STEP * 65536) % PATTERN_STEP;
  const isMarked =
    (pattern === "hatch" && down < 2) ||
    (pattern === "cross" && (down === 0 || up === 0)) ||
    (pattern === "dots" && x % PATTERN_STEP === 0 && y % PATTERN_STEP === 0);
  return isMarked ? mark : color;
}

/** Width of a text in pixels. */
export const textWidth = (text: string, size = 1): number =>
  Math.max(0, text.length * (GLYPH_WIDTH + 1) - 1) * size;

/** RGB pixels, x to the right and y down from the top left. What falls outside is cut off. */
export class Picture {
  readonly width: number;
  readonly height: number;
  /** (3 * width * height) row by row. */
  readonly pixels: Uint8Array;

  constructor(width: number, height: number, background: Color = WHITE) {
    this.width = width;
    this.height = height;
    this.pixels = new Uint8Array(3 * width * height);
    this.fill(0, 0, width, height, background);
  }

  set(x: number, y: number, color: Color): void {
    if (x < 0 || y < 0 || x >= this.width || y >= this.height) return;
    this.pixels.set(color, 3 * (y * this.width + x));
  }

  /** A rectangle. */
  fill(x: number, y: number, width: number, height: number, color: Color): void {
    for (let v = y; v < y + height; v++) for (let u = x; u < x + width; u++) this.set(u, v, color);
  }

  /** A rectangle with a style's pattern. */
  fillStyle(x: number, y: number, width: number, height: number, style: Style): void {
    for (let v = y; v < y + height; v++)
      for (let u = x; u < x + width; u++) this.set(u, v, colorAt(style, u, v));
  }

  /** The border of a rectangle, one pixel wide, inside it. */
  frame(x: number, y: number, width: number, height: number, color: Color): void {
    this.fill(x, y, width, 1, color);
    this.fill(x, y + height - 1, width, 1, color);
    this.fill(x, y, 1, height, color);
    this.fill(x + width - 1, y, 1, height, color);
  }

  /** A straight line, `thickness` pixels wide. Source: Bresenham 1965. */
  line(x0: number, y0: number, x1: number, y1: number, color: Color, thickness = 1): void {
    let [x, y] = [Math.round(x0), Math.round(y0)];
    const [endX, endY] = [Math.round(x1), Math.round(y1)];
    const [dx, dy] = [Math.abs(endX - x), -Math.abs(endY - y)];
    const [stepX, stepY] = [Math.sign(endX - x), Math.sign(endY - y)];
    const before = (thickness - 1) >> 1;
    for (let error = dx + dy; ; ) {
      this.fill(x - before, y - before, thickness, thickness, color);
      if (x === endX && y === endY) return;
      const twice = 2 * error;
      if (twice >= dy) {
        error += dy;
        x += stepX;
      }
      if (twice <= dx) {
        error += dx;
        y += stepY;
      }
    }
  }

  /** One line of ASCII text, (x, y) at its top left; a pixel of the 5 x 7 font is `size` pixels. */
  text(x: number, y: number, text: string, color: Color = INK, size = 1): void {
    for (let n = 0; n < text.length; n++) {
      const rows = glyphRows(text[n]!);
      for (let row = 0; row < rows.length; row++) {
        for (let col = 0; col < GLYPH_WIDTH; col++) {
          if ((rows[row]! >> (GLYPH_WIDTH - 1 - col)) & 1)
            this.fill(x + (n * (GLYPH_WIDTH + 1) + col) * size, y + row * size, size, size, color);
        }
      }
    }
  }

  /** Another picture on top, its top left at (x, y). */
  put(x: number, y: number, other: Picture): void {
    for (let v = 0; v < other.height; v++) {
      for (let u = 0; u < other.width; u++) {
        const at = 3 * (v * other.width + u);
        this.set(x + u, y + v, [other.pixels[at]!, other.pixels[at + 1]!, other.pixels[at + 2]!]);
      }
    }
  }

  toPng(): Uint8Array {
    return encodePng(this.pixels, this.width, this.height);
  }
}

/** Pixels around and between the parts of a picture. */
const GAP = 10;
const SWATCH_WIDTH = 22;
const SWATCH_HEIGHT = 14;
const MOST_PIXELS = 64e6;

/** A line or dots over a layer. */
export interface Overlay {
  readonly label: string;
  readonly color: Color;
  /** "line" joins the points; "dots" doesn't. */
  readonly kind: "line" | "dots";
  /** x, y alternating, metres, in the layer's own axes. */
  readonly points: ArrayLike<number>;
}

export interface LayerPicture {
  readonly title: string;
  /** (height * width) row by row: index into `styles`. */
  readonly layer: ArrayLike<number>;
  readonly width: number;
  readonly height: number;
  readonly styles: readonly Style[];
  /** Metres along one side of a cell. */
  readonly cellSize: number;
  /** Metres: the corner of cell 0 that is least in both axes. Default 0, 0. */
  readonly origin?: readonly [number, number];
  /** Whether row 0 is at the top. Default: at the bottom, so that the second axis points up, as maps and elevations do. */
  readonly topFirst?: boolean;
  /** Pixels along one side of a cell. Default: the most that keep the longer side below 1000. */
  readonly scale?: number;
  /** Pixels along one side of a pixel of the font. Default 1. */
  readonly textSize?: number;
  /** Names of the axes, as in "x" and "y". */
  readonly axes?: readonly [string, string];
  readonly overlays?: readonly Overlay[];
}

/** The longest of 1, 2, 5, 10 ... that isn't longer than `most`. Metres. */
function roundLength(most: number): number {
  const power = 10 ** Math.floor(Math.log10(most) + 1e-9);
  return [5, 2, 1].map((digit) => digit * power).find((length) => length <= most * (1 + 1e-9)) ?? power;
}

const lengthName = (metres: number): string => {
  if (metres >= 1) return `${Math.round(metres)} m`;
  return metres >= 0.01 ? `${Math.round(metres * 100)} cm` : `${Number((metres * 1000).toPrecision(3))} mm`;
};

/** A legend's entries, row below row. */
interface Legend {
  readonly height: number;
  draw(picture: Picture, x: number, y: number): void;
}

function makeLegend(
  styles: readonly Style[],
  overlays: readonly Overlay[],
  width: number,
  textSize = 1,
): Legend {
  const entries = [...styles, ...overlays];
  const [swatchWidth, swatchHeight] = [SWATCH_WIDTH * textSize, SWATCH_HEIGHT * textSize];
  const space = 6 * textSize;
  const places: [x: number, y: number][] = [];
  let [x, y] = [0, 0];
  for (const { label } of entries) {
    const size = swatchWidth + space + textWidth(label, textSize) + 2 * GAP;
    if (x > 0 && x + size - 2 * GAP > width) {
      x = 0;
      y += swatchHeight + space;
    }
    places.push([x, y]);
    x += size;
  }
  return {
    height: entries.length === 0 ? 0 : y + swatchHeight,
    draw(picture, left, top) {
      entries.forEach((entry, i) => {
        const [u, v] = [left + places[i]![0], top + places[i]![1]];
        if ("points" in entry) {
          const middle = v + swatchHeight / 2;
          if (entry.kind === "line") picture.fill(u, middle - 1, swatchWidth, 2, entry.color);
          else for (let k = 3; k < swatchWidth; k += 7) picture.fill(u + k, middle - 1, 3, 3, entry.color);
        } else {
          picture.fillStyle(u, v, swatchWidth, swatchHeight, entry);
          picture.frame(u, v, swatchWidth, swatchHeight, INK);
        }
        const textTop = v + Math.floor((swatchHeight - GLYPH_HEIGHT * textSize) / 2);
        picture.text(u + swatchWidth + space, textTop, entry.label, INK, textSize);
      });
    },
  };
}

/** Cuts a text to the pixels there are. */
const shorten = (text: string, width: number, size = 1): string => {
  const most = Math.floor((width / size + 1) / (GLYPH_WIDTH + 1));
  return text.length <= most ? text : `${text.slice(0, Math.max(0, most - 2))}..`;
};

/** Breaks a text between words where it would be wider than `width`; a word that is too wide for itself is cut. */
function wrap(text: string, width: number, size: number): string[] {
  const lines: string[] = [];
  for (const word of text.split(" ")) {
    const longer = lines.length === 0 ? word : `${lines.at(-1)} ${word}`;
    if (lines.length > 0 && textWidth(longer, size) <= width) lines[lines.length - 1] = longer;
    else lines.push(word);
  }
  return lines.map((line) => shorten(line, width, size));
}

function requireSize(width: number, height: number, count: number, scale: number): void {
  if (
    !(
      Number.isInteger(width) &&
      width > 0 &&
      Number.isInteger(height) &&
      height > 0 &&
      count === width * height
    )
  )
    throw new RangeError(`${count} cells for ${width} x ${height}`);
  if (!(Number.isInteger(scale) && scale > 0 && width * height * scale ** 2 <= MOST_PIXELS))
    throw new RangeError(
      `${width} x ${height} cells at ${scale} pixels each; a picture has at most ${MOST_PIXELS}`,
    );
}

const LEAST_WIDTH = 240;

/**
 * Draws a layer of classes - a map from above, an elevation from the side - with a title, what its styles mean, and how
 * long a metre is.
 * @throws {RangeError} if the layer doesn't fit its size, or has a class that has no style
 */
export function drawLayer(options: LayerPicture): Picture {
  const { title, layer, width, height, styles, cellSize, origin = [0, 0], topFirst = false, axes } = options;
  const { textSize = 1 } = options;
  const scale = options.scale ?? Math.max(1, Math.floor(1000 / Math.max(width, height)));
  const overlays = options.overlays ?? [];
  requireSize(width, height, layer.length, scale);
  if (!(cellSize > 0)) throw new RangeError(`cells of ${cellSize} m`);
  const [drawnWidth, drawnHeight] = [width * scale, height * scale];
  const innerWidth = Math.max(drawnWidth, LEAST_WIDTH);
  const legend = makeLegend(styles, overlays, innerWidth, textSize);
  const lines = wrap(title, innerWidth, textSize);
  const lineHeight = (GLYPH_HEIGHT + 3) * textSize;
  const top = 2 * GAP + (lines.length - 1) * lineHeight + GLYPH_HEIGHT * textSize + 2;
  const below = top + drawnHeight + 1 + GAP;
  const barHeight = 8 + 4 + GLYPH_HEIGHT * textSize;
  const picture = new Picture(innerWidth + 2 * GAP + 2, below + barHeight + GAP + legend.height + GAP);

  lines.forEach((line, n) => void picture.text(GAP, GAP + n * lineHeight, line, INK, textSize));
  const left = GAP + 1;
  for (let row = 0; row < height; row++) {
    const y = top + (topFirst ? row : height - 1 - row) * scale;
    for (let col = 0; col < width; col++) {
      const style = styles[layer[row * width + col]!];
      if (style === undefined)
        throw new RangeError(`cell ${col}, ${row} has class ${layer[row * width + col]}`);
      picture.fillStyle(left + col * scale, y, scale, scale, style);
    }
  }
  // A line breaks where it leaves the layer.
  for (const { kind, color, points } of overlays) {
    const thickness = kind === "dots" ? 3 : 2;
    let before: [number, number] | null = null;
    for (let i = 0; i + 1 < points.length; i += 2) {
      const across = (points[i]! - origin[0]) / cellSize;
      const along = (points[i + 1]! - origin[1]) / cellSize;
      const isInside = across >= 0 && across < width && along >= 0 && along < height;
      const x = left + Math.floor(across * scale);
      const y = top + Math.floor((topFirst ? along : height - along) * scale);
      if (isInside && (kind === "dots" || before === null)) picture.line(x, y, x, y, color, thickness);
      else if (isInside && before !== null) picture.line(before[0], before[1], x, y, color, thickness);
      before = isInside ? [x, y] : null;
    }
  }
  picture.frame(GAP, top - 1, drawnWidth + 2, drawnHeight + 2, INK);

  const metre = scale / cellSize; // pixels
  const length = roundLength(Math.max(drawnWidth / 3, 40) / metre);
  const bar = Math.round(length * metre);
  picture.fill(left, below + 3, bar, 2, INK);
  picture.fill(left, below, 1, 8, INK);
  picture.fill(left + bar - 1, below, 1, 8, INK);
  picture.text(left, below + 12, lengthName(length), INK, textSize);
  if (axes) {
    const names = `${axes[0]} right, ${axes[1]} ${topFirst ? "down" : "up"}`;
    const at = left + Math.max(bar, textWidth(lengthName(length), textSize)) + 2 * GAP;
    if (at + textWidth(names, textSize) <= picture.width) picture.text(at, below + 12, names, INK, textSize);
  }
  legend.draw(picture, GAP, below + barHeight + GAP);
  return picture;
}

export interface DepthPicture {
  readonly title: string;
  /** (height * width) row by row from the top; 0 is no return. */
  readonly counts: ArrayLike<number>;
  readonly width: number;
  readonly height: number;
  /** Metres per count. */
  readonly unit: number;
  /** Metres that are drawn lightest and darkest. Default: of what is seen, the 1st and 99th of a hundred. */
  readonly near?: number;
  readonly far?: number;
  /** Pixels along one side of a pixel. Default 1. */
  readonly scale?: number;
}

const NO_RETURN: Style = {
  label: "no return",
  color: OKABE_ITO.orange,
  pattern: "hatch",
  mark: [150, 90, 0],
};

/** Near is light, far is dark: one hue whose lightness falls all the way, so it reads without colour too. */
function depthColor(share: number): Color {
  const t = Math.min(1, Math.max(0, share));
  const [light, middle, dark]: [Color, Color, Color] = [[236, 245, 252], OKABE_ITO.blue, [0, 18, 40]];
  const [from, to, k] = t < 0.5 ? [light, middle, 2 * t] : [middle, dark, 2 * t - 1];
  return [0, 1, 2].map((c) => Math.round(from[c]! + k * (to[c]! - from[c]!))) as [number, number, number];
}

/** Draws a depth image with its scale. @throws {RangeError} if the image doesn't fit its size */
export function drawDepth(options: DepthPicture): Picture {
  const { title, counts, width, height, unit, scale = 1 } = options;
  requireSize(width, height, counts.length, scale);
  const seen = Float64Array.from(Array.from(counts).filter((count) => count > 0)).sort();
  const near = options.near ?? (seen[Math.floor(0.01 * seen.length)] ?? 0) * unit;
  const far = options.far ?? (seen[Math.floor(0.99 * seen.length)] ?? 1) * unit;
  const innerWidth = Math.max(width * scale, LEAST_WIDTH);
  const legend = makeLegend([NO_RETURN], [], innerWidth);
  const top = 2 * GAP + GLYPH_HEIGHT + 2;
  const below = top + height * scale + 1 + GAP;
  const rampHeight = 12 + 4 + GLYPH_HEIGHT;
  const picture = new Picture(innerWidth + 2 * GAP + 2, below + rampHeight + GAP + legend.height + GAP);
  picture.text(GAP, GAP, shorten(title, innerWidth));
  const left = GAP + 1;
  const span = Math.max(far - near, 1e-9);
  for (let v = 0, i = 0; v < height; v++) {
    for (let u = 0; u < width; u++, i++) {
      const [x, y] = [left + u * scale, top + v * scale];
      const count = counts[i]!;
      if (count === 0) picture.fillStyle(x, y, scale, scale, NO_RETURN);
      else picture.fill(x, y, scale, scale, depthColor((count * unit - near) / span));
    }
  }
  picture.frame(GAP, top - 1, width * scale + 2, height * scale + 2, INK);

  const rampWidth = Math.min(innerWidth, 320);
  for (let x = 0; x < rampWidth; x++) picture.fill(left + x, below, 1, 12, depthColor(x / (rampWidth - 1)));
  picture.frame(left - 1, below - 1, rampWidth + 2, 14, INK);
  const [nearName, farName] = [`${near.toFixed(2)} m`, `${far.toFixed(2)} m`];
  picture.text(left, below + 16, nearName);
  picture.text(left + rampWidth - textWidth(farName), below + 16, farName);
  legend.draw(picture, GAP, below + rampHeight + GAP);
  return picture;
}
