import { spawn } from "node:child_process";
import { once } from "node:events";
import { mkdirSync, mkdtempSync, rmSync, symlinkSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, afterEach, expect, test } from "vitest";
import { HeadClient } from "../../src/client/client.ts";
import { findByUsb } from "../../src/service/base/serial-port.ts";
import { headTime } from "../../src/service/time.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { playScenario } from "../../tools/serve/player.ts";
import { CAMERA, event, LiveHead, makeSocket, OWN_BODY, PATIENT, until, view } from "../helpers/live.ts";
import { compileBoard, HostBoard } from "../helpers/motor-board-c.ts";
import { testWith } from "../helpers/needs.ts";

// The real service and the board's own code, compiled, at the two ends of a pseudo terminal.

const folder = mkdtempSync(join(tmpdir(), "brinkmap-serial-"));
afterAll(() => rmSync(folder, { recursive: true }));
let program = "";
let stops: (() => Promise<unknown>)[] = [];
afterEach(async () => {
  for (const stop of stops.reverse()) await stop();
  stops = [];
});

/** Wheels of host.c. */
const WHEELS = { kind: "differential", radius: 0.1, countsPerTurn: 4000 * 2 * Math.PI * 0.1, track: 0.32 };

async function board(): Promise<HostBoard> {
  if (program === "") program = compileBoard("host", folder);
  const host = await HostBoard.start(program, folder);
  stops.push(async () => {
    const code = await host.stop();
    expect([code, host.complaint]).toEqual([0, ""]);
  });
  return host;
}

async function head(host: HostBoard, serial: object = {}): Promise<LiveHead> {
  const base = { serial: { path: host.path, speed: 921_600, ...serial }, wheels: WHEELS };
  const live = await LiveHead.start({ ...PATIENT, base });
  stops.push(() => live.stop());
  return live;
}

/**
 * A sensor 4 m before a wall, 20 times a second until the test ends. It goes 0.9 m ahead first, so that memory holds the floor too near for its
 * lens, and trembles then: a picture that never changes while the wheels turn is a frozen one.
 */
async function sees(live: LiveHead): Promise<void> {
  const sensor = await live.open({ role: "sensor", sensors: [] });
  await live.drive(sensor, 36, 0.9);
  let frames = 0;
  const timer = setInterval(() => live.look(sensor, 0.9 + 0.003 * (frames++ % 4), 4), 50);
  stops.push(async () => clearInterval(timer));
}

/** Collects what a client hears of the board. */
async function watch(live: LiveHead): Promise<{ notes: string[]; pulse: () => FromServer<"pulse"> | null }> {
  const watcher = await live.open({ topics: { pulse: 10, notes: 10 } });
  const notes: string[] = [];
  let pulse: FromServer<"pulse"> | null = null;
  watcher.on("note", ({ what, text }) => notes.push(`${what}: ${text}`));
  watcher.on("pulse", (message) => {
    pulse = message;
  });
  return { notes, pulse: () => pulse };
}

/** A base in the role of a client that drives, which repeats its command. */
async function driver(live: LiveHead, forward: number): Promise<HeadClient> {
  const client = await live.open({ role: "base" });
  const timer = setInterval(() => client.drive({ forward, turn: 0, seconds: 0.2 }), 50);
  stops.push(async () => clearInterval(timer));
  return client;
}

