import { spawn } from "node:child_process";
import { connect } from "node:net";
import { fileURLToPath } from "node:url";
import { setFlagsFromString } from "node:v8";
import { runInNewContext } from "node:vm";
import { Packr } from "msgpackr";
import { afterEach, expect, test, vi } from "vitest";
import { WebSocket } from "ws";
import { newToken } from "../../src/service/access/tokens.ts";
import { headTime } from "../../src/service/time.ts";
import { SUBPROTOCOL } from "../../src/wire/messages.ts";
import { CAMERA, event, LiveHead, PATIENT, RawClient, until, view } from "../helpers/live.ts";
import { seeded } from "../helpers/recordings.ts";

let head: LiveHead | null = null;
afterEach(async () => {
  await head?.stop();
  head = null;
});

const packr = new Packr({ useRecords: false, variableMapSize: true });

/** Messages no client should send, the same for the same seed. */
function hostile(seed: number): () => Uint8Array | string {
  const random = seeded(seed);
  const whole = (n: number) => Math.floor(random() * n);
  const pick = <T>(list: readonly T[]): T => list[whole(list.length)]!;
  const odd = () =>
    pick([
      Number.NaN,
      Number.POSITIVE_INFINITY,
      -1,
      1e300,
      null,
      "x".repeat(whole(300)),
      [],
      {},
      true,
      -0.5,
      2 ** 53,
    ]);
  const kinds = [
    "hello",
    "seen",
    "clock",
    "subscribe",
    "depth",
    "orientation",
    "motion",
    "knock",
    "mount",
    "ask",
  ];
  const fields = [
    "role",
    "sequence",
    "sent",
    "topics",
    "sensor",
    "time",
    "counts",
    "rotation",
    "pose",
    "speed",
    "id",
  ];
  const object = () => {
    const message: Record<string, unknown> = { kind: pick([...kinds, "__proto__", "toString", 7]) };
    for (let n = whole(4); n >= 0; n--) message[pick(fields)] = odd();
    return message;
  };
  const role = () =>
    pick([
      { kind: "knock", point: [0, 0, 0] },
      { kind: "motion", pose: [0, 0, 0], speed: null },
    ]);
  return () => {
    switch (whole(8)) {
      case 0:
        return Uint8Array.from({ length: 1 + whole(40) }, () => whole(256));
      case 1: {
        const bytes = packr.pack(object());
        return new Uint8Array(bytes.subarray(0, 1 + whole(bytes.length)));
      }
      case 2: // says it holds far more than it does
        return Uint8Array.of(pick([0xdf, 0xdd, 0xdb, 0xc6]), 255, 255, whole(256), whole(256), 1);
      case 3:
        return JSON.stringify(object()).slice(0, 1 + whole(60));
      case 4: // too deep
        return new Uint8Array(20 + whole(500)).fill(0x91);
      case 5:
        return new Uint8Array(packr.pack({ kind: "hello", role: "watcher" })); // again
      case 6:
        return new Uint8Array(packr.pack(role())); // of another role
      default:
        return new Uint8Array(packr.pack(object()));
    }
  };
}

/** A whole garbage collection: without it the heap says how busy the collector was, not what is kept. */
setFlagsFromString("--expose-gc");
const collect = runInNewContext("gc") as () => void;

test("200,000 hostile messages: each is answered by a named error or a close code, and the head keeps working", async () => {
  head = await LiveHead.start(PATIENT);
  const sensor = await head.open({ role: "sensor" });
  const make = hostile(2026);
  let sent = 0;
  let answered = 0;
  let connections = 0;
  const codes = new Map<string, number>();
  const settle = async () => {
    // Some of the odd ones are fit messages after all (a clock with a strange number): a clock reply, or nothing for `seen`.
    collect();
    return process.memoryUsage().heapUsed;
  };
  let before = 0;
  while (sent < 200_000) {
    const raw = await new RawClient(head.service.url).opened();
    raw.socket.send(packr.pack({ kind: "hello", role: "watcher" }));
    await until(() => raw.of("welcome").length === 1, "welcome");
    let mine = 0;
    for (; mine < 190; mine++) raw.socket.send(make());
    // The last is always answered, and answers come in order.
    raw.socket.send(packr.pack({ kind: "clock", sent: -77 }));
    await until(() => raw.closed !== null || raw.of("clock").some(({ sent }) => sent === -77), "the answer");
    if (raw.closed === null) {
      answered += raw.of("error").length;
      for (const { code } of raw.of("error")) codes.set(code, (codes.get(code) ?? 0) + 1);
    } else expect([1002, 1007, 1008, 1009, 1013]).toContain(raw.closed.code);
    raw.socket.terminate();
    sent += mine;
    if (++connections === 100) before = await settle();
  }
  const after = await settle();
  expect(answered).toBeGreaterThan(0.7 * sent);
  for (const code of ["malformed", "unfit", "order", "role"]) expect(codes.get(code)).toBeGreaterThan(1000);
  expect(after - before).toBeLessThan(10e6); // both sides, and what vitest keeps; a leak of 50 bytes each would show
  const base = await head.open({ role: "base", topics: { reach: 100 } });
  const times: number[] = [];
  base.on("reach", ({ time }) => times.push(time));
  const time = head.look(sensor);
  await until(() => times.includes(time), "the next frame's reach");
}, 300_000);

