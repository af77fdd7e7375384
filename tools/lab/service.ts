import { spawn, spawnSync } from "node:child_process";
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { connect, createServer, type Socket as NetSocket, type Server } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { isMainThread, parentPort, Worker, workerData } from "node:worker_threads";
import { WebSocket } from "ws";
import { HeadClient, type Socket } from "../../src/client/client.ts";
import type { Pose } from "../../src/geometry/optics.ts";
import { SETTINGS } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { headTime } from "../../src/service/time.ts";
import { encodeForServer } from "../../src/wire/codec.ts";
import type { SensorDeclaration } from "../../src/wire/shapes.ts";
import { throttle } from "./throttle.ts";

const HELP = `Usage: service [options]    age, stalled clients, memory and bytes a second of a served head
  -r, --recording <file>   frames, orientation and poses to send (default out/bench-service.brk, rendered if missing:
                           the demo with 208 x 156 at 15 Hz, played at twice its speed)
  -s, --seconds <n>        of the run with five watchers (default 60)
      --events <n>         send each orientation n times (default 1)
      --pretrigger              record the last minutes as well, all of them, and count at the end what is in the recording
      --limit <percent>    hold the head to this share of one core, all its threads together
  -h, --help               show this text
The head runs in a process of its own; a driver feeds it over the socket from a thread of its own. Watchers: one normal, one
that stalls, one on a link of 50 kB/s, one that reconnects each second, one more with the map. Ages are from a frame's arrival
(the driver has packed it and handed it to the system) to its reach at a client, on one clock; "from its stamp" counts the driver's
packing, too.
Exit codes: 0 done, 2 wrong usage, 3 the recording cannot be had`;

const DEFAULT = "out/bench-service.brk";
/** Frames a second that the head is given. */
const RATE = 30;
/** tools/serve/brinkmap.service starts the head like this. */
const AS_IN_THE_UNIT = {
  flags: ["--max-semi-space-size=2", "--single-threaded-gc"],
  environment: { MALLOC_ARENA_MAX: "2", MALLOC_MMAP_THRESHOLD_: "73728", MALLOC_TRIM_THRESHOLD_: "131072" },
};
const sleep = (milliseconds: number) => new Promise((resolve) => setTimeout(resolve, milliseconds));

interface Drive {
  readonly url: string;
  readonly path: string;
  readonly speed: number;
  readonly events: number;
  /** When the frame of each sequence number, modulo the length, was handed to the system. */
  readonly handed: Float64Array;
}

/** Feeds the head from a recording, round and round, in a thread of its own. */
async function drive(): Promise<void> {
  const { url, path, speed, events, handed } = workerData as Drive;
  const recording = await openRecording(path);
  const { sensors } = recording.header.setup;
  const socket = new WebSocket(`${url}?frames=1`, "brinkmap.1");
  await new Promise((resolve) => socket.once("open", resolve));
  const send = (message: Parameters<typeof encodeForServer>[0]) =>
    socket.send(encodeForServer(message, "binary"));
  send({ kind: "hello", role: "sensor", name: "driver", sensors: sensors as readonly SensorDeclaration[] });
  await new Promise((resolve) => socket.once("message", resolve));
  let sequence = 0;
  // As the protocol asks of a sensor: no frame while the one before is still on its way.
  let isOnItsWay = false;
  socket.on("pong", () => {
    isOnItsWay = false;
  });
  let pose: Pose | null = null;
  for (;;) {
    const start = headTime();
    let first = Number.NaN;
    for (const event of recording.events()) {
      if (Number.isNaN(first)) first = event.time;
      const due = start + (event.time - first) / speed;
      const left = due - headTime();
      if (left > 500) await sleep(left / 1000);
      if (event.kind === "reference" && event.of === "base") {
        pose = event.pose;
      } else if (event.kind === "orientation") {
        for (let n = 0; n < events; n++) send({ kind: "orientation", rotation: event.rotation });
      }
      if (event.kind === "depth" && isOnItsWay) sequence++;
      else if (event.kind === "depth") {
        const bytes = (image: Uint16Array | null) =>
          image && new Uint8Array(image.buffer, image.byteOffset, image.byteLength);
        const time = headTime();
        // With the frame's own stamp and before it, or the frame would wait for the next.
        if (pose !== null) send({ kind: "reference", time, pose });
        send({
          kind: "depth",
          sensor: sensors[event.sensor]!.name,
          time,
          sequence,
          form: "u16",
          counts: bytes(event.counts)!,
          amplitude: bytes(event.amplitude),
        });
        handed[sequence++ % handed.length] = headTime();
        isOnItsWay = true;
        socket.ping();
      }
      if (socket.readyState !== WebSocket.OPEN) return;
    }
    await sleep(1200); // longer than poses are interpolated over
  }
}

