import { readFileSync } from "node:fs";
import { type BlockGrid, classOf } from "../../src/map/grid.ts";

/** Frames of the yardstick's frame file: a pinhole camera with exact poses. */
export interface YardFrames {
  width: number;
  height: number;
  fx: number;
  fy: number;
  cx: number;
  cy: number;
  frames: { rotation: Float64Array; position: Float64Array; depth: Uint16Array }[];
}

/**
 * Reads the file that the yardstick's `gen` writes, little-endian: 4 bytes mark; i32 width, height, count; f32 fx, fy, cx, cy;
 * then per frame 9 f64 rotation (row-major worldFromLens), 3 f64 position (m), u16 depth (mm, 0 is no return).
 */
export function readYardFrames(path: string): YardFrames {
  const bytes = readFileSync(path);
  const [width, height, count] = [bytes.readInt32LE(4), bytes.readInt32LE(8), bytes.readInt32LE(12)];
  const [fx, fy, cx, cy] = [16, 20, 24, 28].map((at) => bytes.readFloatLE(at)) as [
    number,
    number,
    number,
    number,
  ];
  const frames: YardFrames["frames"] = [];
  let at = 32;
  for (let n = 0; n < count; n++) {
    const rotation = Float64Array.from({ length: 9 }, (_, i) => bytes.readDoubleLE(at + 8 * i));
    const position = Float64Array.from({ length: 3 }, (_, i) => bytes.readDoubleLE(at + 72 + 8 * i));
    at += 96;
    const depth = Uint16Array.from({ length: width * height }, (_, i) => bytes.readUInt16LE(at + 2 * i));
    at += 2 * depth.length;
    frames.push({ rotation, position, depth });
  }
  return { width, height, fx, fy, cx, cy, frames };
}

/** The dense grid, in 5 cm voxels, in which the yardstick's programs write and compare their maps. */
export const DENSE = { nx: 208, ny: 168, nz: 120, ox: -24, oy: -24, oz: -56 } as const;

/** 0 undecided, 1 free, 2 occupied, x fastest. */
export function dumpDense(grid: BlockGrid): Uint8Array {
  const { nx, ny, nz, ox, oy, oz } = DENSE;
  const out = new Uint8Array(nx * ny * nz);
  for (let z = 0, n = 0; z < nz; z++) {
    for (let y = 0; y < ny; y++) {
      for (let x = 0; x < nx; x++, n++) {
        const kind = classOf(grid.valueAt(x + ox, y + oy, z + oz));
        out[n] = kind === "free" ? 1 : kind === "occupied" ? 2 : 0;
      }
    }
  }
  return out;
}
