import type { Head } from "../../src/head/head.ts";
import { FREE_BELOW, OCCUPIED_FROM } from "../../src/map/grid.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import { SIGNS } from "../../src/terms/signs.ts";
import { FLOORS } from "../../src/terms/words.ts";
import type { StampedPose } from "./csv.ts";
import {
  type DropsOverlay,
  drawLayer,
  type LayerOptions,
  type Overlay,
  type Style,
} from "./layer-picture.ts";
import { forEachOccupied } from "./voxel-file.ts";

/** Cells along the longer side of a picture, unless the caller says otherwise. */
const MOST_CELLS = 1600;

const UNSEEN: Style = { label: FLOORS.unseen, fill: SIGNS.unseen };
const GONE: Style = { label: FLOORS.gone, fill: SIGNS.brink };

/** Classes of the map from above: those of `COLUMN`, by number, and floor that is gone. */
export const MAP_GONE = 5;
const MAP_STYLES: readonly Style[] = [
  UNSEEN,
  { label: "floor", fill: SIGNS.firm },
  { label: "stands in the way", fill: SIGNS.obstacle },
  { label: "floor under something", fill: SIGNS.covered },
  { label: "free, floor not seen", fill: SIGNS.noFloorSeen },
  GONE,
];
/** In a coarser picture the class of higher rank wins, so that obstacles and drops are never lost. */
const MAP_RANK = [0, 2, 5, 3, 1, 4];

/**
 * Floor heights in steps, from the floor at the start. Farther from level is darker: green above, orange below, which is
 * hatched as well, so that the two differ without colour.
 */
const HEIGHT_STEPS: readonly { readonly below: number; readonly style: Style }[] = [
  {
    below: -0.25,
    style: { label: "below −25 cm", fill: { fill: "deep", pattern: "scratches", ink: "paper" } },
  },
  {
    below: -0.08,
    style: { label: "−25 to −8 cm", fill: { fill: "low", pattern: "scratches", ink: "deep" } },
  },
  { below: -0.02, style: { label: "−8 to −2 cm", fill: { fill: "dip", pattern: "scratches", ink: "low" } } },
  { below: 0.02, style: { label: "level within 2 cm", fill: SIGNS.firm } },
  { below: 0.08, style: { label: "2 to 8 cm", fill: { fill: "rise" } } },
  { below: 0.25, style: { label: "8 to 25 cm", fill: { fill: "high" } } },
  { below: Number.POSITIVE_INFINITY, style: { label: "above 25 cm", fill: { fill: "top" } } },
];
const HEIGHT_UNSEEN = HEIGHT_STEPS.length;
const HEIGHT_GONE = HEIGHT_UNSEEN + 1;
const HEIGHT_STYLES: readonly Style[] = [
  ...HEIGHT_STEPS.map(({ style }) => style),
  { label: "no floor seen", fill: SIGNS.unseen },
  GONE,
];
/** In a coarser picture the height farther from level wins. */
const HEIGHT_RANK = [6, 4, 2, 1, 3, 5, 7, 0, 8];

/** Classes of footing, by `FOOTING`. */
const FOOTING_STYLES: readonly Style[] = [
  UNSEEN,
  { label: FLOORS.firm, fill: SIGNS.firm },
  GONE,
  { label: FLOORS.doubtful, fill: SIGNS.doubtful },
  { label: FLOORS.blocked, fill: SIGNS.obstacle },
];
const FOOTING_RANK = [0, 1, 4, 2, 3];

/** Classes of an upright slice. */
const SLICE = { unseen: 0, free: 1, standing: 2, floor: 3 } as const;
const SLICE_STYLES: readonly Style[] = [
  UNSEEN,
  { label: "free", fill: { fill: "card" } },
  { label: "occupied", fill: SIGNS.obstacle },
  { label: "floor", fill: { fill: "high" } },
];
/** Half the thickness of a slice, metres. */
const SLICE_HALF = 0.1;

type Path = readonly StampedPose[];

/** Whole columns of the map, from `col`, `row` on. */
interface Area {
  readonly col: number;
  readonly row: number;
  readonly width: number;
  readonly height: number;
}

/** Classes by column, as they are or several columns as one. */
interface Classes extends Area {
  readonly layer: Uint8Array;
}

/** Leaves out the styles that no cell has, so that the legend explains what is there. */
function withoutUnused(layer: Uint8Array, styles: readonly Style[]): { layer: Uint8Array; styles: Style[] } {
  const isUsed = styles.map((_, n) => layer.includes(n));
  const places = styles.map((_, n) => isUsed.slice(0, n).filter(Boolean).length);
  return { layer: layer.map((n) => places[n]!), styles: styles.filter((_, n) => isUsed[n]) };
}

