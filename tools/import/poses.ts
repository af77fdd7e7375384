import { basename, dirname } from "node:path";
import type { Pose, Quat, Vec3 } from "../../src/geometry/optics.ts";
import { compose, fromMatrix, invert, normalizeRotation } from "../../src/geometry/rigid.ts";
import { levelFromGravity } from "../../src/sense/attitude.ts";
import { numberedFiles } from "./numbered.ts";
import { ImportError } from "./source.ts";
import { nonBlankLines, parseNumber, readText, Table } from "./text.ts";

export const UP_AXES = ["x", "-x", "y", "-y", "z", "-z"] as const;
export const DIRECTIONS = ["camera-to-world", "world-to-camera"] as const;

/** Where poses are and what they mean. Ours are worldFromLens in metres, z up, the floor at z = 0. */
export interface PoseOptions {
  /**
   * - a name with `{n}` in it (`poses/frame-{n}.txt`): one file for each frame, with a 4x4 matrix, row by row;
   * - a name that ends in .csv or .csv.gz: columns frame,tx,ty,tz,qx,qy,qz,qw, and time_s if frames have stamps;
   * - else a trajectory log: for each frame a line of three whole numbers, the first its own, then a 4x4 matrix.
   */
  readonly path: string;
  /** Direction of the transforms. Default camera-to-world. */
  readonly direction?: (typeof DIRECTIONS)[number] | undefined;
  /** Which axis, or direction, of the data's world points up. Default z. */
  readonly up?: (typeof UP_AXES)[number] | Vec3 | undefined;
  /** How high the floor is along that axis, metres: it is put at z = 0. Default 0. */
  readonly floor?: number | undefined;
  /** Where the lens is in the frame of the camera whose poses these are (x right, y down, z forward), metres. Default there. */
  readonly lensShift?: Vec3 | undefined;
}

interface FramePose {
  readonly worldFromLens: Pose;
  /** Microseconds, null when the data have no stamps. */
  readonly time: number | null;
}

const HALF = Math.SQRT1_2;
/** Turns that bring the data's up axis to +z. For y it is (x, y, z) -> (x, -z, y). */
const Z_FROM_UP: Readonly<Record<(typeof UP_AXES)[number], Quat>> = {
  z: [0, 0, 0, 1],
  "-z": [1, 0, 0, 0],
  y: [HALF, 0, 0, HALF],
  "-y": [-HALF, 0, 0, HALF],
  x: [0, -HALF, 0, HALF],
  "-x": [0, HALF, 0, HALF],
};

/** Tolerance of a quaternion's length: files give 4 digits and more. */
const QUATERNION_TOLERANCE = 1e-2;

/** Poses by frame number. */
export class FramePoses {
  readonly #options: PoseOptions;
  readonly #worldFromData: Pose;
  readonly #cameraFromLens: Pose;
  readonly #known = new Map<number, FramePose>();
  /** For one file per frame: read when asked for. */
  readonly #files: ReadonlyMap<number, string> | null;