testWith(
  "compiler",
  "a board drives at the pace of the head, and its wheels reach the head as odometry",
  async () => {
    const host = await board();
    const live = await head(host);
    const { pulse } = await watch(live);
    await sees(live);
    host.say("want 2000 0");
    host.say("battery 12600");
    await until(() => host.motion.forward > 40, "motion");
    expect(host.motion.stop).toBe("none");
    const reach: FromServer<"reach">[] = [];
    (await live.open({ topics: { reach: 100 } })).on("reach", (message) => reach.push(message));
    await until(() => (pulse()?.samples.motion ?? 0) > 20 && pulse()?.board?.stop === "none", "odometry");
    expect(pulse()!.board).toMatchObject({ state: "running", voltage: 12.6, charge: 80 });
    // The clocks are the same one here, so the way of a frame is its true age.
    expect(pulse()!.board!.transit).toBeLessThan(60_000);
    await until(
      () => reach.some(({ pace }) => (pace?.forward ?? 0) > 0) && host.motion.forward > 40,
      "a pace",
    );
    expect(host.motion.forward).toBeLessThanOrEqual(
      1000 * Math.max(...reach.map(({ pace }) => pace?.forward ?? 0)),
    );
  },
);

testWith(
  "compiler",
  "without a head the board stops by itself, and goes on when the head is back",
  async () => {
    const host = await board();
    const live = await head(host);
    await sees(live);
    host.say("want 2000 0");
    await until(() => host.motion.forward > 40, "motion");
    await live.stop();
    await until(() => host.motion.forward === 0, "the stop");
    expect(["silence", "clock"]).toContain(host.motion.stop);
    await sees(await head(host));
    await until(() => host.motion.forward > 40, "motion again");
    expect((await host.report()).oldest).toBeLessThanOrEqual(62_000);
  },
);

testWith("compiler", "a client's command is obeyed within the pace, and ends with its time", async () => {
  const host = await board();
  const live = await head(host);
  await sees(live);
  host.say("obey");
  const client = await live.open({ role: "base" });
  const timer = setInterval(() => client.drive({ forward: 0.15, turn: 0, seconds: 0.2 }), 50);
  stops.push(async () => clearInterval(timer));
  await until(() => host.motion.forward === 150, "the command");
  clearInterval(timer);
  await until(() => host.motion.forward === 0, "its end");
  expect(host.motion.stop).toBe("none");
});

testWith(
  "compiler",
  "a contact becomes a knock, once; a missing floor a question that the head answers",
  async () => {
    const host = await board();
    const live = await head(host);
    const { notes } = await watch(live);
    await sees(live);
    const base = await live.open({ role: "base" });
    const findings: FromServer<"finding">[] = [];
    base.on("finding", (finding) => findings.push(finding));
    host.say("want 300 0");
    await until(() => host.motion.forward > 40, "motion");
    host.say("contact 1 1");
    await until(() => notes.some((note) => note.startsWith("knock: ")), "the knock");
    await until(() => host.motion.stop === "contact", "the stop");
    expect(notes).toContain("knock: at 0.20, -0.10, 0.05 m of the base");
    await until(() => notes.includes("board: the board stops the base: contact"), "the board's own note");
    host.say("want 0 0");
    host.say("floor 0 1");
    await until(() => findings.length > 0, "the finding");
    expect(findings[0]).toMatchObject({ point: [0.21, 0], alarm: true });
    await live.pulses();
    expect(findings).toHaveLength(1); // the board repeats its question until the answer comes
    expect(notes.filter((note) => note.startsWith("knock: "))).toHaveLength(1);
  },
);

testWith("compiler", "a waiver of the board is recorded by the head", async () => {
  const host = await board();
  const live = await head(host);
  const { notes, pulse } = await watch(live);
  host.say("want 300 0");
  await until(() => pulse()?.board?.state === "running", "the board");
  host.say("waiver 0 2500");
  await until(() => host.motion.forward === 50, "motion under the waiver");
  await until(() => notes.includes("waiver: begun: forward, 2.5 s, button at the base"), "the note");
  await until(() => host.motion.forward === 0, "its end");
});

