import type { Head } from "../../src/head/head.ts";
import {
  BLOCK_SIDE,
  BLOCK_VOXELS,
  type GridView,
  keyX,
  keyY,
  keyZ,
  natsOf,
  OCCUPIED_FROM,
} from "../../src/map/grid.ts";
import { LIGHT, OKABE_ITO } from "../../src/terms/palette.ts";
import { encodePlyMesh, encodePlyPoints, voxelFaces } from "./ply.ts";

type Rgb = readonly [red: number, green: number, blue: number];
const rgbOf = (colour: string): Rgb =>
  [1, 3, 5].map((at) => Number.parseInt(colour.slice(at, at + 2), 16)) as unknown as Rgb;

/** As on the page: orange for drops, green for floor, blue for obstacles. */
const BELOW = rgbOf(OKABE_ITO.vermillion);
const FLOOR = rgbOf(OKABE_ITO.bluishGreen);
const STANDING = rgbOf(OKABE_ITO.blue);
const OVERHEAD = rgbOf(LIGHT.mapOverhead);

/** Visits the occupied voxels: column, row and layer, and what is stored. */
export function forEachOccupied(
  grid: GridView,
  visit: (i: number, j: number, k: number, value: number) => void,
): void {
  const values = new Uint8Array(BLOCK_VOXELS);
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, values);
    const key = grid.keyOf(id);
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
    const isFloor = Math.abs(z) < 1.5 * size;
    const color = isFloor ? FLOOR : z < 0 ? BELOW : z < bodyHeight ? STANDING : OVERHEAD;
    voxels.push(i, j, k);
    colors.push(...color);
    logOdds.push(natsOf(value));
  });
  const comments = [
    "world frame, metres, z up",
    `voxel size ${size} m`,
    `colours: orange below the floor at z = 0, green floor, blue up to the body's ${bodyHeight} m, violet above`,
  ];
  if (form === "faces") return encodePlyMesh(voxelFaces(voxels, Uint8Array.from(colors), size), comments);
  const positions = Float32Array.from(voxels, (cell) => (cell + 0.5) * size);
  return encodePlyPoints(
    { positions, colors: Uint8Array.from(colors), logOdds: Float32Array.from(logOdds) },
    comments,
  );
}
