import { once } from "node:events";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, expect, test } from "vitest";
import yard from "../../datasets/yard-room.json" with { type: "json" };
import { crc32c } from "../../src/coding/crc32c.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { encodeSnapshot } from "../../src/map/snapshot.ts";
import { openRecording } from "../../src/record/file.ts";
import { PretriggerLink } from "../../src/service/pretrigger/recorder-link.ts";
import { FrameWriter, frameSlotMemory } from "../../src/service/sensing/frame-slot.ts";
import { Sensing } from "../../src/service/sensing/sensing.ts";
import type { FromSensing } from "../../src/service/sensing/sensing-messages.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { replayRecording } from "../../tools/replay/run.ts";
import { until } from "../helpers/live.ts";

let folder: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "brinkmap-shedding-"));
});
afterEach(() => rmSync(folder, { recursive: true, force: true }));

test("what the pre-trigger ring keeps of a head under load replays to the live map, bit for bit", async () => {
  const scenario = loadScenario(yard, { exact: true });
  const { setup } = scenario;
  const settings = resolveSettings({ "pose.source": "reference" });
  const slots = setup.sensors.map(({ optics }) => frameSlotMemory(optics.width * optics.height));
  const writers = slots.map((memory) => new FrameWriter(memory));
  const link = new PretriggerLink(
    { folder, ring: 1e9, kept: 1e9, segment: 1e6, before: 1e9, after: 1e9 },
    () => {},
  );
  const said: FromSensing[] = [];
  // Each look at the clock takes some time: many of them to a frame.
  let [clock, step] = [0, 100];
  const start = { setup, settings, slots, blocksEvery: 1e6, pretrigger: link.port };
  const sensing = new Sensing(
    start,
    (message) => said.push(message),
    () => {
      clock += step;
      return clock;
    },
  );
  const lastTime = 20e6;
  // The ring's thread gives a frame's buffer back once it has taken the frame, and all events before it.
  let [sent, back] = [0, 0];
  link.port.on("message", () => back++);
  for (const event of simulateEvents(scenario)) {
    if (event.kind !== "depth") {
      sensing.take({ kind: "event", event });
      continue;
    }
    step = event.time > 1e6 && event.time < 9e6 ? 90_000 : 100;
    const { sensor, time, sequence, counts } = event;
    writers[sensor]!.counts.set(counts);
    writers[sensor]!.publish({ time, arrival: time, sequence, hasAmplitude: false });
    sensing.take({ kind: "frame", sensor });
    sent++;
    while (back < sent) await once(link.port, "message");
    if (time > lastTime) break;
  }
  sensing.take({ kind: "snapshot", ticket: 1 });
  const live = said.findLast((message) => message.kind === "done")!.bytes!;
  const frames = said.filter((message) => message.kind === "frame");
  expect(said.filter((message) => message.kind === "load").at(-1)).toMatchObject({ leftOut: 0 });
  link.keep("asked", "");
  await link.close(20_000);
  await until(() => link.kept.length === 1);

  const path = link.find(link.kept[0]!.name)!;
  const recording = await openRecording(path);
  const shed = Array.from(recording.events()).filter((event) => event.kind === "shed");
  recording.close();
  const levels = shed.map(({ level }) => level).filter((level, n, all) => level !== all[n - 1]);
  expect(Math.max(...levels)).toBeGreaterThanOrEqual(2);
  expect(levels.at(-1)).toBeLessThan(Math.max(...levels)); // shed more, then less again
  const replay = await replayRecording(path);
  const mapped = frames.filter(({ revision }) => revision > 0);
  expect(mapped.length).toBeLessThan(0.8 * frames.length);
  expect(replay.summary.frames).toBe(mapped.length);
  expect(Buffer.from(encodeSnapshot(replay.head.grid, crc32c)).equals(Buffer.from(live))).toBe(true);
});
