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
  { ...STYLES.lowOverhead, label: "overhang above the robot" },
  { label: "free, floor not seen", color: [214, 232, 246], pattern: "dots", mark: OKABE_ITO.blue },
];
/** A kind that a coarser picture must not lose goes over the others. */
const KIND_RANK = [0, 2, 4, 3, 1];

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
const SLICE_STYLES: readonly Style[] = [
  { ...STYLES.unknown, label: "unseen" },
  { ...STYLES.clear, label: "free" },
  { ...STYLES.blocked, label: "occupied" },
];

function pathOverlay(path: readonly StampedPose[]): Overlay {
  const points = path.flatMap(({ pose }) => [pose.position[0], pose.position[1]]);
  return { label: "path", color: OKABE_ITO.blue, kind: "line", points };
}

/**
 * The map from above, for the head's body.
 * @param coarser cells along one side that become one pixel cell, for large maps; what blocks is kept
 * @returns null when nothing was seen
 */
export function drawKinds(
  head: Head,
  title: string,
  path: readonly StampedPose[],
  coarser = 1,
): Picture | null {
  const kinds = head.layers.kinds();
  if (kinds === null) return null;
  const [rows, columns] = kinds.cells.shape as [number, number];
  const width = Math.ceil(columns / coarser);
  const height = Math.ceil(rows / coarser);
  const layer = new Uint8Array(width * height);
  for (let row = 0; row < rows; row++) {
    for (let col = 0; col < columns; col++) {
      const at = Math.floor(row / coarser) * width + Math.floor(col / coarser);
      const kind = kinds.cells.get(row, col);
      if (KIND_RANK[kind]! > KIND_RANK[layer[at]!]!) layer[at] = kind;
    }
  }
  const size = head.grid.voxelSize;
  return drawLayer({
    ...{ title, layer, width, height, styles: KIND_STYLES, cellSize: size * coarser },
    ...{ origin: [kinds.col * size, kinds.row * size], axes: ["x", "y"], overlays: [pathOverlay(path)] },
  });
}

/** Floor heights from above, in steps that can be told apart; null when nothing was seen. */
export function drawFloor(head: Head, title: string, path: readonly StampedPose[]): Picture | null {
  const heights = head.layers.floorHeights();
  if (heights === null) return null;
  const [height, width] = heights.cells.shape as [number, number];
  const layer = Uint8Array.from(heights.cells.data, (z) =>
    Number.isNaN(z) ? FLOOR_STEPS.length : FLOOR_STEPS.findIndex(({ below }) => z < below),
  );
  const styles = [...FLOOR_STEPS.map(({ style }) => style), { ...STYLES.unknown, label: "no floor seen" }];
  const size = head.grid.voxelSize;
  return drawLayer({
    ...{ title, layer, width, height, styles, cellSize: size },
    ...{ origin: [heights.col * size, heights.row * size], axes: ["x", "y"], overlays: [pathOverlay(path)] },
  });
}

/**
 * An upright slice along x: what the voxels between y0 and y1 (metres) hold, from the side.
 * @returns null when nothing was seen
 */
export function drawSlice(head: Head, title: string, y0: number, y1: number): Picture | null {
  const box = head.layers.bounds();
  if (box === null) return null;
  const { grid } = head;
  const size = grid.voxelSize;
  const [low, high] = heightRange(grid);
  const height = high - low + 1;
  const layer = new Uint8Array(box.columns * height);
  for (let k = low; k <= high; k++) {
    for (let col = 0; col < box.columns; col++) {
      for (let j = Math.floor(y0 / size); j < Math.ceil(y1 / size); j++) {
        const value = grid.valueAt(box.col + col, j, k);
        const state = value >= OCCUPIED_FROM ? 2 : value < FREE_BELOW ? 1 : 0;
        const at = (k - low) * box.columns + col;
        layer[at] = Math.max(layer[at]!, state);
      }
    }
  }
  return drawLayer({
    ...{ title, layer, width: box.columns, height, styles: SLICE_STYLES, cellSize: size },
    ...{ origin: [box.col * size, low * size], axes: ["x", "z"] },
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
  const comments = ["world frame, metres, z up", `voxel size ${size} m`];
  if (form === "faces") return encodePlyMesh(voxelFaces(voxels, Uint8Array.from(colors), size), comments);
  const positions = Float32Array.from(voxels, (cell) => (cell + 0.5) * size);
  return encodePlyPoints(
    { positions, colors: Uint8Array.from(colors), logOdds: Float32Array.from(logOdds) },
    comments,
  );
}
