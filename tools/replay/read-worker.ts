import { parentPort, workerData } from "node:worker_threads";
import { openRecording } from "../../src/record/file.ts";
import type { HeadEvent } from "../../src/sense/events.ts";

/** A stretch of a recording; images lie in memory that both threads see. */
export interface Batch {
  readonly events: readonly HeadEvent[];
  readonly isLast: boolean;
  /** Share of the file that was read, and damaged stretches in it so far. */
  readonly share: number;
  readonly damage: number;
}

/** Messages of the reading thread; errors of file and format lose their class in transfer. */
export type FromReader =
  | { readonly kind: "batch"; readonly batch: Batch }
  | { readonly kind: "failed"; readonly message: string; readonly offset: number | null };

/** Number of batches in transfer, each in its own memory. */
const AHEAD = 3;
const MOST_EVENTS = 1024;
const MOST_BYTES = 1 << 21;

const { path } = workerData as { readonly path: string };
const port = parentPort!;
let credits = AHEAD;
let wake: (() => void) | null = null;
port.on("message", () => {
  credits++;
  wake?.();
  wake = null;
});

function send(batch: Batch): void {
  credits--;
  const message: FromReader = { kind: "batch", batch };
  port.postMessage(message);
}

async function read(): Promise<void> {
  const recording = await openRecording(path);
  const memory = Array.from({ length: AHEAD }, () => new SharedArrayBuffer(MOST_BYTES));
  let turn = 0;
  let used = 0;
  let events: HeadEvent[] = [];
  const flush = async () => {
    const share = recording.position.offset / recording.size;
    send({ events, isLast: false, share, damage: recording.damage.length });
    events = [];
    used = 0;
    turn = (turn + 1) % AHEAD;
    // Waits until the batch that used this memory last was consumed.
    while (credits === 0) {
      await new Promise<void>((resolve) => {
        wake = resolve;
      });
    }
  };
  const keep = (image: Uint16Array): Uint16Array => {
    const kept = new Uint16Array(memory[turn]!, used, image.length);
    kept.set(image);
    used += image.byteLength;
    return kept;
  };
  for (const event of recording.events()) {
    if (event.kind !== "depth") {
      events.push(event);
    } else {
      const bytes = event.counts.byteLength + (event.amplitude?.byteLength ?? 0);
      if (used + bytes > MOST_BYTES && events.length > 0) await flush();
      // An image that is larger than the memory gets its own.
      if (bytes > memory[turn]!.byteLength) memory[turn] = new SharedArrayBuffer(bytes);
      events.push({
        ...event,
        counts: keep(event.counts),
        amplitude: event.amplitude === null ? null : keep(event.amplitude),
      });
    }
    if (events.length >= MOST_EVENTS) await flush();
  }
  send({ events, isLast: true, share: 1, damage: recording.damage.length });
  recording.close();
}

read()
  .catch((error: Error & { offset?: number }) => {
    const message: FromReader = { kind: "failed", message: error.message, offset: error.offset ?? null };
    port.postMessage(message);
  })
  .finally(() => port.close());
