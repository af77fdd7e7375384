import { mkdtempSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, test } from "vitest";
import { resolveSettings, SETTINGS } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { looseningsOf } from "../../src/service/access/loosening.ts";
import { newToken } from "../../src/service/access/tokens.ts";
import type { Right, Role } from "../../src/wire/messages.ts";
import { CAMERA, event, LiveHead, RawClient, until } from "../helpers/live.ts";

let head: LiveHead;
let folder: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "brinkmap-rights-"));
});
afterEach(async () => {
  await head?.stop();
  rmSync(folder, { recursive: true });
});

describe("with tokens", () => {
  const tokens = {
    tablet: newToken("tablet", ["watch"]),
    robot: newToken("robot", ["drive"]),
    driver: newToken("driver", ["feed"]),
    engineer: newToken("engineer", ["watch", "configure"]),
  };
  const open = (who: keyof typeof tokens, role: Role) =>
    head.open({ role, name: who, token: tokens[who].token, topics: { notes: 10 } });
  beforeEach(async () => {
    head = await LiveHead.start({
      tokens: Object.values(tokens).map(({ entry }) => entry),
      pretrigger: { folder, before: 3600, after: 1 },
    });
  });

  test("clients with watch, drive or feed cannot change brakes or outline, nor clear the map", async () => {
    const clients = [
      await open("tablet", "watcher"),
      await open("robot", "base"),
      await open("driver", "sensor"),
    ];
    for (const client of clients) {
      const deceleration = (await client.settings())["body.deceleration"];
      const changes = [
        { "body.deceleration": 10 },
        { "body.footprint": "0.1,0.1 0.1,-0.1 -0.1,0" },
        { "guard.margin": 1 },
      ];
      for (const change of changes) {
        await expect(client.settings(change)).rejects.toMatchObject({ code: "right" });
        await expect(client.settings(change, { confirm: true })).rejects.toThrow("right to configure");
      }
      await expect(client.map("clear")).rejects.toMatchObject({ code: "right" });
      await expect(client.map("undo")).rejects.toMatchObject({ code: "right" });
      expect((await client.settings())["body.deceleration"]).toBe(deceleration);
    }
    expect(clients.map(({ welcome }) => welcome!.rights)).toEqual([
      ["watch"],
      ["drive"],
      ["feed"],
    ] satisfies Right[][]);
  });

  test("a change by a client with the right to configure is announced to all with its author, and is in the recording", async () => {
    const robot = await open("robot", "base");
    const engineer = await open("engineer", "watcher");
    const told = event(robot, "note");
    await engineer.settings({ "guard.margin": 0.2 });
    const text = "guard.margin = 0.2 (was 0.07), by engineer (2)";
    expect(await told).toMatchObject({ what: "setting", text });
    const cleared = event(robot, "note");
    await engineer.map("clear");
    expect(await cleared).toMatchObject({ what: "map", text: "the map is empty, by engineer (2)" });
    // A round trip through the sensing thread: the mark of the clearing has gone to the ring before the ring is asked to keep it.
    await engineer.settings({ "guard.margin": 0.25 });
    await engineer.keep("to look at");
    await head.stop();
    const name = readdirSync(join(folder, "kept")).find((one) => one.endsWith("-asked.brk"))!;
    const recording = await openRecording(join(folder, "kept", name));
    const marks = [...recording.events()].flatMap((one) => (one.kind === "mark" ? [one.text] : []));
    recording.close();
    expect(marks).toContain(`settings: ${text}`);
    expect(marks).toContain("map: the map is empty, by engineer (2)");
  });

  test("a role takes a token with its right", async () => {
    const attempt = async (who: keyof typeof tokens, role: Role) => {
      const raw = await new RawClient(head.service.url).opened();
      raw.say({ kind: "hello", role, token: tokens[who].token });
      await until(() => raw.closed !== null || raw.of("welcome").length > 0);
      return raw.of("error")[0]?.message ?? "welcome";
    };
    expect(await attempt("tablet", "base")).toContain("right to drive");
    expect(await attempt("robot", "watcher")).toContain("right to watch");
    expect(await attempt("engineer", "sensor")).toContain("right to feed");
    expect(await attempt("engineer", "watcher")).toBe("welcome");
  });
});

