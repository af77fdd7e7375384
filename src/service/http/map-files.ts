import type { ServerResponse } from "node:http";
import { pipeline } from "node:stream/promises";
import { keyX, keyY, keyZ } from "../../map/grid.ts";
import { BLOCK_SIDE, decodeClasses, VOXEL } from "../../wire/blocks.ts";
import { SAFE_HEADERS } from "./static-files.ts";

/** Blocks that are encoded before the thread serves its sockets again. */
const BLOCKS_AT_ONCE = 100;
const FLOATS = 3;

/** Kinds of file, by their path. */
export const MAP_FILES = { "/map.ply": "ply", "/map.npy": "npy" } as const;
export type MapFile = (typeof MAP_FILES)[keyof typeof MAP_FILES];

/** PLY, binary little-endian. Source: Turk, The PLY Polygon File Format, 1994. */
function plyHeader(count: number): string {
  const properties = ["x", "y", "z"].map((name) => `property float ${name}\n`).join("");
  return `ply\nformat binary_little_endian 1.0\ncomment centres of occupied voxels, metres\nelement vertex ${count}\n${properties}end_header\n`;
}

/** NPY 1.0, (count, 3), float32. Source: numpy, numpy.lib.format, "Format Version 1.0". */
function npyHeader(count: number): Buffer {
  const text = `{'descr': '<f4', 'fortran_order': False, 'shape': (${count}, ${FLOATS}), }`;
  const size = Math.ceil((10 + text.length + 1) / 64) * 64 - 10;
  const head = Buffer.from([0x93, 0x4e, 0x55, 0x4d, 0x50, 0x59, 1, 0, size & 255, size >> 8]);
  return Buffer.concat([head, Buffer.from(`${text.padEnd(size - 1)}\n`)]);
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
  const pause = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));
  let count = 0;
  for (const [n, block] of blocks.entries()) {
    for (const { classes } of decodeClasses(block)) {
      for (const one of classes) if (one === VOXEL.occupied) count++;
    }
    if (n % BLOCKS_AT_ONCE === BLOCKS_AT_ONCE - 1) await pause();
  }
  const header = kind === "ply" ? Buffer.from(plyHeader(count)) : npyHeader(count);
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