/** The path, unless it lies wholly outside the seen area, as that of a camera that looks ahead can. */
function pathOverlays(path: Path, { col, row, width, height }: Area, size: number): Overlay[] {
  const isInside = path.some(({ pose: { position } }) => {
    const [i, j] = [Math.floor(position[0] / size) - col, Math.floor(position[1] / size) - row];
    return i >= 0 && i < width && j >= 0 && j < height;
  });
  const points = path.flatMap(({ pose }) => [pose.position[0], pose.position[1]]);
  return isInside ? [{ kind: "path", label: "path", points }] : [];
}

/** All edges of the floor that the head remembers. */
function dropOverlays(head: Head, { col, row, width, height }: Area): Overlay[] {
  const { footing } = head;
  const size = head.grid.voxelSize;
  const middle = [(col + width / 2) * size, (row + height / 2) * size, 0] as const;
  const brinks = footing.brinks(middle, (Math.hypot(width, height) / 2) * size);
  if (brinks.length === 0) return [];
  const isGone = (x: number, y: number): boolean =>
    footing.at(Math.floor(x / size), Math.floor(y / size)) === FOOTING.gone;
  const drops: DropsOverlay["drops"] = brinks.map(({ points, drop }) => ({ points, depth: drop }));
  return [{ kind: "drops", label: "edge of a drop, ticks to the low side", drops, isGone }];
}

/** Sets `value` where the floor is gone, unless `isKept` says that the present class has priority. */
function markGone(head: Head, area: Classes, value: number, isKept: (was: number) => boolean): void {
  const { col, row, width, height, layer } = area;
  head.footing.visit((i, j, footing) => {
    const [u, v] = [i - col, j - row];
    if (footing !== FOOTING.gone || u < 0 || v < 0 || u >= width || v >= height) return;
    const at = v * width + u;
    if (!isKept(layer[at]!)) layer[at] = value;
  });
}

/**
 * @param coarser columns along one side of a cell; default: what keeps the longer side within `MOST_CELLS`
 * @param rank    by class; of a cell's columns the highest wins
 */
function coarsen(
  all: Classes,
  cellSize: number,
  rank: readonly number[],
  coarser?: number,
): Pick<LayerOptions, "width" | "height" | "cellSize"> & { readonly layer: Uint8Array } {
  const step = coarser ?? Math.ceil(Math.max(all.width, all.height) / MOST_CELLS);
  const width = Math.ceil(all.width / step);
  const height = Math.ceil(all.height / step);
  const layer = new Uint8Array(width * height).fill(rank.indexOf(0));
  for (let row = 0, n = 0; row < all.height; row++) {
    for (let col = 0; col < all.width; col++, n++) {
      const at = Math.floor(row / step) * width + Math.floor(col / step);
      const value = all.layer[n]!;
      if (rank[value]! > rank[layer[at]!]!) layer[at] = value;
    }
  }
  return { layer, width, height, cellSize: cellSize * step };
}

interface FromAbove {
  readonly title: string;
  readonly path: Path;
  /** Columns along one side that are drawn as one; default: by the map's size. */
  readonly coarser?: number | undefined;
  readonly styles: readonly Style[];
  readonly rank: readonly number[];
}

function drawFromAbove(head: Head, classes: Classes, options: FromAbove): ReturnType<typeof drawLayer> {
  const { title, path, coarser, styles, rank } = options;
  const size = head.grid.voxelSize;
  const cells = coarsen(classes, size, rank, coarser);
  const used = withoutUnused(cells.layer, styles);
  return drawLayer({
    title,
    width: cells.width,
    height: cells.height,
    cellSize: cells.cellSize,
    layer: used.layer,
    styles: used.styles,
    origin: [classes.col * size, classes.row * size],
    axes: ["x", "y"],
    // Drops last, over the path.
    overlays: [...pathOverlays(path, classes, size), ...dropOverlays(head, classes)],
  });
}

/** A picture, and where the map lies in it. */
export type MapPicture = ReturnType<typeof drawLayer>;

/** Classes of the map from above: `COLUMN`, or MAP_GONE. @returns null when nothing was seen */
export function mapClasses(head: Head): Classes | null {
  const kinds = head.layers.kinds();
  if (kinds === null) return null;
  const [height, width] = kinds.cells.shape as [number, number];
  const classes = { col: kinds.col, row: kinds.row, width, height, layer: kinds.cells.data.slice() };
  markGone(head, classes, MAP_GONE, (was) => was === COLUMN.blocked);
  return classes;
}

/**
 * The map from above, for the head's body.
 * @param coarser columns along one side that are drawn as one (obstacles and drops are kept); default: by the map's size
 * @returns null when nothing was seen
 */
export function drawMap(head: Head, title: string, path: Path, coarser?: number): MapPicture | null {
  const classes = mapClasses(head);
  if (classes === null) return null;
  return drawFromAbove(head, classes, { title, path, coarser, styles: MAP_STYLES, rank: MAP_RANK });
}

/**
 * The ground from above: firm, gone, doubtful, or with an obstacle on it.
 * @returns null without any known ground
 */
