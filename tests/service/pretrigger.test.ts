import {
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  renameSync,
  rmSync,
  statSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { MessageChannel } from "node:worker_threads";
import { afterEach, beforeEach, describe, expect, test } from "vitest";
import studio from "../../datasets/pottery-studio.json" with { type: "json" };
import { fromYawPitchRoll } from "../../src/geometry/rigid.ts";
import { openRecording } from "../../src/record/file.ts";
import type { HeadEvent, Setup } from "../../src/sense/events.ts";
import { DisturbanceWatch } from "../../src/service/pretrigger/disturbance.ts";
import type { Kept } from "../../src/service/pretrigger/kept-stretches.ts";
import {
  type PretriggerNews,
  PretriggerRecorder,
  type PretriggerSettings,
} from "../../src/service/pretrigger/recorder.ts";
import { PretriggerTap, type ToPretrigger } from "../../src/service/pretrigger/tap.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { CAMERA, LiveHead, until } from "../helpers/live.ts";

let folder: string;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "brinkmap-pretrigger-"));
});
afterEach(() => rmSync(folder, { recursive: true, force: true }));

const S = 1e6;
const IDENTITY = { rotation: [0, 0, 0, 1], position: [0, 0, 0] } as const;
const SETUP = { sensors: [CAMERA], baseFromHead: IDENTITY, headFromImu: IDENTITY } as unknown as Setup;
const PIXELS = CAMERA.optics.width * CAMERA.optics.height;
const settings = (more: Partial<PretriggerSettings> = {}): PretriggerSettings => ({
  folder,
  ring: 1e9,
  kept: 1e9,
  segment: 2 * S,
  before: 5 * S,
  after: 3 * S,
  ...more,
});

/** Ten frames a second and a motion between them, from second `from` to `until`. */
function* drive(from: number, until: number): Generator<HeadEvent> {
  const random = new Random(7);
  for (let n = Math.round(10 * from); n < 10 * until; n++) {
    const time = n * 100_000;
    yield { kind: "motion", time, pose: [0.01 * n, 0, 0], speed: null };
    const counts = new Uint16Array(PIXELS).map(() => (1000 + random.uniform() * 50) | 0);
    yield { kind: "depth", time: time + 1000, sensor: 0, sequence: n, counts, amplitude: null };
  }
}

async function read(
  path: string,
): Promise<{ times: number[]; frames: number; marks: string[]; closed: boolean }> {
  const recording = await openRecording(path, { strict: true });
  const times: number[] = [];
  const marks: string[] = [];
  let frames = 0;
  for (const event of recording.events()) {
    if (event.kind === "mark") marks.push(event.text);
    else times.push(event.time);
    if (event.kind === "depth") frames++;
  }
  const closed = recording.hasIndex();
  recording.close();
  return { times, frames, marks, closed };
}

const ringSize = (): number =>
  readdirSync(join(folder, "ring")).reduce((sum, name) => sum + statSync(join(folder, "ring", name)).size, 0);

