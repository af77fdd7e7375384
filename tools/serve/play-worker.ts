import { readFileSync } from "node:fs";
import { workerData } from "node:worker_threads";
import type { HeadEvent } from "../../src/sense/events.ts";
import type { PlayerStart } from "../../src/service/live-mode.ts";
import { FrameWriter } from "../../src/service/sensing/frame-slot.ts";
import { headTime } from "../../src/service/time.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

/** Input of the worker. */
export type PlayData = { readonly path: string; readonly slower: number };

/** Between two rounds, microseconds: longer than poses are interpolated over. */
const PAUSE = 1_500_000;

const { slots, port, data } = workerData as PlayerStart & { readonly data: PlayData };
const writers = slots.map((memory) => new FrameWriter(memory));
const sequences = slots.map(() => 0);
const sleeper = new Int32Array(new SharedArrayBuffer(4));

/** Blocks until the head's clock reaches `time`; this thread has no other work. */
function waitUntil(time: number): void {
  const left = time - headTime();
  if (left > 0) Atomics.wait(sleeper, 0, 0, left / 1000);
}

/** Events of consecutive rounds, with present stamps. */
function play(events: Iterable<HeadEvent>, start: number): number {
  let first = Number.NaN;
  let last = 0;
  for (const event of events) {
    if (Number.isNaN(first)) first = event.time;
    const time = start + event.time - first;
    last = Math.max(last, time);
    waitUntil(time);
    if (event.kind !== "depth") {
      port.postMessage({ kind: "event", event: { ...event, time } });
      continue;
    }
    const writer = writers[event.sensor];
    if (writer === undefined) continue;
    writer.counts.set(event.counts);
    if (event.amplitude !== null) writer.amplitude.set(event.amplitude);
    const sequence = sequences[event.sensor]!++;
    writer.publish({ time, arrival: headTime(), sequence, hasAmplitude: event.amplitude !== null });
    port.postMessage({ kind: "frame", sensor: event.sensor });
  }
  return last;
}

const json = JSON.parse(readFileSync(data.path, "utf8")) as { sensors: { rate: number }[] };
for (const sensor of json.sensors) sensor.rate /= data.slower;
const scenario = loadScenario(json, { repeat: 1 });
// Rendered again in each round, because stored frames would take tens of megabytes.
for (let start = headTime() + 1000; ; ) start = play(simulateEvents(scenario), start) + PAUSE;
