import type { Head } from "../../src/head/head.ts";
import {
  BLOCK_SIDE,
  BLOCK_VOXELS,
  type BlockGrid,
  FREE_BELOW,
  keyX,
  keyY,
  keyZ,
  natsOf,
  OCCUPIED_FROM,
} from "../../src/map/grid.ts";
import type { StampedPose } from "./csv.ts";
import {
  type Color,
  drawLayer,
  OKABE_ITO,
  type Overlay,
  type Picture,
  STYLES,
  type Style,
} from "./picture.ts";
import { encodePlyMesh, encodePlyPoints, voxelFaces } from "./ply.ts";

/** By number of `COLUMN`: unseen, clear, blocked, overhang, open. */
const KIND_STYLES: readonly Style[] = [
  { ...STYLES.unknown, label: "unseen" },
  STYLES.clear,
  STYLES.blocked,
  { ...STYLES.lowOverhead, label: "overhang" },
  { label: "free, no floor seen", color: [214, 232, 246], pattern: "dots", mark: OKABE_ITO.blue },
];
/** In a coarser picture the kind of higher rank goes over the others, so that what blocks is never lost. */
const KIND_RANK = [0, 2, 4, 3, 1];

type Bounds = NonNullable<ReturnType<Head["layers"]["bounds"]>>;

/** Floor heights in steps, from the floor at the start; the last is for columns whose floor was not seen. */
const FLOOR_STEPS: readonly { readonly below: number; readonly style: Style }[] = [
  { below: -0.25, style: { label: "below -25 cm", color: OKABE_ITO.vermillion, pattern: "cross" } },
  {
    below: -0.08,
    style: { label: "-25 to -8 cm", color: OKABE_ITO.orange, pattern: "hatch", mark: [150, 90, 0] },
  },
  { below: -0.02, style: { label: "-8 to -2 cm", color: OKABE_ITO.yellow } },
  { below: 0.02, style: { label: "level within 2 cm", color: [255, 255, 255] } },
  { below: 0.08, style: { label: "2 to 8 cm", color: [190, 225, 245] } },
  {
    below: 0.25,
    style: { label: "8 to 25 cm", color: OKABE_ITO.skyBlue, pattern: "hatch", mark: OKABE_ITO.blue },
  },
  { below: Number.POSITIVE_INFINITY, style: { label: "above 25 cm", color: OKABE_ITO.blue } },
];
/** In a coarser picture the height farther from level goes over the others. */
const FLOOR_RANK = [6, 4, 2, 1, 3, 5, 7, 0];
const SLICE_STYLES: readonly Style[] = [
  { ...STYLES.unknown, label: "unseen" },
  { ...STYLES.clear, label: "free" },
  { ...STYLES.blocked, label: "occupied" },
];

/** Leaves out the styles that nothing in the layer has, so that the legend tells of what is there. */
function withoutUnused(layer: Uint8Array, styles: readonly Style[]): { layer: Uint8Array; styles: Style[] } {
  const isUsed = styles.map((_, n) => layer.includes(n));
  const places = styles.map((_, n) => isUsed.slice(0, n).filter(Boolean).length);
  return { layer: layer.map((n) => places[n]!), styles: styles.filter((_, n) => isUsed[n]) };
}

/** Pixels of the font's pixels: these pictures are shown at half their size as often as not. */
const TEXT_SIZE = 2;
/** Cells along the longer side of a picture, unless the caller says otherwise. */
const MOST_CELLS = 1600;

/** The path, unless it ran wholly outside of what was seen, as a camera's that looks ahead can. */
function pathOverlays(
  path: readonly StampedPose[],
  bounds: Bounds,
  size: number,
  color: Color = OKABE_ITO.blue,
): Overlay[] {
  const inside = path.some(({ pose: { position } }) => {
    const col = Math.floor(position[0] / size) - bounds.col;
    const row = Math.floor(position[1] / size) - bounds.row;
    return col >= 0 && col < bounds.columns && row >= 0 && row < bounds.rows;
  });
  const points = path.flatMap(({ pose }) => [pose.position[0], pose.position[1]]);
  return inside ? [{ label: "path", color, kind: "line", points }] : [];
}

/** Classes by column, as they are or several columns as one. */
interface Classes {
  readonly layer: Uint8Array;
  readonly width: number;
  readonly height: number;
  /** Metres along one side of a cell. */
  readonly cellSize: number;
}

