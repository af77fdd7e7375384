import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pino } from "pino";
import { afterEach, beforeEach, expect, test } from "vitest";
import { LiveHead, PATIENT, until } from "../helpers/live.ts";

// What `serve --quiet` still says: its log has warnings and worse.

let folder: string;
let head: LiveHead;
let lines: { level: number; msg: string }[];
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "brinkmap-quiet-"));
  lines = [];
});
afterEach(async () => {
  await head.stop();
  rmSync(folder, { recursive: true });
});
const start = async (settings: Record<string, unknown>) => {
  const log = pino({ level: "warn" }, { write: (line: string) => lines.push(JSON.parse(line)) });
  head = await LiveHead.start({ ...PATIENT, ...settings }, { log });
};
const says = (part: string) => lines.some(({ level, msg }) => level >= 40 && msg.includes(part));

test("a disk that refuses the last minutes, and one that refuses the map", async () => {
  // Files where folders should be: as root every folder can be written.
  writeFileSync(join(folder, "minutes"), "");
  writeFileSync(join(folder, "map"), "");
  await start({ pretrigger: { folder: join(folder, "minutes") }, map: { folder: join(folder, "map") } });
  await until(() => says("the last minutes are not recorded: "), "the recorder's trouble");
  await until(() => says("nothing is saved: "), "the map's trouble");
  const texts = lines.map(({ msg }) => msg).join("; ");
  expect(texts.match(/a part of this path is a file, not a folder/g)!.length).toBeGreaterThanOrEqual(2);
  expect(texts).not.toMatch(/ENO[A-Z]+|EEXIST/);
});

test("a saved map that is set aside, one that is assumed, and a head without a sensor", async () => {
  await start({ map: { folder } });
  const sensor = await head.open({ role: "sensor" });
  await head.drive(sensor, 4);
  await (await head.open()).map("save");
  await head.stop();
  await start({ map: { folder }, settings: { "pose.source": "odometry" } });
  expect(says("the saved map is set aside")).toBe(true);
  await until(() => says("no sensor has connected"), "how to connect");
});
