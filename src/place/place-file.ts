import { crc32c } from "../coding/crc32c.ts";
import { DecodeError } from "../coding/decode-error.ts";
import { MsgpackReader, MsgpackWriter } from "../coding/msgpack.ts";
import type { Pose } from "../geometry/optics.ts";
import { FootingLayer } from "../guard/footing.ts";
import { CELLS, Tile, tileKey, tileOf } from "../guard/footing-tile.ts";
import { DRAWN_SETTINGS, type Drawn, type PlaceParts, type SavedPlace } from "../head/saved-place.ts";
import { FLOOR_TILE, FloorLayer, type FloorSettings } from "../map/floor.ts";
import { decodeSnapshot, encodeSnapshot } from "../map/snapshot.ts";
import { type Keyframe, unpackDepth } from "../track/keyframes.ts";
import { emptyMaps } from "../track/local-map.ts";
import { SAMPLE_BYTES } from "../track/samples.ts";
import { SURFEL_FLOATS, type SurfelMap } from "../track/surfels.ts";

// A place file: magic (8 bytes), version u32, size of all bytes u32, both little-endian; one MessagePack array of the parts below, in this order;
// CRC-32C u32, little-endian, of everything before it. Arrays of numbers are binary, little-endian, as typed arrays have them.
//
//   drawn              the texts of the settings `DRAWN_SETTINGS`
//   map of voxels      a snapshot (map/snapshot.ts)
//   floor              arrays of: column, row, then height, variance, distance (float32) and count (uint8) of its cells
//   footing            arrays of: column, row in tiles, then the arrays of `footingArrays` and `brinkArrays`
//   surfels            side of the fine voxels in metres; fine and coarse, SURFEL_FLOATS float32 each
//   keyframes          arrays, see `writeKeyframe`

/** Bytes of the keyframes that are kept with a place: with the map of 200 m2 about 14 MB in all, by estimate. Chosen by hand. */
export const KEYFRAME_BYTES = 6e6;

const MAGIC = Uint8Array.of(0x89, 0x42, 0x4d, 0x50, 0x6c, 0x0d, 0x0a, 0x1a);
const VERSION = 1;
const HEAD_SIZE = 16;
const CRC_SIZE = 4;
const PARTS = 6;
const MOST_KEYFRAMES = 100_000;
const MOST_PIXELS = 1 << 23;
const FLOOR_CELLS = FLOOR_TILE * FLOOR_TILE;
const FLOOR_BYTES = 13 * FLOOR_CELLS;
const FOOTING_BYTES = 13 * CELLS;
const BRINK_BYTES = 16 * CELLS;

/** Whether bytes begin like a place file, and not like a bare map of voxels. */
export const isPlaceFile = (bytes: Uint8Array): boolean => MAGIC.every((byte, n) => bytes[n] === byte);

/** The place as bytes. Times are left out: a clock begins anew with each run. */
export function encodePlace({ grid, floor, footing, frames, maps, drawn }: PlaceParts): Uint8Array {
  const out = new MsgpackWriter(1 << 20);
  out.at = HEAD_SIZE;
  out.array(PARTS);
  out.array(DRAWN_SETTINGS.length);
  for (const name of DRAWN_SETTINGS) out.text(drawn[name]);
  writeBin(out, [encodeSnapshot(grid, crc32c)]);
  writeFloor(out, floor);
  writeFooting(out, footing);
  out.array(3);
  out.float(maps.fine.voxelSize);
  writeBin(out, [maps.fine.toFloats()]);
  writeBin(out, [maps.coarse.toFloats()]);
  out.array(frames.length);
  for (const frame of frames) writeKeyframe(out, frame);
  out.reserve(CRC_SIZE);
  const size = out.at + CRC_SIZE;
  out.bytes.set(MAGIC);
  out.u32At(8, VERSION);
  out.u32At(12, size);
  out.u32At(out.at, crc32c(out.bytes.subarray(0, out.at)));
  return out.bytes.slice(0, size);
}