/**
 * @param coarser columns along one side of a cell; default: what keeps the longer side within `MOST_CELLS`
 * @param rank    by class; of a cell's columns the highest wins
 */
function coarsen(all: Classes, rank: readonly number[], coarser?: number): Classes {
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
  return { layer, width, height, cellSize: all.cellSize * step };
}

/**
 * The map from above, for the head's body.
 * @param coarser columns along one side that are drawn as one (what blocks is kept); default: by the map's size
 * @returns null when nothing was seen
 */
export function drawKinds(
  head: Head,
  title: string,
  path: readonly StampedPose[],
  coarser?: number,
): Picture | null {
  const kinds = head.layers.kinds();
  if (kinds === null) return null;
  const [height, width] = kinds.cells.shape as [number, number];
  const cellSize = head.grid.voxelSize;
  const cells = coarsen({ layer: kinds.cells.data, width, height, cellSize }, KIND_RANK, coarser);
  return drawLayer({
    ...{ title, ...cells, ...withoutUnused(cells.layer, KIND_STYLES), textSize: TEXT_SIZE },
    ...{ origin: [kinds.col * cellSize, kinds.row * cellSize], axes: ["x", "y"] },
    overlays: pathOverlays(path, head.layers.bounds()!, cellSize),
  });
}

/** By `FOOTING`. */
const FOOTING_STYLES = [STYLES.unknown, STYLES.firm, STYLES.gone, STYLES.doubtful, STYLES.blocked];
const FOOTING_RANK = [0, 1, 4, 3, 2];

/**
 * What the ground is, from above: firm, gone, doubtful, or with something on it.
 * @returns null when nothing is known of any ground
 */
export function drawFooting(head: Head, title: string, path: readonly StampedPose[]): Picture | null {
  const cells: [number, number, number][] = [];
  head.guard.footing.visit((i, j, footing) => cells.push([i, j, footing]));
  const box = head.layers.bounds();
  if (cells.length === 0 || box === null) return null;
  const [left, low] = [Math.min(...cells.map(([i]) => i)), Math.min(...cells.map(([, j]) => j))];
  const width = Math.max(...cells.map(([i]) => i)) - left + 1;
  const height = Math.max(...cells.map(([, j]) => j)) - low + 1;
  const layer = new Uint8Array(width * height);
  for (const [i, j, footing] of cells) layer[(j - low) * width + i - left] = footing;
  const cellSize = head.grid.voxelSize;
  const drawn = coarsen({ layer, width, height, cellSize }, FOOTING_RANK);
  return drawLayer({
    ...{ title, ...drawn, ...withoutUnused(drawn.layer, FOOTING_STYLES), textSize: TEXT_SIZE },
    ...{ origin: [left * cellSize, low * cellSize], axes: ["x", "y"] },
    overlays: pathOverlays(path, box, cellSize),
  });
}

/**
 * Floor heights from above, in steps that can be told apart.
 * @param coarser as for `drawKinds`; the height farthest from level is kept
 * @returns null when no floor was seen
 */
export function drawFloor(
  head: Head,
  title: string,
  path: readonly StampedPose[],
  coarser?: number,
): Picture | null {
  const heights = head.layers.floorHeights();
  if (heights === null || heights.cells.data.every(Number.isNaN)) return null;
  const [height, width] = heights.cells.shape as [number, number];
  const layer = Uint8Array.from(heights.cells.data, (z) =>
    Number.isNaN(z) ? FLOOR_STEPS.length : FLOOR_STEPS.findIndex(({ below }) => z < below),
  );
  const styles = [...FLOOR_STEPS.map(({ style }) => style), { ...STYLES.unknown, label: "no floor seen" }];
  const cellSize = head.grid.voxelSize;
  const cells = coarsen({ layer, width, height, cellSize }, FLOOR_RANK, coarser);
  return drawLayer({
    ...{ title, ...cells, ...withoutUnused(cells.layer, styles), textSize: TEXT_SIZE },
    ...{ origin: [heights.col * cellSize, heights.row * cellSize], axes: ["x", "y"] },
    // Black, since the floor's own steps are blue.
    overlays: pathOverlays(path, head.layers.bounds()!, cellSize, OKABE_ITO.black),
  });
}