describe("a change that loosens a stop", () => {
  beforeEach(async () => {
    head = await LiveHead.start();
  });

  test("is made only when the head has asked back and the same change is confirmed", async () => {
    const client = await head.open();
    const change = { "body.deceleration": 2, "body.height": 0.7 };
    const isStill = async () => expect((await client.settings())["body.deceleration"]).toBe(0.7);
    await expect(client.settings(change, { confirm: true })).rejects.toMatchObject({ code: "confirm" });
    await isStill(); // confirmed before it was asked
    await expect(client.settings({ ...change, "body.deceleration": 9 }, { confirm: true })).rejects.toThrow(
      "body.deceleration from 0.7 to 9",
    );
    await isStill(); // another than was asked for
    await expect(client.settings(change)).rejects.toThrow("confirm: true within 10 s");
    await expect(client.settings(change)).rejects.toMatchObject({ code: "confirm" });
    await isStill(); // said twice is not confirmed
    expect(await client.settings(change, { confirm: true })).toMatchObject(change);
    await expect(client.settings({ "body.reactionDelay": 0.1 }, { confirm: true })).rejects.toMatchObject({
      code: "confirm",
    });
  });

  test("is not confirmed by another client", async () => {
    const [one, other] = [await head.open(), await head.open()];
    await expect(one.settings({ "guard.topSpeed": 2 })).rejects.toMatchObject({ code: "confirm" });
    await expect(other.settings({ "guard.topSpeed": 2 }, { confirm: true })).rejects.toMatchObject({
      code: "confirm",
    });
    expect((await other.settings())["guard.topSpeed"]).toBe(1);
  });

  test("is distinguished from one that tightens it, for each setting on which stops depend", () => {
    const before = resolveSettings();
    const looser: Record<string, number | string> = {
      "body.height": 0.5,
      "body.groundClearance": 0.03,
      "body.wheelRadius": 0.07,
      "body.climbableStep": 0.02,
      "body.tolerableDrop": 0.02,
      "body.deceleration": 0.8,
      "body.reactionDelay": 0.1,
      "guard.margin": 0.05,
      "guard.maxReach": 4,
      "guard.topSpeed": 1.1,
      "guard.topTurn": 1.6,
      "guard.maxBlind": 0.5,
      "guard.memory": 700,
      "guard.startTrust": 0.7,
      "guard.knockRepeat": 1.5,
      "guard.maxTrim": 6,
      "guard.waiverLimit": 6,
      "floor.band": 0.4,
      "floor.slope": 16,
    };
    for (const [name, value] of Object.entries(looser)) {
      const after = resolveSettings({ [name]: value });
      expect(looseningsOf(before, after), name).toEqual([name]);
      expect(looseningsOf(after, before), `${name} back`).toEqual([]);
    }
    // Of the body and the guard nothing is left out: what is not known to be harmless is asked back for.
    const stops = Object.keys(SETTINGS).filter((name) => /^(body|guard)\./.test(name));
    const rest = stops.filter((name) => !(name in looser)).sort();
    expect(rest).toEqual(expect.arrayContaining(["body.clearanceLimit", "body.footprint", "guard.gate"]));
    expect(looseningsOf(before, resolveSettings({ "track.samples": 800, "map.carveEvery": 3 }))).toEqual([]);
  });

  test("closed areas are looser where one is missing or smaller, and not where one is added, renamed or larger", () => {
    const of = (text: string) => resolveSettings({ "guard.keepOut": text });
    const [one, two] = ["stairs: 1,2 2,2 2,3", "shelf: 4,0 5,0 5,1"];
    const isLooser = (before: string, after: string) => looseningsOf(of(before), of(after)).length > 0;
    expect(isLooser(one, `${two}; ${one}`)).toBe(false);
    expect(isLooser(one, "landing: 1,2 2,2 2,3")).toBe(false);
    expect(isLooser(`${one}; ${two}`, two)).toBe(true);
    expect(isLooser(one, "stairs: 1,2 2,2 2,2.5")).toBe(true);
    expect(isLooser(one, "")).toBe(true);
    const box = "kiln: 0,0 2,0 2,2 0,2";
    expect(isLooser(box, "kiln: -1,0 2,0 2,2 0,2")).toBe(false); // one corner farther out
    expect(isLooser(box, "kiln: 0,0 1,-0.5 2,0 2,2 0,2")).toBe(false); // another corner, outside
    expect(isLooser(box, "hall: -1,-1 3,-1 3,3 -1,3")).toBe(false); // within another area
    expect(isLooser(box, "kiln: 1,0 3,0 3,2 1,2")).toBe(true); // moved
    // All corners are covered, but a notch opens the middle: from outside, and from the side itself to the far side.
    expect(isLooser(box, "kiln: -1,-1 3,-1 3,3 1.5,3 1,1 0.5,3 -1,3")).toBe(true);
    expect(isLooser(box, "kiln: 0,0 2,0 2,2 1.5,2 1,0 0.5,2 0,2")).toBe(true);
  });

  test("slow zones are looser where one is missing, smaller or faster, and not where one is added, larger or slower", () => {
    const of = (text: string) => resolveSettings({ "guard.slowIn": text });
    const isLooser = (before: string, after: string) => looseningsOf(of(before), of(after)).length > 0;
    const aisle = "aisle: 0.3 m/s: 0,0 2,0 2,2 0,2";
    expect(isLooser(aisle, "kiln: 0.1 m/s: 4,4 5,4 5,5; hall: 0.3 m/s: 0,0 2,0 2,2 0,2")).toBe(false);
    expect(isLooser(aisle, "aisle: 0.2 m/s: -1,-1 3,-1 3,3 -1,3")).toBe(false);
    expect(isLooser(aisle, "aisle: 0.4 m/s: 0,0 2,0 2,2 0,2")).toBe(true);
    expect(isLooser(aisle, "aisle: 0.3 m/s: 0,0 2,0 2,1 0,1")).toBe(true);
    expect(isLooser(aisle, "")).toBe(true);
  });

  test("an outline is looser where it leaves out what the one before covered", () => {
    const of = (text: string) => resolveSettings({ "body.footprint": text });
    const box = of("0.2,0.2 0.2,-0.2 -0.2,-0.2 -0.2,0.2");
    const isLooser = (after: ReturnType<typeof of>) => looseningsOf(box, after).length > 0;
    expect(isLooser(of("0.3,0.2 0.3,-0.2 -0.2,-0.2 -0.2,0.2"))).toBe(false); // longer ahead
    expect(isLooser(of("0.2,-0.2 -0.2,-0.2 -0.2,0.2 0.2,0.2"))).toBe(false); // another corner first
    expect(isLooser(of("0.2,0.2 0.2,-0.2 -0.1,-0.2 -0.1,0.2"))).toBe(true); // shorter behind
    // All corners are within, but a notch goes through the middle of the front.
    expect(isLooser(of("0.3,0.3 0.1,0 0.3,-0.3 -0.3,-0.3 -0.3,0.3"))).toBe(true);
  });
});