describe("the ring and what is kept of it", () => {
  test("what happened is kept with what was before and after it, and is a whole recording", async () => {
    const news: PretriggerNews[] = [];
    const pretrigger = new PretriggerRecorder(settings(), (one) => news.push(one), {
      wallClock: () => new Date(0),
    });
    pretrigger.begin(SETUP, {});
    for (const event of drive(0, 20)) pretrigger.take(event);
    pretrigger.keep("knock", "at 0.22, 0 m");
    for (const event of drive(20, 30)) pretrigger.take(event);
    await pretrigger.close();
    expect(news.map(({ kind }) => kind)).toEqual(["kept"]);
    const [kept] = pretrigger.list() as [Kept];
    expect(kept).toMatchObject({
      name: "1970-01-01T00-00-00-knock.brk",
      reasons: ["knock"],
      text: "at 0.22, 0 m",
    });
    const { times, frames, marks, closed } = await read(join(folder, "kept", kept.name));
    expect(closed).toBe(true);
    expect(marks).toEqual(["knock: at 0.22, 0 m"]);
    // The newest event was at 19.901 s: from 14.901 to 22.901 s, and nothing of it left out.
    expect(times[0]).toBe(14.901 * S);
    expect(times.at(-1)).toBe(22.9 * S);
    expect(frames).toBe(80); // 14.901 to 22.801 s
    expect(kept.bytes).toBe(statSync(join(folder, "kept", kept.name)).size);
  });

  test("the ring never takes more than its budget and one segment, however long it runs", () => {
    const one = settings({ ring: 400_000 });
    const pretrigger = new PretriggerRecorder(one, () => {});
    pretrigger.begin(SETUP, {});
    let most = 0;
    for (const event of drive(0, 120)) {
      pretrigger.take(event);
      if (event.kind === "motion") most = Math.max(most, ringSize());
    }
    expect(most).toBeGreaterThan(300_000);
    const segment = 2.2 * 10 * 2 * PIXELS;
    expect(most).toBeLessThan(400_000 + segment);
  });

  test("several reasons at once are one stretch that names them all; it ends some time", async () => {
    const pretrigger = new PretriggerRecorder(settings(), () => {});
    pretrigger.begin(SETUP, {});
    let n = 0;
    for (const event of drive(0, 40)) {
      pretrigger.take(event);
      // Every second something.
      if (event.kind === "depth" && event.time > 10 * S && n++ % 10 === 0)
        pretrigger.keep(n % 20 === 1 ? "knock" : "brink", "again");
    }
    await pretrigger.close();
    const all = pretrigger.list();
    expect(all.length).toBeGreaterThan(1);
    for (const { reasons, seconds } of all) {
      expect(reasons).toEqual(expect.arrayContaining(["brink", "knock"]));
      expect(seconds).toBeLessThanOrEqual(5 + 4 * 3);
    }
  });

  test("over the budget of what is kept the oldest goes, but never what was asked for", async () => {
    let day = 0;
    const pretrigger = new PretriggerRecorder(settings({ kept: 1 }), () => {}, {
      wallClock: () => new Date(day++ * 86_400_000),
    });
    pretrigger.begin(SETUP, {});
    let at = 0;
    for (const reason of ["asked", "knock", "lost"] as const) {
      for (const event of drive(at, at + 6)) pretrigger.take(event);
      pretrigger.keep(reason, "");
      for (const event of drive(at + 6, at + 12)) pretrigger.take(event);
      at += 12;
    }
    await pretrigger.close();
    expect(pretrigger.list().map(({ reasons }) => reasons[0])).toEqual(["asked", "lost"]);
    expect(readdirSync(join(folder, "kept")).length).toBe(4);
  });

  test("a run that ended without closing is kept at the next start, once", async () => {
    const dead = new PretriggerRecorder(settings(), () => {});
    dead.begin(SETUP, {});
    for (const event of drive(0, 21)) dead.take(event);
    // Killed here.
    const next = new PretriggerRecorder(settings(), () => {});
    await next.close();
    const [kept] = next.list() as [Kept];
    expect(kept.reasons).toEqual(["broken off"]);
    const { times } = await read(join(folder, "kept", kept.name));
    expect(times.at(-1)).toBe(20.901 * S);
    expect(times.at(-1)! - times[0]!).toBeGreaterThan(5 * S);
    const third = new PretriggerRecorder(settings(), () => {});
    await third.close();
    expect(third.list()).toHaveLength(1);
  });

  test("a stretch whose joining was cut off is joined at the next start", async () => {
    const pretrigger = new PretriggerRecorder(settings(), () => {});
    pretrigger.begin(SETUP, {});
    for (const event of drive(0, 10)) pretrigger.take(event);
    pretrigger.keep("asked", "");
    for (const event of drive(10, 14)) pretrigger.take(event);
    // Linked by now, and not joined: that is done beside the work, which never comes to it here.
    expect(pretrigger.list()).toHaveLength(0);
    const next = new PretriggerRecorder(settings(), () => {});
    await next.close();
    expect(next.list().filter(({ reasons }) => reasons[0] === "asked")).toHaveLength(1);
  });

  test("a disk error is reported once; recording continues when the disk works again", async () => {
    let now = 0;
    const news: PretriggerNews[] = [];
    const pretrigger = new PretriggerRecorder(settings(), (one) => news.push(one), {
      steadyClock: () => now,
    });
    pretrigger.begin(SETUP, {});
    for (const event of drive(0, 5)) pretrigger.take(event);
    renameSync(join(folder, "ring"), join(folder, "gone"));
    writeFileSync(join(folder, "ring"), "");
    for (const event of drive(5, 12)) pretrigger.take(event);
    expect(news.map(({ kind }) => kind)).toEqual(["trouble"]);
    now += 6000; // tried again, in vain
    for (const event of drive(12, 13)) pretrigger.take(event);
    rmSync(join(folder, "ring"));
    renameSync(join(folder, "gone"), join(folder, "ring"));
    now += 6000;
    for (const event of drive(13, 20)) pretrigger.take(event);
    expect(news.map(({ kind }) => kind)).toEqual(["trouble", "well"]);
    pretrigger.keep("asked", "");
    await pretrigger.close();
    const [kept] = pretrigger.list() as [Kept];
    expect((await read(join(folder, "kept", kept.name))).times.at(-1)).toBe(19.901 * S);
  });

  test("other sensors begin another recording", async () => {
    const pretrigger = new PretriggerRecorder(settings(), () => {});
    pretrigger.begin(SETUP, {});
    for (const event of drive(0, 3)) pretrigger.take(event);
    const half = { ...CAMERA, optics: { ...CAMERA.optics, width: CAMERA.optics.width / 2 } };
    pretrigger.begin({ ...SETUP, sensors: [half] } as unknown as Setup, {});
    for (const event of drive(3, 6)) {
      if (event.kind !== "depth") pretrigger.take(event);
      else pretrigger.take({ ...event, counts: event.counts.slice(0, PIXELS / 2) });
    }
    pretrigger.keep("asked", "");
    await pretrigger.close();
    const [kept] = pretrigger.list() as [Kept];
    expect((await read(join(folder, "kept", kept.name))).times[0]).toBe(3 * S);
  });
});

