import type { Head } from "../../src/head/head.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { SIGNS } from "../../src/terms/signs.ts";
import { drawLayer, type Style } from "./layer-picture.ts";
import { MAP_GONE, type MapPicture, mapClasses } from "./map-pictures.ts";

/** Classes of the difference of two maps, by number. */
const CLASS = { unseen: 0, same: 1, known: 2, first: 3, second: 4, other: 5 } as const;
const STYLES: readonly Style[] = [
  { label: "unseen in both", fill: SIGNS.unseen },
  { label: "the same in both", fill: SIGNS.firm },
  { label: "seen in one only, nothing in the way", fill: SIGNS.noFloorSeen },
  {
    label: "in the way or a drop in the first only",
    fill: { fill: "deep", pattern: "scratches", ink: "paper" },
  },
  { label: "in the way or a drop in the second only", fill: { fill: "obstacle" } },
  { label: "another difference", fill: { fill: "rise", pattern: "dots", ink: "paper" } },
];

/** Whether a class of the map keeps a base from driving there. */
const stops = (kind: number): boolean => kind === COLUMN.blocked || kind === MAP_GONE;

function differenceOf(first: number, second: number): number {
  if (first === second) return first === 0 ? CLASS.unseen : CLASS.same;
  if (stops(first) !== stops(second)) return stops(first) ? CLASS.first : CLASS.second;
  return first === 0 || second === 0 ? CLASS.known : CLASS.other;
}

/**
 * Where two maps of one recording differ, from above. Voxels may differ in size; then the smaller ones are looked up at the centres of the
 * larger ones.
 * @returns null when one of them has seen nothing
 */
export function drawDifference(first: Head, second: Head, title: string): MapPicture | null {
  const both = [first, second].map((head) => {
    const classes = mapClasses(head);
    return classes && { ...classes, size: head.grid.voxelSize };
  });
  const [a, b] = both;
  if (!a || !b) return null;
  const cell = Math.max(a.size, b.size);
  const west = Math.floor(Math.min(a.col * a.size, b.col * b.size) / cell);
  const south = Math.floor(Math.min(a.row * a.size, b.row * b.size) / cell);
  const east = Math.ceil(Math.max((a.col + a.width) * a.size, (b.col + b.width) * b.size) / cell);
  const north = Math.ceil(Math.max((a.row + a.height) * a.size, (b.row + b.height) * b.size) / cell);
  const kindAt = ({ col, row, width, height, layer, size }: typeof a, x: number, y: number): number => {
    const [i, j] = [Math.floor(x / size) - col, Math.floor(y / size) - row];
    return i < 0 || j < 0 || i >= width || j >= height ? 0 : layer[j * width + i]!;
  };
  const [width, height] = [east - west, north - south];
  const layer = new Uint8Array(width * height);
  for (let n = 0; n < layer.length; n++) {
    const [x, y] = [(west + (n % width) + 0.5) * cell, (south + Math.floor(n / width) + 0.5) * cell];
    layer[n] = differenceOf(kindAt(a, x, y), kindAt(b, x, y));
  }
  const used = STYLES.map((_, n) => n).filter((n) => layer.includes(n));
  return drawLayer({
    title,
    width,
    height,
    cellSize: cell,
    layer: layer.map((n) => used.indexOf(n)),
    styles: used.map((n) => STYLES[n]!),
    origin: [west * cell, south * cell],
    axes: ["x", "y"],
  });
}
