import { type ChildProcess, spawn, spawnSync } from "node:child_process";
import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { isMainThread, parentPort, Worker, workerData } from "node:worker_threads";
import { WebSocket } from "ws";
import type { Pose } from "../../src/geometry/optics.ts";
import { SETTINGS } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { OF_THIS_BASE } from "../../src/service/body-settings.ts";
import { headTime } from "../../src/service/time.ts";
import { encodeForServer } from "../../src/wire/codec.ts";
import type { SensorDeclaration } from "../../src/wire/shapes.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { programOf } from "./program.ts";
import { Listener, Stalling, slowLink, TOPICS } from "./service/listeners.ts";
import { throttle } from "./throttle.ts";

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

/** Feeds the head from a recording, repeatedly, in a thread of its own. */
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

/** Ticks a second of the kernel's process times, the same on every Linux machine that Node runs on. */
const TICKS = 100;

/** Seconds of processor time of a process, all threads. Source: proc(5), fields 14 and 15 of stat. */
function processorTimeOf(pid: number): number {
  const fields = readFileSync(`/proc/${pid}/stat`, "utf8")
    .replace(/^.*\) /, "")
    .split(" ");
  return (Number(fields[11]) + Number(fields[12])) / TICKS;
}

export const main = programOf({
  name: "service",
  usage: "[options]",
  about:
    "Age, stalled clients, memory and bytes a second of a served head. The head runs in a process of its own; a driver feeds it over the socket from a thread of its own. Watchers: one normal, one that stalls, one on a link of 50 kB/s, one that reconnects each second, one more with the map.",
  options: {
    recording: {
      type: "string",
      short: "r",
      value: "<file>",
      help: "frames, orientation and poses to send (default out/bench-service.brk, rendered if missing: the demo with 208 x 156 at 15 Hz, played at twice its speed)",
    },
    seconds: {
      type: "string",
      short: "s",
      value: "<n>",
      default: "60",
      help: "seconds of the run with five watchers (default 60)",
    },
    events: {
      type: "string",
      value: "<n>",
      default: "1",
      help: "send each orientation n times (default 1)",
    },
    pixels: {
      type: "string",
      value: "<n>",
      help: "mostPixels of the head: larger images are binned (default: the head's own)",
    },
    pretrigger: {
      type: "boolean",
      help: "record the last minutes as well, and compare the recording with the counts at the end",
    },
    limit: {
      type: "string",
      value: "<percent>",
      help: "limit the head to this share of one core, in percent, all threads together",
    },
  },
  notes:
    "Ages are from a frame's arrival (the driver has packed it and handed it to the system) to its reach at a client, on one clock; \"from its stamp\" counts the driver's packing, too.",
  exits: { 3: "the recording cannot be had" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const path = values.recording ?? DEFAULT;
    if (values.recording === undefined && !existsSync(path)) render(path);
    if (!existsSync(path)) {
      console.error(`service: ${path} is missing`);
      return 3;
    }
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-soak-"));
    await measure({
      path,
      folder,
      seconds: wholeOption(values, "seconds", 1),
      events: wholeOption(values, "events", 0),
      limit: values.limit === undefined ? null : wholeOption(values, "limit", 1, 100),
      isRecorded: values.pretrigger ?? false,
      mostPixels: values.pixels === undefined ? null : wholeOption(values, "pixels", 0),
    });
    rmSync(folder, { recursive: true });
    // Watchers that were stalled on purpose leave sockets that would keep the process alive.
    setImmediate(() => process.exit());
    return 0;
  },
});

const script = (name: string) => fileURLToPath(new URL(`../../tools/${name}.js`, import.meta.url));

function render(path: string): void {
  console.log("Rendering the demo with 208 x 156 pixels at 15 Hz (once) ...");
  const size = ["sensors.0.optics.width=208", "sensors.0.optics.height=156", "sensors.0.rate=15"];
  const sets = size.flatMap((set) => ["--set", set]);
  spawnSync(process.execPath, [script("simulate"), "datasets/pottery-studio.json", path, ...sets], {
    stdio: "inherit",
  });
}