test("a pre-trigger ring that is too slow drops frames, counts them, and delays no client", async () => {
  const { port1, port2 } = new MessageChannel();
  const tap = new PretriggerTap(port1);
  tap.begin(SETUP, {});
  // Nobody takes anything.
  for (const event of drive(0, 3)) tap.take(event);
  expect(tap.leftOut).toBe(30 - 12);
  // Then somebody does, and buffers come back.
  let [frames, back] = [0, 0];
  port1.on("message", () => back++); // after the tap's own listener
  port2.on("message", (messages: readonly ToPretrigger[]) => {
    for (const message of messages) {
      if (message.kind !== "frame") continue;
      frames++;
      port2.postMessage(message.images, [message.images]);
    }
  });
  await until(() => back === 12);
  for (const event of drive(3, 4)) tap.take(event);
  await until(() => frames === 22);
  expect(tap.leftOut).toBe(18);
  port1.close();
});

describe("tipped and lifted", () => {
  const watch = (events: Iterable<HeadEvent>): string[] => {
    const disturbance = new DisturbanceWatch(SETUP);
    return [...events].flatMap((event) => disturbance.take(event)?.reason ?? []);
  };
  const G = 9.81;
  function* inertial(accel: (t: number) => number): Generator<HeadEvent> {
    const random = new Random(3);
    for (let t = 0; t < 10; t += 0.01) {
      const z = accel(t) + 0.05 * random.gauss();
      yield { kind: "inertial", time: Math.round(t * S), gyro: [0, 0, 0], accel: [0, 0, z], mag: null };
    }
  }

  test("tipped for a while: reported once; a ramp and a jolt are no tilt", () => {
    function* tilts(degrees: (t: number) => number): Generator<HeadEvent> {
      for (let t = 0; t < 5; t += 0.02) {
        const rotation = fromYawPitchRoll(1, (degrees(t) * Math.PI) / 180, 0);
        yield { kind: "orientation", time: Math.round(t * S), rotation };
      }
    }
    expect(watch(tilts((t) => (t > 2 ? 40 : 0)))).toEqual(["tilt"]);
    expect(watch(tilts(() => 7))).toEqual([]);
    expect(watch(tilts((t) => (t > 2 && t < 2.2 ? 25 : 0)))).toEqual([]);
  });

  test("lifted by hand: 30 cm within 0.8 s; a fall; but not a bump of 5 m/s2 for 30 ms", () => {
    // Up with +1.9 m/s2 for 0.4 s and -1.9 for 0.4 s: 0.76 m/s at most, 0.3 m.
    const hand = (t: number) => G + (t > 4 && t < 4.4 ? 1.9 : t >= 4.4 && t < 4.8 ? -1.9 : 0);
    expect(watch(inertial(hand))).toEqual(["lift"]);
    expect(watch(inertial((t) => (t > 4 && t < 4.2 ? 0 : G)))[0]).toBe("lift");
    expect(watch(inertial((t) => G + (t > 4 && t < 4.03 ? 5 : t >= 4.03 && t < 4.06 ? -5 : 0)))).toEqual([]);
  });

  test("a round over thresholds and rugs in the studio is neither", () => {
    // Hardly a frame: they take long to render.
    const sensors = studio.sensors.map((sensor) => ({ ...sensor, rate: 0.1 }));
    const scenario = loadScenario({ ...studio, sensors }, { repeat: 1 });
    const events = (function* (): Generator<HeadEvent> {
      for (const event of simulateEvents(scenario)) if (event.kind !== "depth") yield event;
    })();
    expect(watch(events)).toEqual([]);
  });
});