export function drawFooting(head: Head, title: string, path: Path): MapPicture | null {
  const cells: [number, number, number][] = [];
  let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
  head.footing.visit((i, j, footing) => {
    cells.push([i, j, footing]);
    [west, south, east, north] = [
      Math.min(west, i),
      Math.min(south, j),
      Math.max(east, i),
      Math.max(north, j),
    ];
  });
  if (cells.length === 0) return null;
  const [width, height] = [east - west + 1, north - south + 1];
  const layer = new Uint8Array(width * height);
  for (const [i, j, footing] of cells) layer[(j - south) * width + i - west] = footing;
  const classes = { col: west, row: south, width, height, layer };
  return drawFromAbove(head, classes, { title, path, styles: FOOTING_STYLES, rank: FOOTING_RANK });
}

/**
 * Floor heights from above, in distinguishable steps.
 * @param coarser as for `drawMap`; the height farthest from level is kept
 * @returns null when no floor was seen
 */
export function drawHeights(head: Head, title: string, path: Path, coarser?: number): MapPicture | null {
  const heights = head.layers.floorHeights();
  if (heights === null || heights.cells.data.every(Number.isNaN)) return null;
  const [height, width] = heights.cells.shape as [number, number];
  const layer = Uint8Array.from(heights.cells.data, (z) =>
    Number.isNaN(z) ? HEIGHT_UNSEEN : HEIGHT_STEPS.findIndex(({ below }) => z < below),
  );
  const classes = { col: heights.col, row: heights.row, width, height, layer };
  markGone(head, classes, HEIGHT_GONE, (was) => was !== HEIGHT_UNSEEN);
  return drawFromAbove(head, classes, { title, path, coarser, styles: HEIGHT_STYLES, rank: HEIGHT_RANK });
}

/**
 * An upright slice along x, 20 cm thick: what the voxels hold, from the side, and where the path and edges of the floor cross it.
 * @param y metres, the middle of the slice
 * @returns null when nothing was seen
 */
export function drawSlice(head: Head, title: string, path: Path, y: number): MapPicture | null {
  const box = head.layers.bounds();
  if (box === null) return null;
  const { grid } = head;
  const size = grid.voxelSize;
  const [low, high] = heightRange(head);
  const height = high - low + 1;
  const floors = head.layers.floorHeights();
  const layer = new Uint8Array(box.columns * height);
  for (let col = 0; col < box.columns; col++) {
    for (let j = Math.floor((y - SLICE_HALF) / size); j < Math.ceil((y + SLICE_HALF) / size); j++) {
      const row = j - box.row;
      const floor = row < 0 || row >= box.rows ? Number.NaN : (floors?.cells.get(row, col) ?? Number.NaN);
      for (let k = low; k <= high; k++) {
        const value = grid.valueAt(box.col + col, j, k);
        const isFloor = Math.abs((k + 0.5) * size - floor) <= size;
        const occupied = isFloor ? SLICE.floor : SLICE.standing;
        const state = value >= OCCUPIED_FROM ? occupied : value < FREE_BELOW ? SLICE.free : SLICE.unseen;
        const at = (k - low) * box.columns + col;
        layer[at] = Math.max(layer[at]!, state);
      }
    }
  }
  const points = path
    .filter(({ pose }) => Math.abs(pose.position[1] - y) < SLICE_HALF)
    .flatMap(({ pose }) => [pose.position[0], pose.position[2]]);
  const range = `y ${(y - SLICE_HALF).toFixed(2)} to ${(y + SLICE_HALF).toFixed(2)} m`;
  return drawLayer({
    title: `${title}: upright slice along x, ${range}`,
    layer,
    width: box.columns,
    height,
    styles: SLICE_STYLES,
    cellSize: size,
    origin: [box.col * size, low * size],
    axes: ["x", "z"],
    overlays: [
      ...slicedDrops(head, y),
      ...(points.length > 0 ? [{ kind: "dots", label: "path", points } as const] : []),
    ],
  });
}

/** Edges of the floor that cross a slice, each as a line from the floor down. */
function slicedDrops(head: Head, y: number): Overlay[] {
  const { footing } = head;
  const box = head.layers.bounds()!;
  const size = head.grid.voxelSize;
  const middle = [(box.col + box.columns / 2) * size, y, 0] as const;
  const drops = footing.brinks(middle, box.columns * size).flatMap(({ points, drop }) =>
    points
      .filter((point) => Math.abs(point[1] - y) < SLICE_HALF)
      .map(([px, py]) => {
        const { height } = footing.cellAt(px, py);
        const top = Number.isFinite(height) ? height : 0;
        const bottom = top - (Number.isFinite(drop) ? drop : SLICE_HALF);
        return { points: [[px, top] as const, [px, bottom] as const], depth: drop };
      }),
  );
  if (drops.length === 0) return [];
  return [{ kind: "drops", label: "edge of a drop", drops, isGone: () => false }];
}

function heightRange(head: Head): [number, number] {
  let [low, high] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  forEachOccupied(head.grid, (_i, _j, k) => {
    low = Math.min(low, k);
    high = Math.max(high, k);
  });
  return low <= high ? [low, high] : [0, 0];
}
