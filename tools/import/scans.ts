import type { Pose, ScanOptics } from "../../src/geometry/optics.ts";
import { validateOptics } from "../../src/geometry/rays.ts";
import { compose, fromYawPitchRoll, OPTICAL_IN_BODY } from "../../src/geometry/rigid.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import {
  bareHeader,
  ImportError,
  type ImportResult,
  type ImportSource,
  type OutOptions,
  writeSource,
} from "./source.ts";
import { parseNumber, Table } from "./text.ts";

export interface ScanFileOptions {
  /** CSV, may be gzipped: t_s (seconds), r0, r1, ... (metres), and x, y, theta (metres, radians) when poses are known. */
  readonly file: string;
  /** Of beam r0, radians from straight ahead, counter-clockwise seen from above. Default -pi/2. */
  readonly firstAngle?: number | undefined;
  /** Radians from one beam to the next, negative for clockwise. Default pi/180. */
  readonly step?: number | undefined;
  /** Metres; ranges of at least this are no return. "inf", "nan" and empty cells are always no return. Default: none. */
  readonly noReturn?: number | undefined;
  /** Metres per count of the recording. Default 0.001. */
  readonly unit?: number | undefined;
  /** The plane of the beams above the floor, metres. Default 0. */
  readonly height?: number | undefined;
  /** Metres; returns outside are not used. Default: 0, and `noReturn` or 65535 counts. */
  readonly minRange?: number | undefined;
  readonly maxRange?: number | undefined;
  /** For the recording's header: source and licence of the data. */
  readonly about?: string | undefined;
}

const NONE = new Set(["", "inf", "+inf", "infinity", "nan"]);

/**
 * Finds the scans of a file. Stamps start at 0, the first scan's own is in the header's settings. The scanner is level,
 * `height` above the base, and looks along the base's x; reference poses are those of its lens.
 * @throws {ImportError} if the file or the options don't fit; rows are looked at when events are asked for
 */
export function openScanFile(options: ScanFileOptions): ImportSource {
  const { file, firstAngle = -Math.PI / 2, step = Math.PI / 180, height = 0, unit = 0.001, about } = options;
  const farthest = 65535 * unit;
  const noReturn = options.noReturn ?? Number.POSITIVE_INFINITY;
  const table = new Table(file, ["t_s", "r0"]);
  let beams = 1;
  while (table.index(`r${beams}`) >= 0) beams++;
  const optics: ScanOptics = {
    model: "scan",
    width: beams,
    height: 1,
    firstAngle,
    step,
    measures: "range",
    unit,
    minRange: options.minRange ?? 0,
    maxRange: options.maxRange ?? Math.min(farthest, noReturn),
  };
  try {
    validateOptics(optics);
  } catch (error) {
    throw new ImportError(file, null, (error as Error).message);
  }
  const poseAt = ["x", "y", "theta"].map((name) => table.index(name));
  const hasPoses = poseAt.every((at) => at >= 0);
  if (!hasPoses && poseAt.some((at) => at >= 0))
    throw new ImportError(file, 1, "only some of the columns x, y, theta; poses need all three");
  const timeAt = table.index("t_s");
  const rangeAt = Array.from({ length: beams }, (_, i) => table.index(`r${i}`));
  const [first] = table.rows();
  if (first === undefined) throw new ImportError(file, null, "has no scans");
  const start = parseNumber(first[0][timeAt]!, file, first[1], "t_s");
  const baseFromLens: Pose = { rotation: OPTICAL_IN_BODY, position: [0, 0, height] };
  const mount = { on: "base", pose: baseFromLens } as const;
  const settings = { firstStamp: start, noReturn: options.noReturn ?? null, height };

  return {
    header: bareHeader([{ name: "scanner", optics, mount }], about, settings),
    total: table.count,
    *events(onProgress): Generator<HeadEvent, void, undefined> {
      const counts = new Uint16Array(beams);
      let sequence = 0;
      for (const [cells, line] of table.rows()) {
        const time = Math.round((parseNumber(cells[timeAt]!, file, line, "t_s") - start) * 1e6);
        for (let i = 0; i < beams; i++) {
          const cell = cells[rangeAt[i]!]!.trim();
          if (NONE.has(cell.toLowerCase())) {
            counts[i] = 0;
            continue;
          }
          const range = parseNumber(cell, file, line, `r${i}`);
          if (range < 0) throw new ImportError(file, line, `r${i} is ${range} m; a distance isn't negative`);
          const count = Math.round(range / unit);
          if (range < noReturn && count > 65535) {
            const fix = `give a larger unit, or from where on there is no return`;
            throw new ImportError(file, line, `r${i} is ${range} m, counts end at ${farthest} m; ${fix}`);
          }
          counts[i] = range < noReturn ? count : 0;
        }
        if (hasPoses) {
          const [x, y, theta] = poseAt.map((at) => parseNumber(cells[at]!, file, line, table.columns[at]!));
          const worldFromBase: Pose = { rotation: fromYawPitchRoll(theta!, 0, 0), position: [x!, y!, 0] };
          const pose = compose(worldFromBase, baseFromLens);
          yield { kind: "reference", time, of: "lens", sensor: 0, pose };
        }
        yield { kind: "depth", time, sensor: 0, sequence: sequence++, counts, amplitude: null };
        onProgress?.(sequence);
      }
    },
  };
}

/** Writes a file of scans to a recording. See `openScanFile` and `writeSource`. */
export async function importScanFile(
  options: ScanFileOptions & OutOptions,
  onProgress?: (done: number) => void,
): Promise<ImportResult> {
  return writeSource(openScanFile(options), options, onProgress);
}
