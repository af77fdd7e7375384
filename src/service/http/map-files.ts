import type { ServerResponse } from "node:http";
import { pipeline } from "node:stream/promises";
import { keyX, keyY, keyZ } from "../../map/grid.ts";
import { BLOCK_SIDE, decodeClasses, VOXEL } from "../../wire/blocks.ts";
import { edgesNpy, edgesPly, type FloorMap, groundJson, groundNpy, npyHeader } from "../maps/floor-files.ts";
import { planSvg } from "../maps/plan-svg.ts";
import { SAFE_HEADERS } from "./static-files.ts";

/** Blocks that are encoded before the thread serves its sockets again. */
const BLOCKS_AT_ONCE = 100;
const FLOATS = 3;

/** Lets the thread serve its sockets. */
const pause = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

/** Kinds of file with voxels, by their path. */
export const MAP_FILES = { "/map.ply": "ply", "/map.npy": "npy" } as const;
export type MapFile = (typeof MAP_FILES)[keyof typeof MAP_FILES];
/** Files of the floor, by their path: their type, and how they are made. The plan is made in pieces. */
export const FLOOR_FILES = {
  "/map.svg": ["image/svg+xml", null],
  "/map.json": ["application/json", groundJson],
  "/map.ground.npy": ["application/octet-stream", ({ ground }: FloorMap) => groundNpy(ground)],
  "/map.edges.npy": ["application/octet-stream", ({ edges }: FloorMap) => edgesNpy(edges)],
  "/map.edges.ply": ["application/octet-stream", ({ edges }: FloorMap) => edgesPly(edges)],
} as const;
export type FloorFile = keyof typeof FLOOR_FILES;

/** Sends a file of the floor. */
export async function sendFloor(
  response: ServerResponse,
  path: FloorFile,
  map: FloorMap,
  title: string,
): Promise<void> {
  const [type, make] = FLOOR_FILES[path];
  const headers = {
    ...SAFE_HEADERS,
    "content-type": type,
    "content-disposition": `attachment; filename="${path.slice(1)}"`,
    "cache-control": "no-store",
  };
  if (make !== null) {
    response.writeHead(200, headers).end(make(map));
    return;
  }
  response.writeHead(200, headers);
  async function* pieces(): AsyncGenerator<string> {
    for (const piece of planSvg({ ...map, title, path: [] })) {
      yield piece;
      await pause();
    }
  }
  await pipeline(pieces(), response).catch(() => {}); // the client has closed the connection
}

/** PLY, binary little-endian. Source: Turk, The PLY Polygon File Format, 1994. */
function plyHeader(count: number): string {
  const properties = ["x", "y", "z"].map((name) => `property float ${name}\n`).join("");
  return `ply\nformat binary_little_endian 1.0\ncomment centres of occupied voxels, metres\nelement vertex ${count}\n${properties}end_header\n`;
}

/**
 * Sends the centres of all occupied voxels, world metres, in pieces.
 * @param blocks blocks in their wire format; they are immutable
 */
export async function sendMap(
  response: ServerResponse,
  kind: MapFile,
  blocks: readonly Uint8Array[],
  voxelSize: number,
): Promise<void> {
  let count = 0;
  for (const [n, block] of blocks.entries()) {
    for (const { classes } of decodeClasses(block)) {
      for (const one of classes) if (one === VOXEL.occupied) count++;
    }
    if (n % BLOCKS_AT_ONCE === BLOCKS_AT_ONCE - 1) await pause();
  }
  const header = kind === "ply" ? Buffer.from(plyHeader(count)) : npyHeader("<f4", [count, FLOATS]);
  response.writeHead(200, {
    ...SAFE_HEADERS,
    "content-type": "application/octet-stream",
    "content-disposition": `attachment; filename="map.${kind}"`,
    "content-length": header.length + 4 * FLOATS * count,
    "cache-control": "no-store",
  });
  async function* pieces(): AsyncGenerator<Buffer> {
    yield header;
    for (let from = 0; from < blocks.length; from += BLOCKS_AT_ONCE) {
      yield centresOf(blocks.slice(from, from + BLOCKS_AT_ONCE), voxelSize);
      await pause();
    }
  }
  await pipeline(pieces(), response).catch(() => {}); // the client has closed the connection
}

function centresOf(blocks: readonly Uint8Array[], voxelSize: number): Buffer {
  const centres: number[] = [];
  for (const block of blocks) {
    for (const { key, classes } of decodeClasses(block)) {
      const corner = [keyX(key), keyY(key), keyZ(key)].map((n) => n * BLOCK_SIDE) as [number, number, number];
      for (let n = 0; n < classes.length; n++) {
        if (classes[n] !== VOXEL.occupied) continue;
        centres.push(
          (corner[0] + (n & 7) + 0.5) * voxelSize,
          (corner[1] + ((n >> 3) & 7) + 0.5) * voxelSize,
          (corner[2] + (n >> 6) + 0.5) * voxelSize,
        );
      }
    }
  }
  const out = Buffer.alloc(4 * centres.length);
  for (const [n, value] of centres.entries()) out.writeFloatLE(value, 4 * n);
  return out;
}