interface Plan {
  readonly path: string;
  /** For the settings file and the last minutes. */
  readonly folder: string;
  readonly seconds: number;
  readonly events: number;
  /** Percent of one core; null for no limit. */
  readonly limit: number | null;
  /** Null: the head's own. */
  readonly mostPixels: number | null;
  /** Whether the last minutes are recorded. */
  readonly isRecorded: boolean;
}

interface ServedHead {
  readonly process: ChildProcess;
  readonly url: string;
  readonly port: number;
}

async function startHead({ folder, isRecorded, mostPixels }: Plan): Promise<ServedHead> {
  const config = join(folder, "head.json");
  const settings = Object.fromEntries(OF_THIS_BASE.map((name) => [name, SETTINGS[name].default]));
  const pretrigger = isRecorded ? { pretrigger: { folder, ring: 20e9 } } : {};
  writeFileSync(
    config,
    JSON.stringify({ settings, ...pretrigger, ...(mostPixels !== null && { mostPixels }) }),
  );
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
  return { process: head, url, port: Number(new URL(url).port) };
}

async function measure(plan: Plan): Promise<void> {
  const { path, seconds } = plan;
  const started = headTime();
  const since = (): string => `${((headTime() - started) / 1000).toFixed(0)} ms`;
  const head = await startHead(plan);
  const { url, port } = head;
  console.log(`start to listening     ${since()}`);
  const handed = new Float64Array(new SharedArrayBuffer(8 * 1024));
  const base = new Listener(url, "base", { reach: 100 }, handed);
  const mapOnly = new Listener(url, "watcher", { map: 2 });
  const first = new Promise((resolve) =>
    base.client.on("reach", ({ state }) => state === "clear" && resolve(null)),
  );
  const driver = new Worker(new URL(import.meta.url), {
    workerData: { url, path, speed: 2, events: plan.events, handed } satisfies Drive,
  });
  await first;
  console.log(`start to first reach   ${since()}`);

  const watcher = new Listener(url, "watcher", TOPICS, handed);
  const slow = await slowLink(port, 50_000);
  const slowUrl = `ws://127.0.0.1:${(slow.address() as { port: number }).port}/live`;
  const throttled = new Listener(slowUrl, "watcher", TOPICS, handed);
  const stalled = new Listener(url, "watcher", TOPICS);
  let reconnecting = new Listener(url, "watcher", TOPICS);
  const reconnects = setInterval(() => {
    reconnecting.client.close();
    reconnecting = new Listener(url, "watcher", TOPICS);
  }, 1000);
  const limiter = plan.limit === null ? null : throttle(head.process.pid!, plan.limit / 100);
  if (limiter !== null) console.log(`held to ${plan.limit} % of a core by ${limiter.by}`);
  await sleep(2000);
  const stalling = await Stalling.open(url);
  await sleep(1000);
  stalling.pause();
  base.ages.length = base.fromStamp.length = 0;
  await watchFor(seconds, { head, base, watcher, throttled });
  const { old, newest } = await stalling.resume();
  console.log(
    `stalled ${seconds} s          read ${old} old reach messages, then the newest, ${newest} ms from the moment it read again`,
  );
  const late = new Listener(url, "watcher", { map: 10 });
  await sleep(1500);
  console.log(
    `late joiner            whole map (${late.client.mirror.blocks.size} blocks, ${(late.bytes / 1000).toFixed(0)} kB) after ${((late.completeAfter ?? Number.NaN) / 1000).toFixed(0)} ms`,
  );
  await reportHead(head, mapOnly);
  clearInterval(reconnects);
  for (const { client } of [base, mapOnly, watcher, throttled, stalled, reconnecting, late]) client.close();
  stalling.close();
  slow.close();
  await driver.terminate();
  await limiter?.end();
  await endHead(head, plan);
}