/**
 * An upright slice along x, 20 cm thick: what the voxels hold, from the side, and where the path crosses it.
 * @param y metres, the middle of the slice
 * @returns null when nothing was seen
 */
export function drawSlice(
  head: Head,
  title: string,
  path: readonly StampedPose[],
  y: number,
): Picture | null {
  const box = head.layers.bounds();
  if (box === null) return null;
  const { grid } = head;
  const size = grid.voxelSize;
  const half = 0.1;
  const [low, high] = heightRange(grid);
  const height = high - low + 1;
  const layer = new Uint8Array(box.columns * height);
  for (let k = low; k <= high; k++) {
    for (let col = 0; col < box.columns; col++) {
      for (let j = Math.floor((y - half) / size); j < Math.ceil((y + half) / size); j++) {
        const value = grid.valueAt(box.col + col, j, k);
        const state = value >= OCCUPIED_FROM ? 2 : value < FREE_BELOW ? 1 : 0;
        const at = (k - low) * box.columns + col;
        layer[at] = Math.max(layer[at]!, state);
      }
    }
  }
  const points = path
    .filter(({ pose }) => Math.abs(pose.position[1] - y) < half)
    .flatMap(({ pose }) => [pose.position[0], pose.position[2]]);
  const overlays: Overlay[] =
    points.length > 0 ? [{ label: "path", color: OKABE_ITO.vermillion, kind: "dots", points }] : [];
  return drawLayer({
    title: `${title}: upright slice along x, y ${(y - half).toFixed(2)} to ${(y + half).toFixed(2)} m`,
    ...{ layer, width: box.columns, height, styles: SLICE_STYLES, cellSize: size, textSize: TEXT_SIZE },
    ...{ origin: [box.col * size, low * size], axes: ["x", "z"], overlays },
  });
}

function heightRange(grid: BlockGrid): [number, number] {
  let low = Number.POSITIVE_INFINITY;
  let high = Number.NEGATIVE_INFINITY;
  forEachOccupied(grid, (_i, _j, k) => {
    low = Math.min(low, k);
    high = Math.max(high, k);
  });
  return low <= high ? [low, high] : [0, 0];
}

function forEachOccupied(
  grid: BlockGrid,
  visit: (i: number, j: number, k: number, value: number) => void,
): void {
  const values = new Uint8Array(BLOCK_VOXELS);
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, values);
    const key = grid.keys[id]!;
    const [i0, j0, k0] = [keyX(key) * BLOCK_SIDE, keyY(key) * BLOCK_SIDE, keyZ(key) * BLOCK_SIDE];
    for (let n = 0; n < BLOCK_VOXELS; n++) {
      if (values[n]! >= OCCUPIED_FROM) visit(i0 + (n & 7), j0 + ((n >> 3) & 7), k0 + (n >> 6), values[n]!);
    }
  }
}

/** Occupied voxels as PLY, coloured by height: below the floor, floor, within the body's height, above it. */
export function encodeVoxels(head: Head, form: "points" | "faces"): Uint8Array {
  const { grid } = head;
  const size = grid.voxelSize;
  const bodyHeight = head.settings["body.height"];
  const voxels: number[] = [];
  const colors: number[] = [];
  const logOdds: number[] = [];
  forEachOccupied(grid, (i, j, k, value) => {
    const z = (k + 0.5) * size;
    const color: Color =
      z < -1.5 * size
        ? OKABE_ITO.vermillion
        : z < 1.5 * size
          ? OKABE_ITO.skyBlue
          : z < bodyHeight
            ? OKABE_ITO.bluishGreen
            : [200, 200, 200];
    voxels.push(i, j, k);
    colors.push(...color);
    logOdds.push(natsOf(value));
  });
  const comments = [
    "world frame, metres, z up",
    `voxel size ${size} m`,
    `colours: vermillion below the floor at z = 0, sky blue floor, green up to the body's ${bodyHeight} m, grey above`,
  ];
  if (form === "faces") return encodePlyMesh(voxelFaces(voxels, Uint8Array.from(colors), size), comments);
  const positions = Float32Array.from(voxels, (cell) => (cell + 0.5) * size);
  return encodePlyPoints(
    { positions, colors: Uint8Array.from(colors), logOdds: Float32Array.from(logOdds) },
    comments,
  );
}