/** Checks that bytes are a whole place file. @returns where its parts end @throws {DecodeError} that names what is wrong */
export function verifyPlace(bytes: Uint8Array): number {
  if (!isPlaceFile(bytes)) throw new DecodeError("no place file: its first bytes are wrong", 0);
  if (bytes.length < HEAD_SIZE + CRC_SIZE) throw new DecodeError("the place file is cut off", bytes.length);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const version = view.getUint32(8, true);
  if (version !== VERSION) {
    throw new DecodeError(`place file version ${version}; this software reads version ${VERSION}`, 8);
  }
  const size = view.getUint32(12, true);
  if (size !== bytes.length) {
    throw new DecodeError(`the place file says it has ${size} bytes, there are ${bytes.length}`, 12);
  }
  const end = size - CRC_SIZE;
  if (view.getUint32(end, true) !== crc32c(bytes.subarray(0, end))) {
    throw new DecodeError("the place file is damaged: its checksum does not match", end);
  }
  return end;
}

/**
 * Reads a place.
 * @param settings of the floor's heights
 * @throws {DecodeError | SnapshotError} that names what is wrong and where; memory is proportional to the number of bytes
 */
export function decodePlace(bytes: Uint8Array, settings: FloorSettings): SavedPlace {
  const from = openPlace(bytes);
  readDrawn(from);
  const grid = decodeSnapshot(readBin(from, bytes, "map"), crc32c);
  const floor = readFloor(from, bytes, new FloorLayer(grid.voxelSize, settings));
  const footing = readFooting(from, bytes, new FootingLayer(grid.voxelSize, { keepsLevels: true }));
  if (from.array("surfels") !== 3) from.fail("surfels have 3 parts");
  const side = from.number("side of the fine voxels");
  if (!(side >= 0.01 && side <= 1)) from.fail(`voxels of surfels must be 0.01 to 1 m, got ${side}`);
  const maps = emptyMaps(side);
  for (const map of [maps.fine, maps.coarse]) readSurfels(from, bytes, map);
  const frames = readKeyframes(from, bytes);
  if (from.left !== 0) from.fail(`${from.left} bytes left over`);
  return { grid, floor, footing, known: { frames, maps } };
}

/** The settings that were drawn on the map of the place. @throws {DecodeError} */
export const drawnOn = (bytes: Uint8Array): Drawn => readDrawn(openPlace(bytes));

/** A reader before the first part. */
function openPlace(bytes: Uint8Array): MsgpackReader {
  const end = verifyPlace(bytes);
  const from = new MsgpackReader();
  from.reset(bytes, HEAD_SIZE, end, 0);
  if (from.array("place") !== PARTS) from.fail(`a place has ${PARTS} parts`);
  return from;
}

function readDrawn(from: MsgpackReader): Drawn {
  if (from.array("drawn") !== DRAWN_SETTINGS.length) from.fail(`${DRAWN_SETTINGS.length} settings are drawn`);
  return Object.fromEntries(DRAWN_SETTINGS.map((name) => [name, from.text(name)])) as unknown as Drawn;
}

type Numbers = Float32Array | Uint8Array | Int8Array;

function writeBin(out: MsgpackWriter, arrays: readonly Numbers[]): void {
  const size = arrays.reduce((sum, { byteLength }) => sum + byteLength, 0);
  const start = out.startBin(size);
  let at = start;
  for (const array of arrays) {
    out.bytes.set(new Uint8Array(array.buffer, array.byteOffset, array.byteLength), at);
    at += array.byteLength;
  }
  out.endBin(start, at);
}

/** A copy, so that typed arrays of any element can look at it. */
function readBin(from: MsgpackReader, bytes: Uint8Array, field: string, size = -1): Uint8Array {
  const start = from.bin(field);
  const found = bytes.slice(start, from.at);
  if (size >= 0 && found.length !== size)
    from.fail(`${field} should have ${size} bytes, has ${found.length}`);
  return found;
}

