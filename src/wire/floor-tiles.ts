import { DecodeError } from "../coding/decode-error.ts";
import type { BrinkSpot } from "../map/brink-lines.ts";
import { packCodes, unpackCodes } from "./image.ts";

// The map of the floor on the wire: tiles of 32 x 32 cells. A tile, little-endian: column i32 and row i32 (in tiles), when it was seen u32
// (seconds of the map's clock), number of points u16; the points; then runs as in `image` until 1,024 cells, x fastest. A point of an edge:
// x i16 and y i16 (millimetres from the tile's corner), z i16 (height of the floor, millimetres), depth of the drop u16 (millimetres; NO_BOTTOM: none was seen), error u8
// (millimetres, 1 sigma), looks u8 (frames that confirmed it).

/** Cells along a tile's side. */
export const TILE_SIDE = 32;
export const TILE_CELLS = TILE_SIDE * TILE_SIDE;
const HEAD_SIZE = 14;
const POINT_SIZE = 10;
/** Longest run of cells, as in `packCodes`. */
const LONGEST_RUN = 32;
const NO_BOTTOM = 0xffff;
/** More looks than this make no difference to the confidence. */
export const MOST_LOOKS = 30;

/** A point of an edge, and the height of the floor there. */
export type FloorSpot = BrinkSpot & { readonly z: number };

export interface WireTile {
  /** In tiles: its corner is at (col, row) * TILE_SIDE cells of the world. */
  readonly col: number;
  readonly row: number;
  /** Seconds of the map's clock. */
  readonly seen: number;
  /** (TILE_CELLS) FOOTING codes, x fastest. */
  readonly cells: Uint8Array;
  /** Points of edges, in the world, metres. A drop without a bottom is infinite. */
  readonly spots: readonly FloorSpot[];
}

const whole = (value: number, least: number, most: number): number =>
  Math.min(most, Math.max(least, Math.round(value)));

/** @param cell metres: side of a cell */
export function encodeTile({ col, row, seen, cells, spots }: WireTile, cell: number): Uint8Array {
  if (cells.length !== TILE_CELLS) throw new RangeError(`${cells.length} cells of ${TILE_CELLS}`);
  const runs = packCodes(cells);
  const bytes = new Uint8Array(HEAD_SIZE + POINT_SIZE * spots.length + runs.length);
  const view = new DataView(bytes.buffer);
  view.setInt32(0, col, true);
  view.setInt32(4, row, true);
  view.setUint32(8, whole(seen, 0, 0xffffffff), true);
  view.setUint16(12, spots.length, true);
  const [x0, y0] = [col * TILE_SIDE * cell, row * TILE_SIDE * cell];
  spots.forEach(({ x, y, z, drop, error, looks }, n) => {
    const at = HEAD_SIZE + POINT_SIZE * n;
    view.setInt16(at, whole(1000 * (x - x0), -32768, 32767), true);
    view.setInt16(at + 2, whole(1000 * (y - y0), -32768, 32767), true);
    view.setInt16(at + 4, whole(1000 * z, -32768, 32767), true);
    view.setUint16(at + 6, Number.isFinite(drop) ? whole(1000 * drop, 0, NO_BOTTOM - 1) : NO_BOTTOM, true);
    view.setUint8(at + 8, whole(1000 * error, 0, 255));
    view.setUint8(at + 9, whole(looks, 0, MOST_LOOKS));
  });
  bytes.set(runs, HEAD_SIZE + POINT_SIZE * spots.length);
  return bytes;
}

/** One number for a tile. */
export const tileKeyOf = (col: number, row: number): number => (col + 2 ** 20) * 2 ** 21 + (row + 2 ** 20);

/**
 * Divides tiles that follow each other.
 * @throws {DecodeError} when one is incomplete
 */
export function* splitTiles(bytes: Uint8Array): Generator<{ key: number; bytes: Uint8Array }> {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let at = 0; at < bytes.length; ) {
    const left = bytes.length - at;
    if (left < HEAD_SIZE) throw new DecodeError(`tile needs ${HEAD_SIZE} bytes, ${left} left`, at);
    const [col, row] = [view.getInt32(at, true), view.getInt32(at + 4, true)];
    let end = at + HEAD_SIZE + POINT_SIZE * view.getUint16(at + 12, true);
    let cells = 0;
    for (; cells < TILE_CELLS; end++) {
      if (end >= bytes.length) throw new DecodeError(`tile ends after ${cells} of ${TILE_CELLS} cells`, end);
      cells += (bytes[end]! & (LONGEST_RUN - 1)) + 1;
    }
    yield { key: tileKeyOf(col, row), bytes: bytes.subarray(at, end) };
    at = end;
  }
}

/**
 * Reads tiles one after the other; each has arrays of its own.
 * @param cell metres: side of a cell
 * @throws {DecodeError} at the first byte that cannot be
 */
export function* decodeTiles(bytes: Uint8Array, cell: number): Generator<WireTile & { key: number }> {
  for (const { key, bytes: tile } of splitTiles(bytes)) {
    const view = new DataView(tile.buffer, tile.byteOffset, tile.byteLength);
    const [col, row] = [view.getInt32(0, true), view.getInt32(4, true)];
    const [x0, y0] = [col * TILE_SIDE * cell, row * TILE_SIDE * cell];
    const count = view.getUint16(12, true);
    const spots = Array.from({ length: count }, (_, n) => {
      const at = HEAD_SIZE + POINT_SIZE * n;
      const drop = view.getUint16(at + 6, true);
      return {
        x: x0 + view.getInt16(at, true) / 1000,
        y: y0 + view.getInt16(at + 2, true) / 1000,
        z: view.getInt16(at + 4, true) / 1000,
        drop: drop === NO_BOTTOM ? Number.POSITIVE_INFINITY : drop / 1000,
        error: view.getUint8(at + 8) / 1000,
        looks: view.getUint8(at + 9),
      };
    });
    const cells = unpackCodes(tile.subarray(HEAD_SIZE + POINT_SIZE * count), TILE_CELLS);
    yield { key, col, row, seen: view.getUint32(8, true), cells, spots };
  }
}
