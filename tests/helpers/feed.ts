import { setTimeout as sleep } from "node:timers/promises";
import { HeadClient } from "../../src/client/client.ts";
import { openRecording } from "../../src/record/file.ts";
import { headTime } from "../../src/service/time.ts";
import type { SensorDeclaration } from "../../src/wire/shapes.ts";
import { makeSocket } from "./live.ts";

/** What `feed` sends of a recording. */
export interface Feed {
  /** Where to stop, seconds into the recording. */
  readonly until: number;
  /** Stretch, in seconds, in which depth frames are sent without any return. */
  readonly blind?: readonly [from: number, to: number];
  /** Extra messages of the base, and when they are sent, in seconds. */
  readonly says?: readonly { readonly at: number; readonly what: BaseSays }[];
}
type BaseSays = Parameters<HeadClient["observe"]>[0];

/** Sends a recording to a live head in real time, as the clients of its sensors and its base would. Resolves at the end. */
export async function feed(url: string, path: string, { until, blind, says = [] }: Feed): Promise<void> {
  const recording = await openRecording(path);
  const sensors = recording.header.setup.sensors as readonly SensorDeclaration[];
  const client = (role: "sensor" | "base"): HeadClient =>
    new HeadClient({ url, role, makeSocket, now: headTime, ...(role === "sensor" && { sensors }) });
  const [sensor, base] = [client("sensor"), client("base")];
  await Promise.all(
    [sensor, base].map((one) => new Promise<void>((resolve) => one.on("open", () => resolve()))),
  );
  const start = headTime();
  let first = Number.NaN;
  const left = [...says];
  for (const event of recording.events()) {
    if (Number.isNaN(first)) first = event.time;
    const at = (event.time - first) / 1e6;
    if (at > until) break;
    const time = start + event.time - first;
    // Pace: the recording's own. A stamp may lie 5 ms ahead of the clock.
    if (time - headTime() > 5000) await sleep((time - headTime()) / 1000);
    while (left[0] !== undefined && left[0].at <= at) base.observe({ ...left.shift()!.what, time });
    if (event.kind === "motion" || event.kind === "floorcheck") base.observe({ ...event, time });
    else if (event.kind === "orientation" || event.kind === "inertial") sensor.observe({ ...event, time });
    else if (event.kind === "depth") {
      const isBlind = blind !== undefined && at >= blind[0] && at < blind[1];
      const bytes = (image: Uint16Array): Uint8Array =>
        isBlind ? new Uint8Array(image.byteLength) : new Uint8Array(image.slice().buffer);
      sensor.observe({
        kind: "depth",
        sensor: sensors[event.sensor]!.name,
        time,
        sequence: event.sequence,
        form: "u16",
        counts: bytes(event.counts),
        amplitude: event.amplitude && bytes(event.amplitude),
      });
    }
  }
  recording.close();
  sensor.close();
  base.close();
}
