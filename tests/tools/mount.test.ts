import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeAll, beforeEach, expect, test, vi } from "vitest";
import { createRecording } from "../../src/record/file.ts";
import { readConfig } from "../../src/service/config.ts";
import { mountDrive } from "../../tools/mount/drives.ts";
import { main } from "../../tools/mount.ts";

const folder = mkdtempSync(join(tmpdir(), "mount-"));
const path = (name: string): string => join(folder, name);
afterAll(() => rmSync(folder, { recursive: true }));

let said: string[] = [];
beforeEach(() => {
  said = [];
  vi.spyOn(console, "log").mockImplementation((line: string) => void said.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void said.push(line));
});
afterEach(() => void vi.restoreAllMocks());

const { setup, events, truth } = mountDrive(2, "smooth");
beforeAll(async () => {
  const recording = await createRecording(path("drive.brk"), {
    setup,
    settings: {},
    about: "a drive",
    software: "test",
  });
  for (const event of events) recording.write(event);
  await recording.close();
}, 180_000);

test("a recording gives a report, the missing motions, and a settings file that the service reads", async () => {
  writeFileSync(
    path("head.json"),
    JSON.stringify({ listen: { port: 5000 }, settings: { "body.height": 0.9 } }),
  );
  const args = [path("drive.brk"), "--settings", path("head.json"), "-o", path("mounted.json")];
  // 5: a drive straight on shows neither yaw nor offsets.
  expect(await main(args)).toBe(5);
  const text = said.join("\n");
  expect(text).toMatch(/height +\d+\.\d +\d\.\d\d mm/);
  expect(text).toMatch(/yaw +the base turned by 0 degrees in all: drive a metre straight on/);
  const config = await readConfig(path("mounted.json"));
  expect(config.listen.port).toBe(5000);
  expect(config.settings["body.height"]).toBe(0.9);
  expect(config.sensors).toHaveLength(1);
  expect(config.baseFromHead.position[2]).not.toBe(setup.baseFromHead.position[2]);

  said = [];
  expect(await main(args)).toBe(4);
  expect(said.join()).toMatch(/is there already \(--force/);
}, 60_000);

test("wheels are said to be off by what they are, and written with their true radius", async () => {
  const wheels = { kind: "differential", radius: 0.05, countsPerTurn: 1440, track: 0.32, axle: 0 };
  const base = { serial: { path: "/dev/ttyACM0", speed: 921_600 }, wheels };
  writeFileSync(path("wheels.json"), JSON.stringify({ base }));
  const args = [path("drive.brk"), "--settings", path("wheels.json"), "-o", path("sized.json")];
  expect(await main(args)).toBe(5);
  expect(said.join("\n")).toMatch(
    /wheel radius +\d\d\.\d\d mm: [+-]\d\.\d\d % \+- \d\.\d\d \(95 %\) against 50.00 mm in the settings/,
  );
  const config = await readConfig(path("sized.json"));
  expect(config.base!.serial).toMatchObject(base.serial);
  const { radius, track } = config.base!.wheels as { radius: number; track: number };
  expect(Math.abs(radius / (0.05 * truth.radius) - 1)).toBeLessThan(0.005);
  expect(track).toBe(0.32); // a drive without turns does not show it

  said = [];
  await main([path("drive.brk")]);
  expect(said.join("\n")).toMatch(/wheels: the true radius is [+-]\d\.\d\d % /);
}, 120_000);

test("wrong arguments, files and names end with their own codes", async () => {
  expect(await main(["--help"])).toBe(0);
  expect(await main([])).toBe(2);
  expect(await main(["--nonsense"])).toBe(2);
  expect(await main([path("none.brk")])).toBe(3);
  expect(await main([path("drive.brk"), "--sensor", "rear"])).toBe(2);
  expect(said.at(-1)).toMatch(/"rear" is none of the recording's: "front depth"/);
  expect(await main([path("drive.brk"), "--tape", "long"])).toBe(2);
  writeFileSync(path("bad.json"), '{ "lissen": {} }');
  expect(await main([path("drive.brk"), "--settings", path("bad.json")])).toBe(3);
  expect(said.at(-1)).toMatch(/bad\.json.*lissen/);
});

test("--plan prints where the floor is seen, and draws it", async () => {
  const args = ["--plan", "--height", "0.3", "--fov", "60", "--pitch", "30", "--svg", path("view.svg")];
  expect(await main(args)).toBe(0);
  // 0.3 m / tan 60 degrees, by hand.
  expect(said.join("\n")).toMatch(/floor seen +from 0\.17 m to the horizon/);
  const svg = readFileSync(path("view.svg"), "utf8");
  expect(svg).toMatch(/^<svg xmlns/);
  expect(svg).not.toMatch(/NaN|Infinity|undefined/);
  expect(await main(["--plan"])).toBe(2);
  expect(said.at(-1)).toMatch(/needs --height/);
  expect(await main(["--plan", "--height", "90"])).toBe(2);
});