testWith(
  "compiler",
  "a head that simulates moves no board: without rehearsal it sends nothing, with it the board refuses",
  async () => {
    const host = await board();
    host.say("want 300 0");
    const start = async (serial: object) => {
      const player = await playScenario(
        fileURLToPath(new URL("../../datasets/yard-room.json", import.meta.url)),
      );
      const base = { serial: { path: host.path, ...serial }, wheels: WHEELS };
      const live = await LiveHead.start({ sensors: [], ...PATIENT, base }, { player });
      stops.push(() => live.stop());
      let reaches = 0;
      (await live.open({ topics: { reach: 100 } })).on("reach", () => reaches++);
      await until(() => reaches > 5, "reaches");
      return live;
    };
    const quiet = await start({});
    expect(host.motion).toEqual({ forward: 0, turn: 0, stop: "clock" });
    await quiet.stop();
    await start({ rehearse: true });
    await until(() => host.motion.stop === "played", "the refusal");
    expect((await host.report()).permitted).toBe(0);
  },
);

testWith("compiler", "a line that is unplugged is opened again, and the robot stands meanwhile", async () => {
  const host = await board();
  const live = await head(host);
  const { notes } = await watch(live);
  await sees(live);
  host.say("want 2000 0");
  await until(() => host.motion.forward > 40, "motion");
  host.say("unplug");
  await until(() => host.motion.stop === "silence", "the stop");
  await until(() => host.motion.stop === "none" && host.motion.forward > 40, "motion again");
  expect(notes.some((note) => /^board: .*board: unplugged$/.test(note))).toBe(true);
});

testWith("compiler", "a device that is not there is named once, with what to do", async () => {
  const host = await board();
  const live = await head(host, { path: join(folder, "nothing") });
  const { pulse } = await watch(live);
  await until(() => pulse()?.board?.why != null, "the reason");
  expect(pulse()!.board!.why).toMatch(/nothing is not there; again in /);
  const watcher = await live.open({ role: "base" });
  await expect(watcher.ask({ about: "clearance", point: [0, 0], frame: "base" })).rejects.toThrow();
});

testWith(
  "compiler",
  "a line that another program has is left to it, and opened when it is free",
  async () => {
    const host = await board();
    const first = await head(host);
    const { pulse } = await watch(first);
    await until(() => pulse()?.board?.state === "running", "the board");
    const second = await head(host);
    const { pulse: ofSecond } = await watch(second);
    await until(() => ofSecond()?.board?.why != null, "the reason");
    expect(ofSecond()!.board!.why).toMatch(/another program has locked the line; end it first; again in /);
    expect(pulse()!.board!.state).toBe("running");
    await first.stop();
    await until(() => ofSecond()?.board?.state === "running", "the board, of the other head");
  },
);

testWith("compiler", "a program that uses the line without a lock is named", async () => {
  const host = await board();
  const terminal = spawn("sh", ["-c", 'exec 3<>"$0"; echo open; exec sleep 60', host.path]);
  stops.push(async () => terminal.kill());
  await once(terminal.stdout, "data");
  const live = await head(host);
  const { pulse } = await watch(live);
  await until(() => pulse()?.board?.why != null, "the reason");
  expect(pulse()!.board!.why).toContain(
    `another program has the line: sleep (process ${terminal.pid}); end it first`,
  );
  terminal.kill();
  await until(() => pulse()?.board?.state === "running", "the board");
});

testWith(
  "compiler",
  "with noise, cuts and a peer that sends three times too fast, nothing older than 60 ms is obeyed",
  async () => {
    const host = await board();
    const live = await head(host);
    const { pulse } = await watch(live);
    await sees(live);
    await driver(live, 0.3);
    host.say("obey");
    await until(() => host.motion.forward > 40, "motion");
    for (const trouble of ["noise 10", "flood 3", "cut 200", "cut 700", "cut 100"]) {
      host.say(trouble);
      await new Promise((resolve) => setTimeout(resolve, 1200));
    }
    const { oldest, permitted, damaged } = await host.report();
    // 60 ms, and the error of the board's idea of the head's clock: half a round trip.
    expect(oldest).toBeLessThanOrEqual(70_000);
    expect(permitted).toBeGreaterThan(100);
    expect(damaged).toBeGreaterThan(5);
    await until(() => pulse()!.board!.damagedHere > 5, "damaged frames counted");
    host.say("noise 0");
    await until(() => host.motion.forward > 40 && host.motion.stop === "none", "motion after the trouble");
  },
);

