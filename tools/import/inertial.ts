import type { Vec3 } from "../../src/geometry/optics.ts";
import { normalizeRotation } from "../../src/geometry/rigid.ts";
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

export interface InertialFileOptions {
  /**
   * CSV, may be gzipped: t (seconds), gx, gy, gz (rad/s), ax, ay, az (m/s^2, +g upward at rest). Also, all of a group
   * or none: mx, my, mz (microtesla); qw, qx, qy, qz with px, py, pz (worldFromImu, z up, metres); movement (0 or 1).
   * Cells of an optional group may be empty where it isn't known.
   */
  readonly file: string;
  /** For the recording's header: source and licence of the data. */
  readonly about?: string | undefined;
}

/**
 * Finds the samples of a file of inertial data. Sensor, head and base are one, so a row with a whole pose (position and
 * rotation) gives a reference pose of the base. Where `movement` changes, a mark says "movement starts" or "movement
 * ends".
 * @throws {ImportError} if the file doesn't fit; rows are looked at when events are asked for
 */
export function openInertialFile({ file, about }: InertialFileOptions): ImportSource {
  const table = new Table(file, ["t", "gx", "gy", "gz", "ax", "ay", "az"]);
  const group = (...names: string[]): number[] | null => {
    const at = names.map((name) => table.index(name));
    if (at.every((i) => i < 0)) return null;
    if (at.some((i) => i < 0)) throw new ImportError(file, 1, `only some of the columns ${names.join(", ")}`);
    return at;
  };
  const timeAt = table.index("t");
  const [gyroAt, accelAt] = [group("gx", "gy", "gz")!, group("ax", "ay", "az")!];
  const magAt = group("mx", "my", "mz");
  const [rotationAt, positionAt] = [group("qx", "qy", "qz", "qw"), group("px", "py", "pz")];
  const movementAt = table.index("movement");

  return {
    header: bareHeader([], about, {}),
    total: table.count,
    *events(onProgress): Generator<HeadEvent, void, undefined> {
      let moves = false;
      let done = 0;
      for (const [cells, line] of table.rows()) {
        const read = (at: number) => parseNumber(cells[at]!, file, line, table.columns[at]!);
        const three = (at: readonly number[]): Vec3 => [read(at[0]!), read(at[1]!), read(at[2]!)];
        /** Whether a group is complete; a partial group is an error. */
        const isKnown = (at: readonly number[] | null): at is readonly number[] => {
          if (at === null || at.every((i) => cells[i]!.trim() === "")) return false;
          if (at.some((i) => cells[i]!.trim() === "")) {
            const names = at.map((i) => table.columns[i]).join(", ");
            throw new ImportError(file, line, `only some of ${names}; give all or leave all empty`);
          }
          return true;
        };
        const time = Math.round(read(timeAt) * 1e6);
        if (movementAt >= 0) {
          const movement = read(movementAt);
          if (movement !== 0 && movement !== 1)
            throw new ImportError(file, line, `movement is ${movement}; 0 or 1`);
          if ((movement === 1) !== moves) {
            moves = movement === 1;
            yield { kind: "mark", time, text: moves ? "movement starts" : "movement ends" };
          }
        }
        if (isKnown(rotationAt) && isKnown(positionAt)) {
          try {
            const rotation = normalizeRotation(rotationAt.map(read), 1e-2);
            const pose = { rotation, position: three(positionAt) };
            yield { kind: "reference", time, of: "base", sensor: 0, pose };
          } catch (error) {
            if (!(error instanceof RangeError)) throw error;
            throw new ImportError(file, line, `${error.message}; mend the row or leave the pose empty`);
          }
        }
        const mag = isKnown(magAt) ? three(magAt) : null;
        yield { kind: "inertial", time, gyro: three(gyroAt), accel: three(accelAt), mag };
        onProgress?.(++done);
      }
    },
  };
}

/** Writes a file of inertial data to a recording. See `openInertialFile` and `writeSource`. */
export async function importInertialFile(
  options: InertialFileOptions & OutOptions,
  onProgress?: (done: number) => void,
): Promise<ImportResult> {
  return writeSource(openInertialFile(options), options, onProgress);
}