function writeFloor(out: MsgpackWriter, floor: FloorLayer): void {
  const tiles: (() => void)[] = [];
  floor.forEachTile((i, j, { height, variance, distance, count }) => {
    tiles.push(() => {
      out.array(3);
      out.int(i / FLOOR_TILE);
      out.int(j / FLOOR_TILE);
      const floats = [height, variance, distance].map((values) => Float32Array.from(values));
      writeBin(out, [...floats, Uint8Array.from(count)]);
    });
  });
  out.array(tiles.length);
  for (const write of tiles) write();
}

function readFloor(from: MsgpackReader, bytes: Uint8Array, floor: FloorLayer): FloorLayer {
  for (let left = from.array("floor"); left > 0; left--) {
    const [i, j, arrays] = readTile(from, bytes, FLOOR_BYTES);
    const floats = new Float32Array(arrays.buffer, 0, 3 * FLOOR_CELLS);
    requireFinite(from, floats, "floor");
    floor.setTile(i * FLOOR_TILE, j * FLOOR_TILE, {
      height: floats.subarray(0, FLOOR_CELLS),
      variance: floats.subarray(FLOOR_CELLS, 2 * FLOOR_CELLS),
      distance: floats.subarray(2 * FLOOR_CELLS),
      count: arrays.subarray(12 * FLOOR_CELLS),
    });
  }
  return floor;
}

function readTile(
  from: MsgpackReader,
  bytes: Uint8Array,
  size: number,
): readonly [i: number, j: number, arrays: Uint8Array] {
  if (from.array("tile") !== 3) from.fail("a tile has 3 parts");
  const [i, j] = [from.int("column of tile", -8192, 8191), from.int("row of tile", -8192, 8191)];
  return [i, j, readBin(from, bytes, "tile", size)];
}

const footingArrays = (tile: Tile): Numbers[] => [
  tile.far,
  tile.height,
  tile.odds,
  tile.doubt,
  tile.knock,
  tile.looks,
  tile.assumedGone,
];
const brinkArrays = (tile: Tile): Numbers[] => [tile.brinkX, tile.brinkY, tile.drop, tile.error];

function writeFooting(out: MsgpackWriter, footing: FootingLayer): void {
  out.array(footing.tiles.size);
  for (const [key, tile] of footing.tiles) {
    const [i, j] = tileOf(key);
    out.array(3);
    out.int(i);
    out.int(j);
    writeBin(out, [...footingArrays(tile), ...brinkArrays(tile)]);
  }
}

function readFooting(from: MsgpackReader, bytes: Uint8Array, footing: FootingLayer): FootingLayer {
  for (let left = from.array("footing"); left > 0; left--) {
    const [i, j, arrays] = readTile(from, bytes, FOOTING_BYTES + BRINK_BYTES);
    const tile = new Tile();
    let at = 0;
    for (const array of [...footingArrays(tile), ...brinkArrays(tile)]) {
      new Uint8Array(array.buffer).set(arrays.subarray(at, at + array.byteLength));
      at += array.byteLength;
      if (array instanceof Float32Array) requireFinite(from, array, "footing");
    }
    for (let c = 0; c < CELLS; c++) {
      tile.settle(c);
      if (tile.error[c]! > 0) tile.hasBrink = true;
    }
    tile.earliest = 0;
    footing.setTile(tileKey(i, j), tile);
  }
  return footing;
}

function readSurfels(from: MsgpackReader, bytes: Uint8Array, map: SurfelMap): void {
  const found = readBin(from, bytes, "surfels");
  if (found.length % (4 * SURFEL_FLOATS) !== 0) from.fail(`${found.length} bytes are no whole surfels`);
  const floats = new Float32Array(found.buffer);
  requireFinite(from, floats, "surfels");
  map.addFloats(floats);
}