test("a client that stops reading for seconds gets the newest messages first when it resumes, and delays no other client", async () => {
  head = await LiveHead.start(PATIENT);
  const sensor = await head.open({ role: "sensor" });
  const stalled = await new RawClient(head.service.url).opened();
  stalled.say({ kind: "hello", role: "watcher" });
  stalled.say({ kind: "subscribe", topics: { reach: { rate: 100 } } });
  await head.drive(sensor, 3);
  await until(() => stalled.of("reach").length > 0);
  stalled.socket.pause();
  const before = stalled.of("reach").length;
  await head.drive(sensor, 150); // each is heard by the sensor's own client before the next is sent
  const passed: number[] = [];
  sensor.on("reach", ({ time }) => passed.push(time));
  const newest = head.look(sensor);
  await until(() => passed.includes(newest), "the newest, at another reader");
  stalled.socket.resume();
  await until(() => stalled.of("reach").some(({ time }) => time === newest), "the newest");
  const heard = stalled.of("reach").slice(before);
  // Three that were on their way, then the newest.
  expect(heard.length).toBeLessThanOrEqual(4 + 1);
  expect(heard.at(-1)!.time).toBe(newest);
});

test("a client that floods is cut off with 1008, others are not", async () => {
  head = await LiveHead.start();
  const watcher = await head.open();
  const flood = await new RawClient(head.service.url).opened();
  flood.say({ kind: "hello", role: "watcher" });
  for (let i = 0; i < 20_000; i++) flood.say({ kind: "clock", sent: i });
  await until(() => flood.closed !== null, "the close");
  expect([1008, 1013]).toContain(flood.closed!.code);
  expect(await watcher.settings()).toHaveProperty(["body.height"]);
});

test("a message longer than a watcher may send is answered with 1009", async () => {
  head = await LiveHead.start();
  const raw = await new RawClient(head.service.url).opened();
  raw.say({ kind: "hello", role: "watcher" });
  raw.socket.send(Buffer.alloc(70_000));
  await until(() => raw.closed !== null);
  expect(raw.closed!.code).toBe(1009); // RFC 6455, 7.4.1
});

test("500 idle sockets, 100 half-open requests and a slow one delay no client", async () => {
  head = await LiveHead.start(PATIENT);
  const { port } = head.service;
  const idle = await Promise.all(
    Array.from({ length: 500 }, () => new RawClient(head!.service.url).opened()),
  );
  const halves = Array.from({ length: 100 }, () => {
    const socket = connect(port, "127.0.0.1");
    socket.on("error", () => {});
    socket.write("GET /live HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ");
    return socket;
  });
  const sensor = await head.open({ role: "sensor" });
  const base = await head.open({ role: "base", topics: { reach: 100 } });
  const reach = new Promise<number>((resolve) =>
    base.on("reach", ({ state, age }) => state === "clear" && resolve(age)),
  );
  await head.drive(sensor, 5);
  expect(await reach).toBeLessThan(5e6);
  for (const socket of halves) socket.destroy();
  for (const { socket } of idle) socket.terminate();
}, 60_000);

test("a connection without hello is closed within seconds", async () => {
  head = await LiveHead.start();
  const raw = await new RawClient(head.service.url).opened();
  await until(() => raw.closed !== null, "the close");
  expect(raw.closed).toEqual({ code: 1008, reason: "no hello came" });
});

test("with tokens: none, a wrong one, or one for another role is refused; the right one is let in", async () => {
  const watcher = newToken("tablet", ["watch"]);
  head = await LiveHead.start({ tokens: [watcher.entry] });
  const attempt = async (role: string, token?: string) => {
    const raw = await new RawClient(head!.service.url).opened();
    raw.say({ kind: "hello", role, ...(token !== undefined && { token }) });
    await until(() => raw.closed !== null || raw.of("welcome").length > 0);
    return raw.closed === null ? "welcome" : `${raw.of("error")[0]!.code} ${raw.closed.code}`;
  };
  expect(await attempt("watcher")).toBe("token 1008");
  expect(await attempt("watcher", `${watcher.token.slice(0, -1)}!`)).toBe("token 1008");
  expect(await attempt("base", watcher.token)).toBe("token 1008");
  expect(await attempt("sensor", watcher.token)).toBe("token 1008");
  expect(await attempt("watcher", watcher.token)).toBe("welcome");
  const metrics = (headers: Record<string, string>) =>
    fetch(`http://127.0.0.1:${head!.service.port}/metrics`, { headers }).then(({ status }) => status);
  expect(await metrics({})).toBe(401);
  expect(await metrics({ authorization: `Bearer ${watcher.token}` })).toBe(200);
});

