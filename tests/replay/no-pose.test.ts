import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, beforeAll, expect, test } from "vitest";
import yard from "../../datasets/yard-room.json" with { type: "json" };
import { createRecording } from "../../src/record/file.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

const REPLAY = fileURLToPath(new URL("../../dist/tools/replay.js", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "brinkmap-no-pose-"));
afterAll(() => rmSync(folder, { recursive: true }));

/** A recording of a second without some kinds of event. */
async function record(name: string, without: readonly HeadEvent["kind"][]): Promise<void> {
  const scenario = loadScenario({ ...yard, duration: 1 });
  const writer = await createRecording(join(folder, name), {
    about: "",
    software: "",
    setup: scenario.setup,
    settings: {},
  });
  for (const event of simulateEvents(scenario)) if (!without.includes(event.kind)) writer.write(event);
  await writer.close();
}
beforeAll(async () => {
  await record("without-orientation.brk", ["orientation", "inertial"]);
  await record("without-odometry.brk", ["motion"]);
  await record("whole.brk", []);
});

const replay = (name: string, ...options: string[]) =>
  spawnSync(process.execPath, [REPLAY, join(folder, name), ...options], { encoding: "utf8" });

test.each([
  ["without-orientation.brk", "tracked", "orientation or inertial samples"],
  ["without-orientation.brk", "odometry", "orientation or inertial samples"],
  ["without-odometry.brk", "odometry", "odometry"],
])("%s, poses %s: it is an error that says what is missing", (name, source, missing) => {
  for (const json of [[], ["--json"]]) {
    const { status, stdout, stderr } = replay(name, "--pose", source, ...json);
    expect(status).toBe(3);
    expect(stdout).toBe("");
    expect(stderr).toContain(`the recording has no ${missing}, which pose.source ${source} needs`);
    expect(stderr).not.toMatch(/NaN|Infinity/);
  }
});

test("what has its poses is replayed, without a number that is none", () => {
  for (const source of ["tracked", "odometry", "reference"]) {
    const { status, stdout } = replay("whole.brk", "--pose", source, "--hold-out");
    expect(status).toBe(0);
    expect(stdout).not.toMatch(/NaN|Infinity/);
  }
});