interface Watched {
  readonly head: ServedHead;
  readonly base: Listener;
  readonly watcher: Listener;
  readonly throttled: Listener;
}

/** Lets the head run with all its watchers, and prints ages, bytes and memory. */
async function watchFor(seconds: number, { head, base, watcher, throttled }: Watched): Promise<void> {
  // What the frames took by the head's own account; each pulse covers the last 256, eight seconds of them.
  let slowest = 0;
  const pulses = new Listener(head.url, "watcher", { pulse: 1 });
  pulses.client.on("pulse", ({ load }) => {
    slowest = Math.max(slowest, load.worst);
  });
  const states = new Map<string, number>();
  const stop = base.client.on("reach", ({ state }) => states.set(state, (states.get(state) ?? 0) + 1));
  const spent = processorTimeOf(head.process.pid!);
  const memory: number[] = [];
  const sampler = setInterval(() => memory.push(memoryOf(head.process.pid!)), 1000);
  const bytesBefore = base.bytes;
  const watcherBefore = watcher.bytes;
  await sleep(1000 * seconds);
  clearInterval(sampler);
  stop();
  const share = (100 * (processorTimeOf(head.process.pid!) - spent)) / seconds;
  pulses.client.close();
  console.log(`processor time         ${share.toFixed(1)} % of a core, all threads, watchers served`);
  const said = [...states].map(([state, count]) => `${state} ${(count / seconds).toFixed(1)}`).join(", ");
  console.log(`reaches a second       ${said}`);
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
  const rate = (bytes: number): string => (bytes / seconds / 1000).toFixed(1);
  console.log(
    `bytes a second         base ${rate(base.bytes - bytesBefore)} kB, watcher at 15 Hz with map ${rate(watcher.bytes - watcherBefore)} kB`,
  );
  const third = Math.max(1, Math.floor(memory.length / 3));
  const mean = (list: readonly number[]) => list.reduce((sum, v) => sum + v, 0) / list.length;
  const growth = mean(memory.slice(-third)) / mean(memory.slice(-2 * third, -third)) - 1;
  console.log(
    `resident memory        ${memory.at(-1)!.toFixed(0)} MB, last third over the one before ${(100 * growth).toFixed(1)} %`,
  );
}

const metricsOf = async ({ port }: ServedHead): Promise<string> =>
  (await fetch(`http://127.0.0.1:${port}/metrics`)).text();

/** Prints the head's own figures. */
async function reportHead(head: ServedHead, mapOnly: Listener): Promise<void> {
  const pulse = await new Promise<{ load: object }>((resolve) => {
    const asking = new Listener(head.url, "watcher", { pulse: 10 });
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
  const metrics = await metricsOf(head);
  const buckets = [...metrics.matchAll(/reach_age_seconds_bucket\{le="([\d.]+)"\} (\d+)/g)];
  console.log(
    `age at sending         ${buckets.map(([, le, count]) => `<= ${Number(le) * 1000} ms: ${count}`).join(", ")}`,
  );
}

/** Ends the head, and compares what it recorded with what it counted. */
async function endHead(head: ServedHead, { folder, isRecorded }: Plan): Promise<void> {
  await sleep(1500); // counts are sent twice a second
  const counted = await metricsOf(head);
  const ended = new Promise((resolve) => head.process.on("close", resolve));
  head.process.kill("SIGTERM");
  await ended;
  if (!isRecorded) return;
  for (const [kind, count] of await countPretrigger(join(folder, "ring"))) {
    const pattern =
      kind === "depth"
        ? /frames_total\{[^}]*\} (\d+)/
        : new RegExp(`events_total\\{kind="${kind}"\\} (\\d+)`);
    console.log(`recorded ${kind.padEnd(14)}${count} of ${pattern.exec(counted)?.[1] ?? "?"}`);
  }
}

if (!isMainThread && parentPort !== null && (workerData as { speed?: number } | null)?.speed !== undefined)
  await drive();