describe("at a live head", () => {
  let head: LiveHead;
  afterEach(() => head.stop());

  test("a knock is kept, listed, and can be fetched; nothing else of the disk can", async () => {
    head = await LiveHead.start({ pretrigger: { folder, segment: 1, before: 2, after: 1 } });
    const sensor = await head.open({ role: "sensor" });
    const base = await head.open({ role: "base", topics: { notes: 10 } });
    const notes: string[] = [];
    base.on("note", ({ what, text }) => notes.push(`${what}: ${text}`));
    const step = async (count: number) => {
      for (let n = 0; n < count; n++) {
        head.look(sensor);
        await new Promise((resolve) => setTimeout(resolve, 50)); // pace: 20 frames a second
      }
    };
    await step(10);
    base.observe({ kind: "knock", point: [0.2, 0, 0.06] });
    const address = head.service.url.replace("ws:", "http:").replace(/\/[^/]*$/, "");
    for (let n = 0; n < 20 && !notes.some((note) => note.startsWith("pretrigger: kept")); n++) await step(10);
    const { kept, trouble, leftOut } = (await (await fetch(`${address}/kept`)).json()) as {
      kept: Kept[];
      trouble: null;
      leftOut: number;
    };
    expect(trouble).toBe(null);
    expect(leftOut).toBe(0);
    expect(kept).toHaveLength(1);
    expect(kept[0]!.reasons).toContain("knock");
    const answer = await fetch(`${address}/kept/${kept[0]!.name}`);
    expect(answer.headers.get("content-disposition")).toContain(kept[0]!.name);
    const path = join(folder, "fetched.brk");
    writeFileSync(path, Buffer.from(await answer.arrayBuffer()));
    const { frames, closed } = await read(path);
    expect(closed).toBe(true);
    expect(frames).toBeGreaterThan(3);
    for (const name of ["x.brk", "../ring/00000000.brk", "..%2fring%2f00000000.brk", ".", ""]) {
      expect((await fetch(`${address}/kept/${name}`)).status).toBe(404);
    }
    expect((await fetch(`${address}/kept`, { headers: { origin: "http://elsewhere.example" } })).status).toBe(
      403,
    );
    await base.keep("what a nice room");
    await head.stop();
    await until(() => existsSync(join(folder, "kept")));
    expect(readdirSync(join(folder, "kept")).some((name) => name.endsWith("-asked.brk"))).toBe(true);
  });

  test("when requested recordings fill the budget, more are refused, with what to do", async () => {
    mkdirSync(join(folder, "kept"), { recursive: true });
    const about = { name: "old.brk", reasons: ["asked"], text: "", at: "", seconds: 1, bytes: 1_000_000 };
    writeFileSync(join(folder, "kept", "old.brk"), "");
    writeFileSync(join(folder, "kept", "old.json"), JSON.stringify(about));
    head = await LiveHead.start({ pretrigger: { folder, kept: 1_000_000 } });
    const watcher = await head.open();
    await expect(watcher.keep("more")).rejects.toThrow("fill pretrigger.kept");
  });

  test("without a folder nothing can be kept, and the error says so", async () => {
    head = await LiveHead.start();
    const watcher = await head.open();
    await expect(watcher.keep("this")).rejects.toThrow("set pretrigger.folder");
  });
});