testWith(
  "compiler",
  "a head whose process is frozen: the board stops; and goes on when the head does, by nothing that waited",
  async () => {
    const host = await board();
    const serve = fileURLToPath(new URL("../../dist/tools/serve.js", import.meta.url));
    const config = {
      ...PATIENT,
      sensors: [CAMERA],
      settings: { ...PATIENT.settings, ...OWN_BODY },
      baseFromHead: { rotation: [0, 0, 0, 1], position: [0, 0, 0.5] },
      base: { serial: { path: host.path, speed: 921_600 } },
    };
    writeFileSync(join(folder, "head.json"), JSON.stringify(config));
    const args = [serve, "--port", "0", "--quiet", "--config", join(folder, "head.json")];
    const child = spawn(process.execPath, args, { stdio: ["ignore", "pipe", "ignore"] });
    stops.push(async () => child.kill("SIGKILL"));
    let out = "";
    child.stdout.on("data", (chunk) => {
      out += chunk;
    });
    await until(() => out.includes("The head is at ws://"), "the address");
    const sensor = new HeadClient({ url: /ws:\S+/.exec(out)![0], role: "sensor", makeSocket, now: headTime });
    stops.push(async () => sensor.close());
    await until(() => sensor.isOpen, "the sensor");
    host.say("want 300 0");
    let frame = 0;
    const timer = setInterval(() => {
      const x = Math.min(0.9, 0.025 * frame);
      const time = headTime();
      sensor.observe({ kind: "reference", time, pose: { rotation: [0, 0, 0, 1], position: [x, 0, 0] } });
      const depth = { kind: "depth", sensor: "front", form: "u16", amplitude: null } as const;
      sensor.observe({ ...depth, time, sequence: frame, counts: view(2 - x - 0.003 * (frame % 4)) });
      frame++;
    }, 50);
    stops.push(async () => clearInterval(timer));
    await until(() => host.motion.forward > 40, "motion");
    child.kill("SIGSTOP");
    await until(() => host.motion.stop === "silence" && host.motion.forward === 0, "the stop");
    child.kill("SIGCONT");
    await until(() => host.motion.forward > 40, "motion again");
    expect((await host.report()).oldest).toBeLessThanOrEqual(62_000);
  },
);

testWith("compiler", "a command without a board is refused, and says what to set", async () => {
  const live = await LiveHead.start();
  stops.push(() => live.stop());
  const client = await live.open({ role: "base" });
  const refused = event(client, "error");
  client.drive({ forward: 0.1, turn: 0, seconds: 0.1 });
  expect(await refused).toMatchObject({ code: "setting", about: "drive" });
  expect((await refused).message).toContain("base.serial");
});

test("a board is found by its USB ids, in any of the folders above the device", async () => {
  const system = join(folder, "tty");
  const device = join(folder, "devices/usb1/1-1/1-1:1.0/tty/ttyACM3");
  mkdirSync(device, { recursive: true });
  mkdirSync(join(system, "ttyACM3"), { recursive: true });
  mkdirSync(join(system, "ttyS0"), { recursive: true });
  symlinkSync(join(folder, "devices/usb1/1-1/1-1:1.0"), join(system, "ttyACM3/device"));
  writeFileSync(join(folder, "devices/usb1/1-1/idVendor"), "1a2b\n");
  writeFileSync(join(folder, "devices/usb1/1-1/idProduct"), "00c4\n");
  expect(await findByUsb({ vendor: "1A2B", product: "00C4" }, system)).toBe("/dev/ttyACM3");
  await expect(findByUsb({ vendor: "1a2b", product: "0001" }, system)).rejects.toThrow(
    "no serial device 1a2b:0001; there is ttyACM3 (1a2b:00c4)",
  );
});