function requireFinite(from: MsgpackReader, values: Float32Array, what: string): void {
  for (const value of values) {
    if (!(Math.abs(value) < 1e9)) from.fail(`${what} has a number that is not finite: ${value}`);
  }
}

function writePose(out: MsgpackWriter, { rotation, position }: Pose): void {
  for (const value of [...rotation, ...position]) out.float(value);
}

function writeKeyframe(out: MsgpackWriter, frame: Keyframe): void {
  const { step } = frame;
  out.array(24);
  out.int(frame.id);
  out.int(frame.sensor);
  writePose(out, frame.worldFromLens);
  out.float(frame.floorHeight);
  out.float(frame.way);
  out.float(frame.doubt.drifted);
  out.float(frame.doubt.built);
  out.int(frame.pixels);
  out.float(frame.unitsPerMetre);
  for (const value of step === null
    ? [0, 0, 0, 0, 0, 0]
    : [...step.move, step.turn, step.sigma, step.yawSigma])
    out.float(value);
  out.bool(step !== null);
  writeBin(out, [frame.depth]);
  writeBin(out, [frame.samples]);
}

function readKeyframes(from: MsgpackReader, bytes: Uint8Array): Keyframe[] {
  const count = from.array("keyframes");
  if (count > MOST_KEYFRAMES) from.fail(`${count} keyframes; at most ${MOST_KEYFRAMES}`);
  const frames: Keyframe[] = [];
  for (let n = 0; n < count; n++) {
    const frame = readKeyframe(from, bytes, frames.at(-1) ?? null);
    frames.push(frame);
  }
  return frames;
}

function readKeyframe(from: MsgpackReader, bytes: Uint8Array, before: Keyframe | null): Keyframe {
  const finite = (field: string, most = 1e6): number => {
    const value = from.number(field);
    if (!(Math.abs(value) <= most)) from.fail(`${field} of a keyframe is ${value}`);
    return value;
  };
  if (from.array("keyframe") !== 24) from.fail("a keyframe has 24 parts");
  const id = from.int("id of a keyframe", (before?.id ?? -1) + 1, 2 ** 31);
  const sensor = from.int("sensor of a keyframe", 0, 1000);
  const [a, b, c, d] = [1, 2, 3, 4].map(() => finite("rotation", 1.001)) as [number, number, number, number];
  const norm = Math.sqrt(a * a + b * b + c * c + d * d);
  if (!(Math.abs(norm - 1) < 1e-3)) from.fail(`the rotation of a keyframe has length ${norm}`);
  const worldFromLens: Pose = {
    rotation: [a, b, c, d],
    position: [finite("position"), finite("position"), finite("position")],
  };
  const floorHeight = finite("floor");
  const way = finite("way", 1e9);
  const doubt = { drifted: finite("drift", 1e9), built: finite("doubt", 1e9) };
  const pixels = from.int("pixels of a keyframe", 1, MOST_PIXELS);
  const unitsPerMetre = finite("units of depth");
  const [x, y, z, turn, sigma, yawSigma] = [1, 2, 3, 4, 5, 6].map(() => finite("step")) as [
    number,
    number,
    number,
    number,
    number,
    number,
  ];
  const hasStep = from.bool("step");
  if (hasStep && (before === null || !(sigma > 0 && yawSigma > 0))) from.fail("a step is not valid");
  const step = hasStep ? { from: before!.id, to: id, move: [x, y, z] as const, turn, sigma, yawSigma } : null;
  const depth = readBin(from, bytes, "depth");
  const samples = readBin(from, bytes, "samples");
  if (samples.length % SAMPLE_BYTES !== 0) from.fail(`${samples.length} bytes are no whole samples`);
  // It would throw in the midst of a run otherwise.
  unpackDepth(new Uint16Array(pixels), { depth, pixels });
  const measured = { worldFromLens, floorHeight, way, doubt, pixels, unitsPerMetre, depth, samples };
  return { id, time: 0, sensor, step, ...measured };
}