/** Passes bytes on at a limited rate from the head's side, with little buffering. */
function slowLink(port: number, rate: number): Promise<Server> {
  const server = createServer((near) => {
    const far = connect(port, "127.0.0.1");
    near.pipe(far);
    trickle(far, near, rate);
    for (const socket of [near, far]) socket.on("error", () => near.destroy() && far.destroy());
  });
  return new Promise((resolve) => server.listen(0, "127.0.0.1", () => resolve(server)));
}

function trickle(from: NetSocket, to: NetSocket, rate: number): void {
  const slice = Math.round(rate / 50);
  from.pause();
  const timer = setInterval(() => {
    const chunk = from.read(Math.min(slice, from.readableLength || slice)) as Buffer | null;
    if (chunk !== null) to.write(chunk);
  }, 20);
  from.on("close", () => {
    clearInterval(timer);
    to.end();
  });
}

const quantile = (sorted: readonly number[], q: number): number =>
  sorted[Math.min(sorted.length - 1, Math.floor(q * sorted.length))] ?? Number.NaN;
function summary(ages: readonly number[]): string {
  const sorted = ages.map((age) => age / 1000).sort((a, b) => a - b);
  const cells = [0.5, 0.99, 1].map((q) => quantile(sorted, q).toFixed(1).padStart(7));
  return `p50 ${cells[0]}  p99 ${cells[1]}  max ${cells[2]} ms   (${sorted.length})`;
}

/** Events by kind in all the segments of a ring. */
async function countPretrigger(ring: string): Promise<Map<string, number>> {
  const kinds = new Map<string, number>();
  for (const name of readdirSync(ring).sort()) {
    const recording = await openRecording(join(ring, name), { strict: true });
    for (const { kind } of recording.events()) kinds.set(kind, (kinds.get(kind) ?? 0) + 1);
    recording.close();
  }
  return kinds;
}

const memoryOf = (pid: number): number =>
  Number(/VmRSS:\s+(\d+)/.exec(readFileSync(`/proc/${pid}/status`, "utf8"))?.[1] ?? Number.NaN) / 1024;

class Listener {
  readonly client: HeadClient;
  readonly ages: number[] = [];
  readonly fromStamp: number[] = [];
  #socket: WebSocket | null = null;
  #bytesBefore = 0;
  openedAt = 0;
  completeAfter: number | null = null;