  /** @throws {ImportError} if a file can't be read or holds what isn't a pose */
  constructor(options: PoseOptions) {
    this.#options = options;
    const { path, up = "z", floor = 0, lensShift = [0, 0, 0] } = options;
    const rotation = typeof up === "string" ? Z_FROM_UP[up] : levelFromGravity(up);
    this.#worldFromData = { rotation, position: [0, 0, -floor] };
    this.#cameraFromLens = { rotation: [0, 0, 0, 1], position: lensShift };
    this.#files = basename(path).includes("{n}") ? numberedFiles(dirname(path), basename(path)) : null;
    if (this.#files !== null) return;
    if (/\.csv(\.gz)?$/i.test(path)) this.#readCsv(path);
    else this.#readLog(path);
  }

  /** @throws {ImportError} if the frame's own file holds what isn't a pose */
  get(frame: number): FramePose | null {
    const file = this.#files?.get(frame);
    if (file !== undefined && !this.#known.has(frame)) this.#readMatrixFile(frame, file);
    return this.#known.get(frame) ?? null;
  }

  /**
   * @param time microseconds, null when the data have no stamps
   * @param line of the file `path`, where the pose begins
   */
  #add(
    frame: number,
    { given, time }: { given: Pose; time: number | null },
    { path, line }: { path: string; line: number },
  ): void {
    if (this.#known.has(frame))
      throw new ImportError(path, line, `frame ${frame} has a pose already; remove one of them`);
    const worldFromCamera = this.#options.direction === "world-to-camera" ? invert(given) : given;
    const worldFromLens = compose(compose(this.#worldFromData, worldFromCamera), this.#cameraFromLens);
    this.#known.set(frame, { worldFromLens, time });
  }

  #readCsv(path: string): void {
    const names = ["frame", "tx", "ty", "tz", "qx", "qy", "qz", "qw"];
    const table = new Table(path, names);
    const at = names.map((name) => table.index(name));
    const timeAt = table.index("time_s");
    for (const [cells, line] of table.rows()) {
      const [frame, x, y, z, ...q] = at.map((i, n) => parseNumber(cells[i]!, path, line, names[n]!));
      const whole = wholeNumber(frame!, path, line);
      let rotation: Quat;
      try {
        rotation = normalizeRotation(q, QUATERNION_TOLERANCE);
      } catch (error) {
        throw new ImportError(path, line, `${(error as Error).message}; mend the row`);
      }
      const seconds = timeAt < 0 ? null : parseNumber(cells[timeAt]!, path, line, "time_s");
      const time = seconds === null ? null : Math.round(seconds * 1e6);
      this.#add(whole, { given: { rotation, position: [x!, y!, z!] }, time }, { path, line });
    }
  }

  #readLog(path: string): void {
    const lines = nonBlankLines(readText(path));
    for (const [content, line] of lines) {
      const words = content.split(/\s+/);
      if (words.length !== 3) {
        const fix = "each matrix needs a line of three whole numbers before it, the frame first";
        throw new ImportError(path, line, `${words.length} numbers; ${fix}`);
      }
      const frame = wholeNumber(parseNumber(words[0]!, path, line, "the frame number"), path, line);
      this.#add(frame, { given: readMatrix(lines, path, line), time: null }, { path, line });
    }
  }

  #readMatrixFile(frame: number, path: string): void {
    const lines = nonBlankLines(readText(path));
    const pose = readMatrix(lines, path, 0);
    const more = lines.next();
    if (!more.done)
      throw new ImportError(path, more.value[1], "more than a 4x4 matrix; remove what is behind it");
    this.#add(frame, { given: pose, time: null }, { path, line: 1 });
  }
}

function wholeNumber(value: number, path: string, line: number): number {
  if (!Number.isSafeInteger(value) || value < 0)
    throw new ImportError(path, line, `frame ${value}; frames have whole numbers from 0`);
  return value;
}

/** The next four lines as a pose. @param before the line before them */
function readMatrix(lines: Generator<[string, number], void, undefined>, path: string, before: number): Pose {
  const columns = new Float64Array(16);
  let last = before;
  for (let row = 0; row < 4; row++) {
    const next = lines.next();
    if (next.done)
      throw new ImportError(path, last + 1, `the file ends in a matrix, before its row ${row + 1} of 4`);
    const [content, line] = next.value;
    last = line;
    const words = content.split(/[\s,]+/);
    if (words.length !== 4)
      throw new ImportError(path, line, `${words.length} numbers in a row of a 4x4 matrix; it needs 4`);
    for (const [col, word] of words.entries())
      columns[4 * col + row] = parseNumber(word, path, line, `row ${row + 1}, column ${col + 1}`);
  }
  try {
    return fromMatrix(columns);
  } catch (error) {
    const rows = before === 0 ? "" : ` in the matrix of lines ${before + 1} to ${last}`;
    const { message } = error as Error;
    throw new ImportError(path, last, `${message}${rows}; mend it, or check that it is a pose in metres`);
  }
}
