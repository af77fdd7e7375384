import type { DepthKind, FisheyeOptics, PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { rayTable, validateOptics } from "../../src/geometry/rays.ts";
import { compose } from "../../src/geometry/rigid.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { FIT_FRAMES, FloorFinder, type FoundFloor } from "./floor-fit.ts";
import { numberedFiles } from "./numbered.ts";
import { pngSize, readPng } from "./png.ts";
import { FramePoses, type PoseOptions } from "./poses.ts";
import {
  bareHeader,
  ImportError,
  type ImportResult,
  type ImportSource,
  type OutOptions,
  writeSource,
} from "./source.ts";
import { readBytes } from "./text.ts";

/** A lens from a calibration. Pixels; see `PinholeOptics` and `FisheyeOptics`. */
export interface Lens {
  readonly fx: number;
  readonly fy: number;
  readonly cx: number;
  readonly cy: number;
  /** Default "pinhole". */
  readonly model?: "pinhole" | "fisheye" | undefined;
  /** [k1, k2, p1, p2, k3] of a pinhole, [k1, k2, k3, k4] of a fisheye. */
  readonly distortion?: readonly number[] | undefined;
}

/**
 * How a file holds its counts:
 * - png: 16-bit grey;
 * - raw: u32 height, u32 width, then u16 row by row, all little-endian; with `size`, only the u16.
 */
export type DepthFormat =
  | { readonly kind: "png" }
  | { readonly kind: "raw"; readonly size?: { readonly width: number; readonly height: number } | undefined };

export interface DepthFolderOptions {
  readonly folder: string;
  readonly format: DepthFormat;
  /** Names of the files, `{n}` where the frame number stands. Default `{n}.png` or `{n}.bin`. */
  readonly pattern?: string | undefined;
  readonly lens: Lens;
  /** Metres per count. */
  readonly unit: number;
  /** Default "z". */
  readonly measures?: DepthKind | undefined;
  /** Metres; returns outside are not used. Default: all that a count can express. */
  readonly minRange?: number | undefined;
  readonly maxRange?: number | undefined;
  /** Without it, the recording has no reference poses. */
  readonly poses?: PoseOptions | undefined;
  /** Turn and shift the world so that the floor that is found in the frames is level at z = 0. */
  readonly level?: boolean | undefined;
  /** Write the rotation of each pose as an orientation event, too: for replay with tracked poses. */
  readonly orientation?: boolean | undefined;
  /** Write frames that have no pose without one, instead of failing. */
  readonly allowMissingPoses?: boolean | undefined;
  /** Frames per second, for data without stamps: frame n is stamped (n - first) / rate. Default 30. */
  readonly rate?: number | undefined;
  /** Frame numbers, both included. Default all. */
  readonly from?: number | undefined;
  readonly to?: number | undefined;
  /** Only frames whose number is a multiple of this after the first. Default 1. */
  readonly every?: number | undefined;
  /** For the recording's header: source and licence of the data. */
  readonly about?: string | undefined;
}

interface Frame {
  readonly file: string;
  readonly time: number;
  readonly sequence: number;
  readonly worldFromLens: Pose | null;
}

/** Pixels along a side; no sensor has more. */
const MAX_SIDE = 8192;

interface Size {
  readonly width: number;
  readonly height: number;
}

/** Width and height, from the first bytes; checked before anything is allocated. */
function imageSize(bytes: Buffer, file: string, format: DepthFormat): Size {
  let size: Size;
  if (format.kind === "png") {
    size = pngSize(bytes, file);
  } else if (format.size !== undefined) {
    size = format.size;
  } else {
    if (bytes.length < 8) throw new ImportError(file, null, `${bytes.length} bytes, the size alone takes 8`);
    size = { height: bytes.readUInt32LE(0), width: bytes.readUInt32LE(4) };
  }
  const { width, height } = size;
  if (!(width >= 1 && width <= MAX_SIDE && height >= 1 && height <= MAX_SIDE)) {
    const fix = format.kind === "raw" ? "; give the size if the file has no header" : "";
    throw new ImportError(file, null, `an image of ${width} x ${height} pixels${fix}`);
  }
  if (format.kind === "raw") {
    const header = format.size === undefined ? 8 : 0;
    const due = header + 2 * width * height;
    if (bytes.length !== due) {
      const why = bytes.length < due ? "it is cut short" : "it holds something else";
      throw new ImportError(
        file,
        null,
        `${bytes.length} bytes, ${width} x ${height} pixels take ${due}; ${why}`,
      );
    }
  }
  return size;
}

/** Reads one image. @param counts (height * width) receives it */
function readCounts(counts: Uint16Array, file: string, format: DepthFormat, { width, height }: Size): void {
  const bytes = readBytes(file);
  const size = imageSize(bytes, file, format);
  if (size.width !== width || size.height !== height) {
    const first = `the first frame has ${width} x ${height}`;
    throw new ImportError(file, null, `${size.width} x ${size.height} pixels, ${first}; import them apart`);
  }
  if (format.kind === "raw") {
    const start = format.size === undefined ? 8 : 0;
    for (let i = 0; i < counts.length; i++) counts[i] = bytes.readUInt16LE(start + 2 * i);
    return;
  }
  readPng(counts, bytes, file, size);
}

function makeOptics(options: DepthFolderOptions, { width, height }: Size): PinholeOptics | FisheyeOptics {
  const { lens, unit, measures = "z", minRange = 0, maxRange = 65535 * unit } = options;
  const { fx, fy, cx, cy, distortion } = lens;
  const common = { width, height, fx, fy, cx, cy, measures, unit, minRange, maxRange };
  const optics = (
    lens.model === "fisheye"
      ? { model: "fisheye", ...common, distortion: distortion ?? [0, 0, 0, 0] }
      : { model: "pinhole", ...common, ...(distortion && { distortion }) }
  ) as PinholeOptics | FisheyeOptics;
  try {
    validateOptics(optics);
  } catch (error) {
    throw new ImportError(options.folder, null, (error as Error).message);
  }
  return optics;
}

function chooseFrames(options: DepthFolderOptions, files: ReadonlyMap<number, string>): Frame[] {
  const { from = 0, to = Number.MAX_SAFE_INTEGER, every = 1, rate = 30, poses } = options;
  const known = poses === undefined ? null : new FramePoses(poses);
  const frames: Frame[] = [];
  let first: number | null = null;
  let firstTime: number | null = null;
  for (const [number, file] of files) {
    if (number < from || number > to) continue;
    first ??= number;
    if ((number - first) % every !== 0) continue;
    const pose = known?.get(number) ?? null;
    if (pose === null && known !== null && !options.allowMissingPoses) {
      const fix = "choose frames that have one, or allow missing poses";
      throw new ImportError(file, null, `frame ${number} has no pose in ${poses!.path}; ${fix}`);
    }
    firstTime ??= pose?.time ?? null;
    if (firstTime !== null && pose?.time == null) {
      throw new ImportError(
        file,
        null,
        `frame ${number} has no stamp, but others have; choose frames that have`,
      );
    }
    const time = firstTime === null ? Math.round(((number - first) / rate) * 1e6) : pose!.time! - firstTime;
    const sequence = (number - first) / every;
    frames.push({ file, time, sequence, worldFromLens: pose?.worldFromLens ?? null });
  }
  if (frames.length === 0) {
    const all = [...files.keys()];
    throw new ImportError(options.folder, null, `has frames ${all[0]} to ${all.at(-1)}, none of them chosen`);
  }
  return frames;
}

/** The floor in some of the frames, in the world of their poses; null where none is seen, or no frame has a pose. */
function findFloor(options: DepthFolderOptions, frames: readonly Frame[], size: Size): FoundFloor | null {
  const placed = frames.filter(({ worldFromLens }) => worldFromLens !== null);
  const optics = makeOptics(options, size);
  const rays = rayTable(optics);
  const finder = new FloorFinder();
  const counts = new Uint16Array(size.width * size.height);
  const [least, most] = [optics.minRange / optics.unit, optics.maxRange / optics.unit];
  const every = Math.max(1, placed.length / FIT_FRAMES);
  for (let at = 0; at < placed.length; at += every) {
    const { file, worldFromLens } = placed[Math.floor(at)]!;
    readCounts(counts, file, options.format, size);
    for (let i = 0; i < counts.length; i++) if (counts[i]! < least || counts[i]! > most) counts[i] = 0;
    finder.add(counts, rays, 1 / optics.unit, worldFromLens!);
  }
  return finder.find();
}

/**
 * Finds the frames of a folder of depth images and their poses. Stamps start at 0 and follow the frame numbers, so a
 * gap in the numbers is a gap in time and in the sequence. Head, base and lens are one.
 * @throws {ImportError} if the files, the poses or the options don't fit
 */
export function openDepthFolder(options: DepthFolderOptions): ImportSource {
  const { folder, format, rate = 30, every = 1, unit, about, poses } = options;
  if (!(rate > 0 && rate <= 1e6))
    throw new ImportError(folder, null, `${rate} frames per second; more than 0`);
  if (!(Number.isInteger(every) && every > 0))
    throw new ImportError(folder, null, `every ${every} frames; give a whole number from 1`);
  if (!(Number.isFinite(unit) && unit > 0))
    throw new ImportError(folder, null, `unit of ${unit} metres per count; 0.001 is millimetres`);
  const pattern = options.pattern ?? (format.kind === "png" ? "{n}.png" : "{n}.bin");
  const frames = chooseFrames(options, numberedFiles(folder, pattern));
  const firstFile = frames[0]!.file;
  const size = imageSize(readBytes(firstFile), firstFile, format);
  const optics = makeOptics(options, size);
  const floor = poses === undefined ? null : findFloor(options, frames, size);
  if (options.level && floor === null) {
    const fix = "check --up, --direction and --unit, or import without --level";
    throw new ImportError(folder, null, `no floor is seen in its frames; ${fix}`);
  }
  const settings = {
    frames: pattern,
    ...(poses && {
      poses: {
        direction: poses.direction ?? "camera-to-world",
        up: poses.up ?? "z",
        floor: poses.floor ?? 0,
        lensShift: [...(poses.lensShift ?? [0, 0, 0])],
        ...(options.level && { levelled: floor!.levelled }),
      },
    }),
  };
  const inWorld = (pose: Pose): Pose => (options.level ? compose(floor!.levelled, pose) : pose);
  const mount = { on: "head", pose: { rotation: [0, 0, 0, 1], position: [0, 0, 0] } } as const;
  return {
    header: bareHeader([{ name: "depth", optics, mount }], about, settings),
    total: frames.length,
    floor,
    *events(onProgress): Generator<HeadEvent, void, undefined> {
      const counts = new Uint16Array(size.width * size.height);
      for (const [i, { file, time, sequence, worldFromLens }] of frames.entries()) {
        readCounts(counts, file, format, size);
        if (worldFromLens !== null) {
          const pose = inWorld(worldFromLens);
          yield { kind: "reference", time, of: "lens", sensor: 0, pose };
          if (options.orientation) yield { kind: "orientation", time, rotation: pose.rotation };
        }
        yield { kind: "depth", time, sensor: 0, sequence, counts, amplitude: null };
        onProgress?.(i + 1);
      }
    },
  };
}

/** Writes a folder of depth images with their poses to a recording. See `openDepthFolder` and `writeSource`. */
export async function importDepthFolder(
  options: DepthFolderOptions & OutOptions,
  onProgress?: (done: number) => void,
): Promise<ImportResult> {
  return writeSource(openDepthFolder(options), options, onProgress);
}