test("pages of other origins, names that are not ours, other sub-protocols and paths are turned away", async () => {
  head = await LiveHead.start();
  const { port, url } = head.service;
  const refused = async (at: string, options: ConstructorParameters<typeof RawClient>[1]) => {
    const raw = new RawClient(at, options);
    await until(() => raw.error !== null || raw.socket.readyState === WebSocket.OPEN);
    raw.socket.terminate();
    return raw.error;
  };
  expect(await refused(url, { headers: { origin: "http://elsewhere.example" } })).toMatch(/403/);
  expect(await refused(url, { headers: { host: `elsewhere.example:${port}` } })).toMatch(/403/);
  expect(await refused(url, { protocol: "brinkmap.0" })).toMatch(/400/);
  expect(await refused(url.replace("/live", "/dead"), {})).toMatch(/404/);
  expect(await refused(url, { headers: { origin: `http://127.0.0.1:${port}` } })).toBeNull();
});

test("stamps that jump, frames that stall and a sensor that reconnects are reported and counted, and the head keeps working", async () => {
  head = await LiveHead.start({ blind: 0.4 });
  const watcher = await head.open({ topics: { notes: 50, reach: 100 } });
  const notes: string[] = [];
  watcher.on("note", ({ what, text }) => notes.push(`${what}: ${text}`));
  const sensor = await head.open({ role: "sensor" });
  await head.drive(sensor, 5);
  for (const jump of [-3600e6, 3600e6]) {
    const error = event(sensor, "error");
    const frame = { kind: "depth", sensor: "front", sequence: 99, form: "u16", amplitude: null } as const;
    sensor.observe({ ...frame, time: Math.max(0, headTime() + jump), counts: view() });
    expect((await error).code).toBe("stamp");
  }
  await until(() => notes.some((note) => note.startsWith("sensor: front has sent nothing")));
  await head.drive(sensor, 5);
  await until(() => notes.includes("sensor: front sends again"));
  expect(watcher.welcome!.setup.sensors[0]!.name).toBe(CAMERA.name);
});

test("setting the wall clock a day back and ten years forward changes no age and stops no base", async () => {
  head = await LiveHead.start({ blind: 0.4 });
  const watcher = await head.open({ topics: { reach: 100, pulse: 10 } });
  const sensor = await head.open({ role: "sensor" });
  const ages: number[] = [];
  const states = new Set<string>();
  await head.drive(sensor, 3);
  watcher.on("reach", ({ age, state }) => {
    ages.push(age);
    states.add(state);
  });
  vi.useFakeTimers({ toFake: ["Date"] });
  try {
    for (const jump of [-86_400e3, 10 * 365 * 86_400e3]) {
      vi.setSystemTime(Date.now() + jump);
      await head.drive(sensor, 8);
    }
  } finally {
    vi.useRealTimers();
  }
  expect(ages.length).toBeGreaterThan(8);
  expect(Math.max(...ages)).toBeLessThan(5e6);
  expect(Math.min(...ages)).toBeGreaterThanOrEqual(0);
  // Late now and then on a busy machine; blind or silent never.
  expect([...states].filter((state) => state !== "clear" && state !== "late")).toEqual([]);
  expect(watcher.isOpen).toBe(true);
});

test("SIGTERM ends the served head within two seconds, with 1001 to its clients", async () => {
  const serve = fileURLToPath(new URL("../../dist/tools/serve.js", import.meta.url));
  const child = spawn(process.execPath, [serve, "--port", "0", "--quiet"], {
    stdio: ["ignore", "pipe", "inherit"],
  });
  let out = "";
  child.stdout.on("data", (chunk) => {
    out += chunk;
  });
  await until(() => out.includes("The head is at ws://"), "the address");
  const url = /ws:\S+/.exec(out)![0];
  const raw = await new RawClient(url).opened();
  raw.say({ kind: "hello", role: "watcher" });
  await until(() => raw.of("welcome").length === 1);
  const idle = new WebSocket(url, SUBPROTOCOL);
  await until(() => idle.readyState === WebSocket.OPEN);
  const code = new Promise<number | null>((resolve) => child.on("close", resolve));
  const asked = performance.now();
  child.kill("SIGTERM");
  expect(await code).toBe(0);
  expect(performance.now() - asked).toBeLessThan(2000);
  expect(raw.closed!.code).toBe(1001);
});
