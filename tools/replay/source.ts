import { on } from "node:events";
import { Worker } from "node:worker_threads";
import { DecodeError } from "../../src/coding/decode-error.ts";
import type { Recording } from "../../src/record/file.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import type { FromReader } from "./read-worker.ts";

/** Events of a recording in the order they were recorded; an image is valid until the next event is asked for. */
export interface Stretch {
  readonly events: Iterable<HeadEvent>;
  /** Share of the file that has been read, and damaged stretches in it so far. */
  readonly share: () => number;
  readonly damage: () => number;
}

/** All events, read by this thread. */
export async function* readHere(recording: Recording): AsyncGenerator<Stretch, void, undefined> {
  yield {
    events: recording.events(),
    share: () => recording.position.offset / recording.size,
    damage: () => recording.damage.length,
  };
}

/** Whether this file is TypeScript or compiled; a separate thread needs the compiled one. */
const READER = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/tools/replay/read-worker.js", import.meta.url)
  : new URL("./read-worker.js", import.meta.url);

/**
 * The same events, read and unpacked ahead by a thread of its own.
 * @throws {DecodeError | Error} as reading here does
 */
export async function* readAhead(path: string): AsyncGenerator<Stretch, void, undefined> {
  const worker = new Worker(READER, {
    workerData: { path },
    resourceLimits: { maxYoungGenerationSizeMb: 8 },
  });
  try {
    for await (const [message] of on(worker, "message") as AsyncIterable<[FromReader]>) {
      if (message.kind === "failed") {
        const { message: why, offset } = message;
        throw offset === null ? new Error(why) : new DecodeError(why.replace(/ \(byte \d+\)$/, ""), offset);
      }
      const { events, share, damage, isLast } = message.batch;
      yield { events, share: () => share, damage: () => damage };
      if (isLast) return;
      worker.postMessage("done");
    }
  } finally {
    await worker.terminate();
  }
}
