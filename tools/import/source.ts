import { existsSync, renameSync, rmSync } from "node:fs";
import { createRecording } from "../../src/record/file.ts";
import type { RecordingHeader } from "../../src/record/format.ts";
import type { HeadEvent, Setup } from "../../src/sense/events.ts";
import type { FoundFloor } from "./floor-fit.ts";

/** The data or the options don't fit; the message names the file, the line when there is one, and what to do. */
export class ImportError extends Error {
  override readonly name = "ImportError";
  /** @param line counted from 1, or null when it is about the whole file */
  constructor(file: string, line: number | null, message: string) {
    super(`${file}${line === null ? "" : `:${line}`}: ${message}`);
  }
}

/** Imported data as events, not yet written. */
export interface ImportSource {
  readonly header: RecordingHeader;
  /** Frames, scans or samples. */
  readonly total: number;
  /** Of frames with poses: the floor that they show, in the world of the poses as given; null where none is seen. */
  readonly floor?: FoundFloor | null;
  /**
   * In the order of a recording. A depth event's images are overwritten by the next.
   * @param onProgress gets how many of `total` are done
   * @throws {ImportError} while iterating, at data that don't fit
   */
  events(onProgress?: (done: number) => void): Generator<HeadEvent, void, undefined>;
}

export interface OutOptions {
  /** The recording to write. */
  readonly out: string;
  /** Replace it if it is there. */
  readonly overwrite?: boolean | undefined;
}

/** Summary of the written recording. */
export interface ImportResult {
  /** Frames, scans or samples. */
  readonly count: number;
  /** Reference poses. */
  readonly references: number;
  /** Microseconds from the first to the last stamp. */
  readonly duration: number;
}

/**
 * Writes everything to a recording. The file appears under its name only when it is whole.
 * @throws {ImportError} for data that don't fit; an error with `code` "EEXIST" if the recording is there already
 */
export async function writeSource(
  source: ImportSource,
  { out, overwrite = false }: OutOptions,
  onProgress?: (done: number) => void,
): Promise<ImportResult> {
  if (!overwrite && existsSync(out)) {
    throw Object.assign(new Error(`${out} is there already`), { code: "EEXIST" });
  }
  const part = `${out}.part`;
  const recording = await createRecording(part, source.header, { overwrite: true });
  let isWhole = false;
  let references = 0;
  let first = Number.POSITIVE_INFINITY;
  let last = Number.NEGATIVE_INFINITY;
  try {
    for (const event of source.events(onProgress)) {
      if (event.kind === "reference") references++;
      first = Math.min(first, event.time);
      last = Math.max(last, event.time);
      recording.write(event);
    }
    await recording.close();
    renameSync(part, out);
    isWhole = true;
  } finally {
    if (!isWhole) {
      await recording.close();
      rmSync(part, { force: true });
    }
  }
  return { count: source.total, references, duration: Math.max(0, last - first) };
}

const HERE = { rotation: [0, 0, 0, 1], position: [0, 0, 0] } as const;

/** A header for sensors without a base: head, base and lens coincide. */
export function bareHeader(
  sensors: Setup["sensors"],
  about: string | undefined,
  settings: Record<string, unknown>,
): RecordingHeader {
  return {
    setup: { sensors, baseFromHead: HERE, headFromImu: HERE },
    settings,
    about: about ?? "",
    software: "brinkmap import",
  };
}
