import { FONT_FAMILY, svgToPng } from "../../src/service/maps/rasterize.ts";
import { LIGHT } from "../../src/terms/palette.ts";
import { PATTERNS, type Sign } from "../../src/terms/signs.ts";
import { escapeText } from "./markup.ts";

/** What an area is filled with: a colour as `#rrggbb`, or a sign of the map. */
export type Fill = string | Sign;

/** The top left corner and the size, pixels. */
interface Rectangle {
  readonly x: number;
  readonly y: number;
  readonly width: number;
  readonly height: number;
}

export interface Stroke {
  readonly color: string;
  readonly width: number;
  /** Lengths of dashes and gaps, as SVG has them. */
  readonly dash?: string;
}

export interface TextOptions {
  /** Pixels. Default 20. */
  readonly size?: number;
  readonly color?: string;
  /** Which end of the text `x` is at. Default "start". */
  readonly anchor?: "start" | "middle" | "end";
  /** A halo in this colour, so that the text is read over anything. */
  readonly halo?: string;
}

export const TEXT_SIZE = 20;
/** The patterns are made for a screen; pictures are shown smaller than they are. */
const PATTERN_SCALE = 1.6;

/** To hundredths, which is enough for a pixel and short; or to `parts` of one. */
const number = (value: number, parts = 100): string => String(Math.round(parts * value) / parts);

/** A drawing in the day colours: x to the right and y down from the top left, pixels. */
export class Drawing {
  readonly width: number;
  readonly height: number;
  readonly #patterns = new Map<string, string>();
  readonly #body: string[] = [];

  constructor(width: number, height: number, background: string = LIGHT.paper) {
    this.width = width;
    this.height = height;
    this.rect({ x: 0, y: 0, width, height }, background);
  }

  /** Adds markup inside the drawing, as it is. */
  #add(markup: string): void {
    this.#body.push(markup);
  }

  /** A fill as an SVG paint; the pattern of a sign is defined on first use. */
  #paint(fill: Fill): string {
    if (typeof fill === "string") return fill;
    const { fill: ground, pattern, ink } = fill;
    if (pattern === undefined || ink === undefined) return LIGHT[ground];
    const id = `${ground}-${pattern}-${ink}`;
    if (!this.#patterns.has(id)) {
      const { size, path, ...rest } = PATTERNS[pattern];
      // Tiles of whole pixels, or their seams would show.
      const scale = Math.round(PATTERN_SCALE * size) / size;
      const marks =
        "stroke" in rest
          ? `fill="none" stroke="${LIGHT[ink]}" stroke-width="${rest.stroke}"`
          : `fill="${LIGHT[ink]}"`;
      this.#patterns.set(
        id,
        `<pattern id="${id}" width="${size}" height="${size}" patternUnits="userSpaceOnUse" patternTransform="scale(${number(scale, 1e6)})">` +
          `<rect width="${size}" height="${size}" fill="${LIGHT[ground]}"/><path d="${path}" ${marks}/></pattern>`,
      );
    }
    return `url(#${id})`;
  }

  rect({ x, y, width, height }: Rectangle, fill: Fill): void {
    const at = `x="${number(x)}" y="${number(y)}" width="${number(width)}" height="${number(height)}"`;
    this.#add(`<rect ${at} fill="${this.#paint(fill)}"/>`);
  }

  /** The border of a rectangle, inside it. */
  frame({ x, y, width, height }: Rectangle, { color, width: w }: Stroke): void {
    const at = `x="${number(x + w / 2)}" y="${number(y + w / 2)}" width="${number(width - w)}" height="${number(height - w)}"`;
    this.#add(`<rect ${at} fill="none" stroke="${color}" stroke-width="${w}"/>`);
  }

  /** A filled area. @param outline in SVG's path syntax; @param isCrisp whether its edges are not smoothed */
  area(outline: string, fill: Fill, isCrisp = false): void {
    const crisp = isCrisp ? ' shape-rendering="crispEdges"' : "";
    this.#add(`<path d="${outline}" fill="${this.#paint(fill)}"${crisp}/>`);
  }

  /** Lines from point to point. @param points x, y alternating */
  lines(pieces: readonly ArrayLike<number>[], { color, width, dash }: Stroke): void {
    const outline = pieces.filter((points) => points.length > 2).map(pathThrough);
    if (outline.length === 0) return;
    const dashes = dash === undefined ? "" : ` stroke-dasharray="${dash}"`;
    this.#add(
      `<path d="${outline.join("")}" fill="none" stroke="${color}" stroke-width="${width}" stroke-linejoin="round" stroke-linecap="round"${dashes}/>`,
    );
  }

  dot(x: number, y: number, radius: number, color: string): void {
    this.#add(`<circle cx="${number(x)}" cy="${number(y)}" r="${number(radius)}" fill="${color}"/>`);
  }

  /** One line of text; `y` is its baseline. */
  text(x: number, y: number, text: string, options: TextOptions = {}): void {
    const { size = TEXT_SIZE, color = LIGHT.ink, anchor = "start", halo } = options;
    const around =
      halo === undefined
        ? ""
        : ` stroke="${halo}" stroke-width="${number(size / 4)}" stroke-linejoin="round" paint-order="stroke"`;
    this.#add(
      `<text x="${number(x)}" y="${number(y)}" font-size="${size}" text-anchor="${anchor}" fill="${color}"${around}>${escapeText(text)}</text>`,
    );
  }

  /** What `draw` adds is cut off outside the rectangle. */
  within({ x, y, width, height }: Rectangle, draw: () => void): void {
    const at = [x, y, width, height].map((one) => number(one)).join(" ");
    // A nested drawing clips, and keeps the coordinates when its view box is its own place.
    this.#add(
      `<svg x="${number(x)}" y="${number(y)}" width="${number(width)}" height="${number(height)}" viewBox="${at}">`,
    );
    draw();
    this.#add("</svg>");
  }

  /** The drawing as SVG. Its text is text, in the reader's own sans-serif where the font is missing. */
  toSvg(): string {
    const size = `width="${this.width}" height="${this.height}" viewBox="0 0 ${this.width} ${this.height}"`;
    const patterns = [...this.#patterns.values()].join("");
    return (
      `<svg xmlns="http://www.w3.org/2000/svg" ${size} font-family="${FONT_FAMILY}, sans-serif">` +
      `<defs>${patterns}</defs>${this.#body.join("")}</svg>\n`
    );
  }

  /** The drawing as PNG, of the same size in pixels on every machine. */
  toPng(): Promise<Uint8Array> {
    return svgToPng(this.toSvg());
  }
}