describe("a sensor of a known name", () => {
  const half = { ...CAMERA, optics: { ...CAMERA.optics, fx: 55 } };
  const tilted = {
    ...CAMERA,
    mount: { ...CAMERA.mount, pose: { ...CAMERA.mount.pose, position: [0, 0, 0.1] } },
  };
  const none = {
    ...CAMERA,
    name: "rear",
    mount: { ...CAMERA.mount, pose: { rotation: [0, 0, 0, 0], position: [0, 0, 0] } },
  };
  beforeEach(async () => {
    head = await LiveHead.start();
  });

  test.each([
    ["other optics", half, "optics.fx 110, not 55"],
    ["another mount", tilted, "mount.pose.position.2 0, not 0.1"],
    ["a rotation that is none", none, "unit quaternion"],
  ])("%s is refused by what differs, and the head goes on", async (_what, sensor, why) => {
    const raw = await new RawClient(`${head.service.url}?frames=1`).opened();
    raw.say({ kind: "hello", role: "sensor", sensors: [sensor] });
    await until(() => raw.closed !== null);
    expect(raw.closed!.code).toBe(1008);
    expect(raw.of("error")[0]).toMatchObject({ code: "sensor" });
    expect(raw.of("error")[0]!.message).toContain(why);
    const driver = await head.open({ role: "sensor", sensors: [CAMERA] });
    expect(driver.welcome!.setup.sensors).toEqual([CAMERA]);
  });
});