  /** Bytes on the wire, framing and compression included. */
  get bytes(): number {
    const { _socket: net } = (this.#socket ?? {}) as { _socket?: NetSocket };
    return this.#bytesBefore + (net?.bytesRead ?? 0);
  }

  constructor(
    url: string,
    role: "base" | "watcher",
    topics: Record<string, number>,
    handed: Float64Array = new Float64Array(1),
  ) {
    const counting = (at: string, protocol: string): Socket => {
      this.#bytesBefore = this.bytes;
      const socket = new WebSocket(at, protocol);
      this.#socket = socket;
      return socket as unknown as Socket;
    };
    this.client = new HeadClient({ url, role, topics, makeSocket: counting, now: headTime });
    this.client.on("open", () => {
      this.openedAt = headTime();
    });
    this.client.on("reach", ({ time, state, frame }) => {
      if (state !== "clear" && state !== "dark") return;
      const now = headTime();
      this.ages.push(now - Math.max(time, handed[frame % handed.length]!));
      this.fromStamp.push(now - time);
    });
    this.client.on("map", (_keys, mirror) => {
      if (mirror.isComplete) this.completeAfter ??= headTime() - this.openedAt;
    });
  }
}

export async function main(args: string[]): Promise<number> {
  const { values } = parseArgs({
    args,
    options: {
      recording: { type: "string", short: "r" },
      seconds: { type: "string", short: "s" },
      limit: { type: "string" },
      events: { type: "string" },
      pretrigger: { type: "boolean" },
      help: { type: "boolean", short: "h" },
    },
  });
  if (values.help) {
    console.log(HELP);
    return 0;
  }
  const path = values.recording ?? DEFAULT;
  const script = (name: string) => fileURLToPath(new URL(`../../tools/${name}.js`, import.meta.url));
  if (!existsSync(path) && values.recording === undefined) {
    console.log("Rendering the demo with 208 x 156 pixels at 15 Hz (once) ...");
    const size = ["sensors.0.optics.width=208", "sensors.0.optics.height=156", "sensors.0.rate=15"];
    const sets = size.flatMap((set) => ["--set", set]);
    spawnSync(process.execPath, [script("simulate"), "datasets/pottery-studio.json", path, ...sets], {
      stdio: "inherit",
    });
  }
  if (!existsSync(path)) return 3;
  const seconds = Number(values.seconds ?? 60);

  const folder = mkdtempSync(join(tmpdir(), "brinkmap-soak-"));
  const config = join(folder, "head.json");
  const settings = {
    "body.footprint": SETTINGS["body.footprint"].default,
    "body.deceleration": SETTINGS["body.deceleration"].default,
    "body.reactionDelay": SETTINGS["body.reactionDelay"].default,
  };
  const pretrigger = values.pretrigger ? { pretrigger: { folder, ring: 20e9 } } : {};
  writeFileSync(config, JSON.stringify({ settings, ...pretrigger }));

  const started = headTime();
  const head = spawn(
    process.execPath,
    [...AS_IN_THE_UNIT.flags, script("serve"), "--port", "0", "--quiet", "--config", config],
    { stdio: ["ignore", "pipe", "inherit"], env: { ...process.env, ...AS_IN_THE_UNIT.environment } },
  );
  const url = await new Promise<string>((resolve) => {
    head.stdout.on("data", (chunk: Buffer) => {
      const found = /ws:\S+/.exec(chunk.toString());
      if (found) resolve(found[0]);
    });
  });
  const port = Number(new URL(url).port);
  console.log(`start to listening     ${((headTime() - started) / 1000).toFixed(0)} ms`);
  const map = { reach: 15, pose: 15, pulse: 1, map: 2 };
  const handed = new Float64Array(new SharedArrayBuffer(8 * 1024));
  const base = new Listener(url, "base", { reach: 100 }, handed);
  const mapOnly = new Listener(url, "watcher", { map: 2 });
  const first = new Promise((resolve) =>
    base.client.on("reach", ({ state }) => state === "clear" && resolve(null)),
  );
  const driver = new Worker(new URL(import.meta.url), {
    workerData: { url, path, speed: 2, events: Number(values.events ?? 1), handed } satisfies Drive,
  });
  await first;
  console.log(`start to first reach   ${((headTime() - started) / 1000).toFixed(0)} ms`);

  const watcher = new Listener(url, "watcher", map, handed);
  const slow = await slowLink(port, 50_000);
  const slowUrl = `ws://127.0.0.1:${(slow.address() as { port: number }).port}/live`;
  const throttled = new Listener(slowUrl, "watcher", map, handed);
  const stalled = new Listener(url, "watcher", map);
  let reconnecting = new Listener(url, "watcher", map);
  const reconnects = setInterval(() => {
    reconnecting.client.close();
    reconnecting = new Listener(url, "watcher", map);
  }, 1000);
  const limiter = values.limit === undefined ? null : throttle(head.pid!, Number(values.limit) / 100);
  if (limiter !== null) console.log(`held to ${values.limit} % of a core by ${limiter.by}`);
  await sleep(2000);
  const stalledSocket = new WebSocket(url, "brinkmap.1");
  await new Promise((resolve) => stalledSocket.once("open", resolve));
  stalledSocket.send(JSON.stringify({ kind: "hello", role: "watcher" }));
  stalledSocket.send(
    JSON.stringify({
      kind: "subscribe",
      topics: Object.fromEntries(Object.entries(map).map(([k, rate]) => [k, { rate }])),
    }),
  );
  let heard: { time: number; sequence: number }[] = [];
  stalledSocket.on("message", (data) => {
    const message = JSON.parse(String(data)) as { kind: string; time: number; sequence: number };
    if (message.kind === "reach") heard.push(message);
  });
  await sleep(1000);
  stalledSocket.pause();
  base.ages.length = base.fromStamp.length = 0;
  // What the frames took by the head's own account; each pulse tells of the last 256, eight seconds of them.
  let slowest = 0;
  const pulses = new Listener(url, "watcher", { pulse: 1 });
  pulses.client.on("pulse", ({ load }) => {
    slowest = Math.max(slowest, load.worst);
  });
  const memory: number[] = [];
  const sampler = setInterval(() => memory.push(memoryOf(head.pid!)), 1000);
  const bytesBefore = base.bytes;
  const watcherBefore = watcher.bytes;
  await sleep(1000 * seconds);
  clearInterval(sampler);
  console.log(`base, arrival to reach ${summary(base.ages)}`);
  const half = base.ages.length >> 1;
  console.log(
    `  first half, second   ${summary(base.ages.slice(0, half))},  ${summary(base.ages.slice(half))}`,
  );
  console.log(`  from its stamp       ${summary(base.fromStamp)}`);
  const bound = 1000 / RATE + slowest;
  const beyond = base.ages.filter((age) => age > 1000 * bound).length;
  console.log(
    `  a frame's interval and the slowest one's work  ${(1000 / RATE).toFixed(1)} + ${slowest.toFixed(1)} = ${bound.toFixed(1)} ms; older: ${beyond} of ${base.ages.length}`,
  );
  console.log(`watcher                ${summary(watcher.ages)}`);
  console.log(`on a 50 kB/s link      ${summary(throttled.ages)}`);
  console.log(
    `bytes a second         base ${((base.bytes - bytesBefore) / seconds / 1000).toFixed(1)} kB, watcher at 15 Hz with map ${((watcher.bytes - watcherBefore) / seconds / 1000).toFixed(1)} kB`,
  );
  const third = Math.max(1, Math.floor(memory.length / 3));
  const mean = (list: readonly number[]) => list.reduce((sum, v) => sum + v, 0) / list.length;
  console.log(
    `resident memory        ${memory.at(-1)!.toFixed(0)} MB, last third over the one before ${((mean(memory.slice(-third)) / mean(memory.slice(-2 * third, -third)) - 1) * 100).toFixed(1)} %`,
  );
  heard = [];
  const resumed = headTime();
  stalledSocket.resume();
  await sleep(1500);
  const oldOnes = heard.filter(({ time }) => time < resumed - 200_000).length;
  console.log(
    `stalled ${seconds} s          read ${oldOnes} old reach messages, then the newest, ${((heard[oldOnes]?.time ?? resumed) - resumed) / 1000} ms from the moment it went on`,
  );
  const late = new Listener(url, "watcher", { map: 10 });
  await sleep(1500);
  console.log(
    `late joiner            whole map (${late.client.mirror.blocks.size} blocks, ${(late.bytes / 1000).toFixed(0)} kB) after ${((late.completeAfter ?? Number.NaN) / 1000).toFixed(0)} ms`,
  );
  const pulse = await new Promise<{ load: object }>((resolve) => {
    const asking = new Listener(url, "watcher", { pulse: 10 });
    asking.client.on("pulse", (message) => {
      asking.client.close();
      resolve(message);
    });
  });
  console.log(`load                   ${JSON.stringify(pulse.load)}`);
  const { blocks } = mapOnly.client.mirror;
  console.log(
    `map from empty         ${(mapOnly.bytes / 1000).toFixed(0)} kB in all at 2 Hz, for ${blocks.size} blocks so far`,
  );
  const metrics = await (await fetch(`http://127.0.0.1:${port}/metrics`)).text();
  const buckets = [...metrics.matchAll(/reach_age_seconds_bucket\{le="([\d.]+)"\} (\d+)/g)];
  console.log(
    `age at sending         ${buckets.map(([, le, count]) => `<= ${Number(le) * 1000} ms: ${count}`).join(", ")}`,
  );
  clearInterval(reconnects);
  for (const { client } of [base, mapOnly, pulses, watcher, throttled, stalled, reconnecting, late])
    client.close();
  stalledSocket.terminate();
  slow.close();
  await driver.terminate();
  await limiter?.end();
  await sleep(1500); // counts are told twice a second
  const counted = await (await fetch(`http://127.0.0.1:${port}/metrics`)).text();
  const ended = new Promise((resolve) => head.on("close", resolve));
  head.kill("SIGTERM");
  await ended;
  if (values.pretrigger) {
    const kinds = await countPretrigger(join(folder, "ring"));
    for (const [kind, count] of kinds) {
      const told =
        kind === "depth"
          ? /frames_total\{[^}]*\} (\d+)/
          : new RegExp(`events_total\\{kind="${kind}"\\} (\\d+)`);
      console.log(`recorded ${kind.padEnd(14)}${count} of ${told.exec(counted)?.[1] ?? "?"}`);
    }
  }
  rmSync(folder, { recursive: true });
  // Watchers that were stalled on purpose leave sockets that would keep the process alive.
  setImmediate(() => process.exit());
  return 0;
}

if (!isMainThread && parentPort !== null && (workerData as { speed?: number } | null)?.speed !== undefined)
  await drive();
