import { BLOCK_SIDE, keyX, keyY, keyZ } from "../../map/grid.ts";
import { decodeClasses, VOXEL } from "../../wire/blocks.ts";
import { wholeFloor } from "../sockets/floor-store.ts";
import { edgesNpy, edgesPly, type FloorMap, groundJson, groundNpy, npyHeader } from "./floor-files.ts";
import { planSvg } from "./plan-svg.ts";
import { svgToPng } from "./rasterize.ts";

// The files of the map that the service sends, as pure functions of the map on the wire. A thread of its own runs them.

/** The files by their path: their type, and whether they need the voxels or the floor. */
export const MAP_FILES = {
  "/map.ply": ["application/octet-stream", "voxels"],
  "/map.npy": ["application/octet-stream", "voxels"],
  "/map.svg": ["image/svg+xml", "floor"],
  "/map.png": ["image/png", "floor"],
  "/map.json": ["application/json", "floor"],
  "/map.ground.npy": ["application/octet-stream", "floor"],
  "/map.edges.npy": ["application/octet-stream", "floor"],
  "/map.edges.ply": ["application/octet-stream", "floor"],
} as const;

type Path = keyof typeof MAP_FILES;
type PathOf<Kind> = { [P in Path]: (typeof MAP_FILES)[P][1] extends Kind ? P : never }[Path];

/** A file to be made. */
export type WantedFile =
  | {
      readonly of: "voxels";
      readonly path: PathOf<"voxels">;
      /** All blocks in wire format, one after the other. */
      readonly bytes: Uint8Array;
      readonly voxelSize: number;
    }
  | {
      readonly of: "floor";
      readonly path: PathOf<"floor">;
      /** All tiles in wire format, one after the other. */
      readonly bytes: Uint8Array;
      /** Metres: side of a cell; seconds of the map's clock. */
      readonly cell: number;
      readonly at: number;
      /** Title of a plan. */
      readonly title: string;
    };

/** Floats of a voxel's centre. */
const FLOATS = 3;
/** Pixels for a millimetre of the sheet: 127 an inch, so that a sheet of A3 is 2100 wide. */
const PIXELS = 5;

/** @returns the file; null while no floor is known */
export async function makeMapFile(wanted: WantedFile): Promise<Uint8Array | null> {
  if (wanted.of === "voxels") {
    return voxelFile(wanted.path === "/map.ply" ? "ply" : "npy", wanted.bytes, wanted.voxelSize);
  }
  const map = wholeFloor([wanted.bytes], wanted.cell, wanted.at);
  return map && floorFile(wanted.path, map, wanted.title);
}

async function floorFile(path: PathOf<"floor">, map: FloorMap, title: string): Promise<Uint8Array> {
  const plan = { ...map, title, path: [] };
  switch (path) {
    case "/map.svg":
      return Buffer.from([...planSvg(plan)].join(""));
    case "/map.png":
      return svgToPng([...planSvg({ ...plan, pixels: PIXELS })].join(""));
    case "/map.json":
      return Buffer.from(groundJson(map));
    case "/map.ground.npy":
      return groundNpy(map.ground);
    case "/map.edges.npy":
      return edgesNpy(map.edges);
    case "/map.edges.ply":
      return edgesPly(map.edges);
    default:
      return path satisfies never;
  }
}

/** PLY, binary little-endian. Source: Turk, The PLY Polygon File Format, 1994. */
function plyHeader(count: number): string {
  const properties = ["x", "y", "z"].map((name) => `property float ${name}\n`).join("");
  return `ply\nformat binary_little_endian 1.0\ncomment centres of occupied voxels, metres\nelement vertex ${count}\n${properties}end_header\n`;
}

/** The centres of all occupied voxels, world metres. */
function voxelFile(kind: "ply" | "npy", blocks: Uint8Array, voxelSize: number): Uint8Array {
  let count = 0;
  for (const { classes } of decodeClasses(blocks)) {
    for (const one of classes) if (one === VOXEL.occupied) count++;
  }
  const header = kind === "ply" ? Buffer.from(plyHeader(count)) : npyHeader("<f4", [count, FLOATS]);
  const file = Buffer.alloc(header.length + 4 * FLOATS * count);
  let at = header.copy(file);
  for (const { key, classes } of decodeClasses(blocks)) {
    const [x, y, z] = [keyX(key) * BLOCK_SIDE, keyY(key) * BLOCK_SIDE, keyZ(key) * BLOCK_SIDE];
    for (let n = 0; n < classes.length; n++) {
      if (classes[n] !== VOXEL.occupied) continue;
      at = file.writeFloatLE((x + (n & 7) + 0.5) * voxelSize, at);
      at = file.writeFloatLE((y + ((n >> 3) & 7) + 0.5) * voxelSize, at);
      at = file.writeFloatLE((z + (n >> 6) + 0.5) * voxelSize, at);
    }
  }
  return file;
}
