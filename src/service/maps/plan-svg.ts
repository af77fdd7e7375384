import { LIGHT } from "../../terms/palette.ts";
import { FOOTING } from "../../terms/safety.ts";
import { PATTERNS, SIGNS, type Sign } from "../../terms/signs.ts";
import { FLOORS } from "../../terms/words.ts";
import type { FloorCells, FloorEdge } from "../../wire/floor-map.ts";
import type { FloorMap } from "./floor-files.ts";

export interface Plan extends FloorMap {
  readonly title: string;
  /** x, y of the path, metres; empty without one. */
  readonly path: readonly (readonly [number, number])[];
  /** Pixels for a millimetre of the sheet, for a picture; without it the drawing has the size of the sheet. */
  readonly pixels?: number;
}

/** Scales 1 : n of plans, and the largest drawing, millimetres: what a sheet of A3 leaves beside margins and legend. */
const SCALES = [10, 20, 50, 100, 200, 500, 1000, 2000, 5000];
const MOST = [396, 240] as const;
/** Millimetres: margin around the drawing, and height of title and legend. */
const MARGIN = 10;
const HEAD = 12;
const FOOT = 22;
/** Millimetres: width of the legend. */
const LEAST_WIDTH = 180;
/** Millimetres of the sheet for a pixel of a pattern. */
const PATTERN_SCALE = 0.25;
/** Rows of cells that are drawn at once. */
const ROWS_AT_ONCE = 64;
/** Metres: shorter edges have no label. */
const LABELLED = 0.3;

const LAYERS: readonly (readonly [state: keyof typeof FLOORS, sign: Sign])[] = [
  ["firm", SIGNS.firm],
  ["doubtful", SIGNS.doubtful],
  ["gone", SIGNS.brink],
  ["blocked", SIGNS.obstacle],
];

