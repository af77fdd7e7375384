/**
 * Recordings: the inputs of a head, lossless, readable after a crash and after damage (docs/recording-format.md). For Node,
 * since it reads and writes files.
 *
 * ```ts
 * import { openRecording } from "brinkmap/recording";
 *
 * const recording = await openRecording("drive.brk");
 * for (const event of recording.events()) head.take(event);
 * recording.close();
 * ```
 *
 * @module recording
 */
export { DecodeError } from "../coding/decode-error.ts";
export { createRecording, openRecording, Recording } from "./file.ts";
export { type RecordingHeader, VersionError } from "./format.ts";
export type { Damage, OutlineEvent, ReadOptions } from "./reader.ts";
export type { RecordingIndex } from "./recording-index.ts";
export type { RecordingWriter } from "./writer.ts";