function pathThrough(points: ArrayLike<number>): string {
  let path = "";
  for (let n = 0; n + 1 < points.length; n += 2) {
    path += `${n === 0 ? "M" : "L"}${number(points[n]!)} ${number(points[n + 1]!)}`;
  }
  return path;
}

// Advance widths of the printable ASCII characters, thousandths of the size, from the `hmtx` table of fonts/DejaVuSans.ttf.
// biome-ignore format: a table
const ADVANCES = [
  318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636, 636, 636, 636, 636,
  636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775, 752, 295, 295, 656, 557, 863, 748, 787,
  603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390, 337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635,
  634, 278, 278, 579, 278, 974, 634, 612, 635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
];
/** For other characters: as wide as the widest, so that nothing is cut off. */
const OTHER_ADVANCE = 1000;

/** Width of a text, pixels. Pairs are not drawn closer together here, so it may be a little more than what is drawn. */
export function textWidth(text: string, size: number = TEXT_SIZE): number {
  let width = 0;
  for (const character of text) width += ADVANCES[character.codePointAt(0)! - 32] ?? OTHER_ADVANCE;
  return (width * size) / 1000;
}

/** Breaks a text between words where it would be wider than `width` pixels; a word that is too wide by itself is cut. */
export function wrapText(text: string, width: number, size: number = TEXT_SIZE): string[] {
  const lines: string[] = [];
  for (const word of text.split(" ").filter((one) => one !== "")) {
    const longer = lines.length === 0 ? word : `${lines.at(-1)} ${word}`;
    if (lines.length > 0 && textWidth(longer, size) <= width) lines[lines.length - 1] = longer;
    else lines.push(word);
  }
  return lines.map((line) => shorten(line, width, size));
}

function shorten(text: string, width: number, size: number): string {
  if (textWidth(text, size) <= width) return text;
  let kept = text;
  while (kept !== "" && textWidth(`${kept}..`, size) > width) kept = kept.slice(0, -1);
  return `${kept}..`;
}