const number = (value: number): string => String(Math.round(100 * value) / 100);
const escaped = (text: string): string =>
  text.replace(/[&<>"']/g, (sign) => `&#${sign.charCodeAt(0)};`).replace(/[^\x20-\uffff]/g, " ");

/**
 * A plan as SVG in millimetres of the sheet, to a scale that it names. It comes in pieces, so that a service can do other work between them.
 * Unseen cells have the colour of the paper.
 */
export function* planSvg({ ground, edges, path, title, pixels }: Plan): Generator<string> {
  const area = usedArea(ground);
  const [wide, high] = [area.width * ground.cell, area.height * ground.cell];
  const scale =
    SCALES.find((n) => (1000 * wide) / n <= MOST[0] && (1000 * high) / n <= MOST[1]) ?? SCALES.at(-1)!;
  const mm = 1000 / scale;
  const width = Math.max(2 * MARGIN + wide * mm, LEAST_WIDTH);
  const height = HEAD + high * mm + FOOT;
  const [west, north] = [(ground.col + area.col) * ground.cell, (ground.row + area.row) * ground.cell + high];
  const x = (metres: number): number => MARGIN + (metres - west) * mm;
  const y = (metres: number): number => HEAD + (north - metres) * mm;
  const sizeOf = (mm: number): string =>
    pixels === undefined ? `${number(mm)}mm` : `${Math.ceil(pixels * mm)}`;
  yield `<svg xmlns="http://www.w3.org/2000/svg" width="${sizeOf(width)}" height="${sizeOf(height)}" viewBox="0 0 ${number(width)} ${number(height)}" font-family="sans-serif">\n`;
  yield `<title>${escaped(title)}</title>\n<desc>Scale 1 : ${scale}; units are millimetres of the sheet. x to the right, y up, metres of the world.</desc>\n`;
  yield `<defs>${LAYERS.map(([, sign]) => patternOf(sign)).join("")}</defs>\n`;
  yield `<rect width="100%" height="100%" fill="${LIGHT.paper}"/>\n`;
  yield `<text x="${MARGIN}" y="8" font-size="4.5" fill="${LIGHT.ink}">${escaped(title)}</text>\n`;
  for (const [state, sign] of LAYERS) {
    yield `<g id="${state}" fill="${paintOf(sign)}"><title>${FLOORS[state]}</title>\n`;
    for (let row = area.row; row < area.row + area.height; row += ROWS_AT_ONCE) {
      const d = runsOf(ground, area, FOOTING[state], row, { x, y, mm });
      if (d !== "") yield `<path d="${d}"/>\n`;
    }
    yield "</g>\n";
  }
  yield gridOf(area, ground, { x, y });
  if (path.length > 1) {
    const points = path.map(([px, py]) => `${number(x(px))},${number(y(py))}`).join(" ");
    yield `<polyline id="path" points="${points}" fill="none" stroke="${LIGHT.robot}" stroke-width="0.5"/>\n`;
  }
  yield `<g id="edges">\n${edges.map((edge) => edgeOf(edge, { x, y })).join("")}</g>\n`;
  yield footOf(height - FOOT, scale, path.length > 1);
  yield "</svg>\n";
}

interface Area {
  readonly col: number;
  readonly row: number;
  readonly width: number;
  readonly height: number;
}

/** The cells that are not unseen, from (col, row) of the rectangle on. */
function usedArea({ width, height, cells }: FloorCells): Area {
  let [west, south, east, north] = [width, height, 0, 0];
  for (let n = 0; n < cells.length; n++) {
    if (cells[n] === FOOTING.unseen) continue;
    const [i, j] = [n % width, Math.floor(n / width)];
    [west, east] = [Math.min(west, i), Math.max(east, i + 1)];
    [south, north] = [Math.min(south, j), Math.max(north, j + 1)];
  }
  return west < east
    ? { col: west, row: south, width: east - west, height: north - south }
    : { col: 0, row: 0, width: 1, height: 1 };
}

interface Sheet {
  readonly x: (metres: number) => number;
  readonly y: (metres: number) => number;
}

/** The cells of one code in ROWS_AT_ONCE rows, as boxes around runs. */
function runsOf(
  { col, row, width, cell, cells }: FloorCells,
  area: Area,
  code: number,
  first: number,
  { x, y, mm }: Sheet & { readonly mm: number },
): string {
  const parts: string[] = [];
  const high = number(cell * mm);
  for (let j = first; j < Math.min(first + ROWS_AT_ONCE, area.row + area.height); j++) {
    const top = number(y((row + j + 1) * cell));
    for (let i = area.col; i < area.col + area.width; i++) {
      if (cells[j * width + i] !== code) continue;
      let end = i + 1;
      while (end < area.col + area.width && cells[j * width + end] === code) end++;
      const wide = number((end - i) * cell * mm);
      parts.push(`M${number(x((col + i) * cell))} ${top}h${wide}v${high}h-${wide}z`);
      i = end;
    }
  }
  return parts.join("");
}

/** A line every metre of the world. */
function gridOf(area: Area, { col, row, cell }: FloorCells, { x, y }: Sheet): string {
  const [west, south] = [(col + area.col) * cell, (row + area.row) * cell];
  const [east, north] = [west + area.width * cell, south + area.height * cell];
  let d = "";
  for (let at = Math.ceil(west); at <= east; at++)
    d += `M${number(x(at))} ${number(y(north))}V${number(y(south))}`;
  for (let at = Math.ceil(south); at <= north; at++)
    d += `M${number(x(west))} ${number(y(at))}H${number(x(east))}`;
  return `<path id="grid" d="${d}" fill="none" stroke="${LIGHT.ink}" stroke-opacity="0.25" stroke-width="0.1"/>\n`;
}

function edgeOf({ points, drop }: FloorEdge, { x, y }: Sheet): string {
  const list = points.map(([px, py]) => `${number(x(px))},${number(y(py))}`).join(" ");
  const stroke = (ink: string, wide: number): string =>
    `<polyline points="${list}" fill="none" stroke="${ink}" stroke-width="${wide}" stroke-linecap="round" stroke-linejoin="round"/>\n`;
  const line = stroke(LIGHT.paper, 2) + stroke(LIGHT.brink, 1.2);
  const length = points
    .slice(1)
    .reduce((sum, [px, py], n) => sum + Math.hypot(px - points[n]![0], py - points[n]![1]), 0);
  if (length < LABELLED) return line;
  const [px, py] = points[points.length >> 1]!;
  const text = Number.isFinite(drop) ? `${Math.round(100 * drop)} cm` : "no bottom";
  const halo = `stroke="${LIGHT.paper}" stroke-width="0.8" paint-order="stroke"`;
  return `${line}<text x="${number(x(px) + 1.5)}" y="${number(y(py) - 1.5)}" font-size="3.2" fill="${LIGHT.mark}" ${halo}>${text}</text>\n`;
}

/** The scale, a bar of whole metres, and what the signs mean. */
function footOf(top: number, scale: number, hasPath: boolean): string {
  const metres = [1, 2, 5, 10, 20, 50, 100].find((n) => (1000 * n) / scale >= 20) ?? 100;
  const wide = (1000 * metres) / scale;
  const words = `fill="${LIGHT.ink}" font-size="3.2"`;
  const bar =
    `<path d="M${MARGIN} ${number(top + 5)}v2h${number(wide)}v-2" fill="none" stroke="${LIGHT.ink}" stroke-width="0.4"/>` +
    `<text x="${number(MARGIN + wide + 2)}" y="${number(top + 7)}" ${words}>${metres} m; 1 : ${scale} when printed at 100 %; a line every metre</text>\n`;
  const signs = LAYERS.map(([state, sign], n) => {
    const [left, line] = [MARGIN + (n % 2) * 50, top + 10 + 5 * Math.floor(n / 2)];
    const box = `<rect x="${left}" y="${number(line)}" width="5" height="3.5" fill="${paintOf(sign)}" stroke="${LIGHT.ink}" stroke-width="0.1"/>`;
    return `${box}<text x="${left + 7}" y="${number(line + 2.9)}" ${words}>${FLOORS[state]}</text>\n`;
  });
  const edge =
    `<path d="M144 ${number(top + 11.8)}h5" stroke="${LIGHT.brink}" stroke-width="1.2"/>` +
    `<text x="151" y="${number(top + 12.9)}" ${words}>edge of a drop</text>\n`;
  const way =
    `<path d="M144 ${number(top + 16.8)}h5" stroke="${LIGHT.robot}" stroke-width="0.5"/>` +
    `<text x="151" y="${number(top + 17.9)}" ${words}>path</text>\n`;
  return bar + signs.join("") + edge + (hasPath ? way : "");
}

const idOf = ({ fill, pattern, ink }: Sign): string => `${fill}-${pattern}-${ink}`;
const paintOf = (sign: Sign): string =>
  sign.pattern === undefined ? LIGHT[sign.fill] : `url(#${idOf(sign)})`;

function patternOf(sign: Sign): string {
  const { fill, pattern, ink } = sign;
  if (pattern === undefined || ink === undefined) return "";
  const { size, path, ...rest } = PATTERNS[pattern];
  const marks =
    "stroke" in rest
      ? `fill="none" stroke="${LIGHT[ink]}" stroke-width="${rest.stroke}"`
      : `fill="${LIGHT[ink]}"`;
  return (
    `<pattern id="${idOf(sign)}" width="${size}" height="${size}" patternUnits="userSpaceOnUse" patternTransform="scale(${PATTERN_SCALE})">` +
    `<rect width="${size}" height="${size}" fill="${LIGHT[fill]}"/><path d="${path}" ${marks}/></pattern>`
  );
}
