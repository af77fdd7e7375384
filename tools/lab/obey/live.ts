import { type ChildProcess, spawn } from "node:child_process";
import { once } from "node:events";
import { mkdtemp, rm, writeFile } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { createInterface } from "node:readline";
import { setTimeout as sleep } from "node:timers/promises";
import { fileURLToPath } from "node:url";
import { WebSocket } from "ws";
import { HeadClient, type Socket } from "../../../src/client/client.ts";
import type { DepthEvent, HeadEvent } from "../../../src/sense/events.ts";
import { headTime } from "../../../src/service/time.ts";
import type { SensorDeclaration } from "../../../src/wire/shapes.ts";
import { type Throttle, throttle } from "../throttle.ts";
import { Base } from "./base.ts";
import { type DriveOptions, faultAt, type Outcome, outcomeOf, TRAIL_EVERY } from "./drive.ts";
import type { Fault, Knobs } from "./knobs.ts";
import { Obedience, type Reach } from "./obedience.ts";
import { rigOf } from "./rig.ts";
import { type Sensed, Senses } from "./senses.ts";
import { Wander } from "./wander.ts";

/** Seconds of one tick of the base; frames take longer to render, and ticks catch up behind them. */
const TICK = 0.005;
/** Seconds that the head is given to see the floor before the base sets out. */
const WARM_UP = 1;
/** Seconds until a supervisor restarts the head. */
const RESTART = 0.5;
const STARVED = 0.25;

/** The command that users start, as it was compiled. */
const SERVE = import.meta.url.endsWith(".ts")
  ? new URL("../../../dist/tools/serve.js", import.meta.url)
  : new URL("../../serve.js", import.meta.url);

/** A head in a process of its own, on loopback. */
class HeadProcess {
  readonly #folder: string;
  #child: ChildProcess | null = null;
  url = "";

  constructor(folder: string) {
    this.#folder = folder;
  }

  /** Starts it, and waits until it listens. */
  async start(): Promise<void> {
    const port = this.url === "" ? "0" : new URL(this.url).port;
    const args = ["--config", join(this.#folder, "head.json"), "--port", port, "--quiet"];
    const child = spawn(process.execPath, [fileURLToPath(SERVE), ...args], {
      stdio: ["ignore", "pipe", "inherit"],
    });
    this.#child = child;
    const lines = createInterface({ input: child.stdout });
    const [line] = (await Promise.race([
      once(lines, "line"),
      once(child, "exit").then(([code]) => [`the head ended with code ${code}`]),
    ])) as [string];
    const url = /wss?:\S+/.exec(line)?.[0];
    if (url === undefined) throw new Error(line);
    this.url = url;
  }

  get pid(): number {
    return this.#child?.pid ?? -1;
  }

  signal(name: "SIGSTOP" | "SIGCONT" | "SIGKILL"): void {
    this.#child?.kill(name);
  }

  async stop(): Promise<void> {
    const child = this.#child;
    if (child === null || child.exitCode !== null || child.signalCode !== null) return;
    child.kill("SIGKILL");
    await once(child, "exit");
  }
}

const makeSocket = (url: string, protocol: string): Socket =>
  new WebSocket(url, protocol) as unknown as Socket;

const opened = (client: HeadClient): Promise<void> =>
  new Promise((resolve) => {
    const stop = client.on("open", () => {
      stop();
      resolve();
    });
  });

/** Sends what sensors and wheels measure, stamped with the head's time. */
class Feeder {
  readonly #sensor: HeadClient;
  readonly #base: HeadClient;
  readonly #names: readonly string[];

  constructor(sensor: HeadClient, base: HeadClient, names: readonly string[]) {
    this.#sensor = sensor;
    this.#base = base;
    this.#names = names;
  }

  send(event: HeadEvent, origin: number): void {
    const time = origin + event.time;
    switch (event.kind) {
      case "depth":
        this.#sendFrame(event, time);
        break;
      case "inertial":
        this.#sensor.observe({ kind: "inertial", time, gyro: event.gyro, accel: event.accel, mag: null });
        break;
      case "orientation":
        this.#sensor.observe({ kind: "orientation", time, rotation: event.rotation });
        break;
      case "motion":
        this.#base.observe({ kind: "motion", time, pose: event.pose, speed: event.speed });
        break;
      case "knock":
        this.#base.observe({ kind: "knock", time, point: event.point });
        break;
      default:
        throw new RangeError(`nothing here measures ${event.kind}`);
    }
  }

  #sendFrame({ sensor, sequence, counts, amplitude }: DepthEvent, time: number): void {
    const bytes = (image: Uint16Array): Uint8Array => new Uint8Array(image.slice().buffer);
    this.#sensor.observe({
      kind: "depth",
      sensor: this.#names[sensor]!,
      time,
      sequence,
      form: "u16",
      counts: bytes(counts),
      amplitude: amplitude && bytes(amplitude),
    });
  }
}

/** Faults of the head's process over time. */
class Trouble {
  readonly #head: HeadProcess;
  #now: Fault = "none";
  #throttle: Throttle | null = null;
  #restarted: Promise<void> | null = null;

  constructor(head: HeadProcess) {
    this.#head = head;
  }

  change(fault: Fault): void {
    if (fault === this.#now) return;
    if (this.#now === "head frozen") this.#head.signal("SIGCONT");
    void this.#throttle?.end();
    this.#throttle = null;
    this.#now = fault;
    if (fault === "head killed") this.#head.signal("SIGKILL");
    else if (fault === "head frozen") this.#head.signal("SIGSTOP");
    else if (fault === "head starved") this.#throttle = throttle(this.#head.pid, STARVED);
    else if (fault === "head restarts") this.#restarted = this.#restart();
  }

  async #restart(): Promise<void> {
    await this.#head.stop();
    await sleep(1000 * RESTART);
    await this.#head.start();
  }

  async end(): Promise<void> {
    await this.#restarted;
    await this.#throttle?.end();
  }
}

/** Drives once over the socket, in real time, with the command `serve` as the head. */
export async function driveLive(knobs: Knobs, options: DriveOptions = {}): Promise<Outcome> {
  const { rig = rigOf(knobs) } = options;
  const { setup, settings } = rig;
  const folder = await mkdtemp(join(tmpdir(), "brinkmap-obey-"));
  await writeFile(
    join(folder, "head.json"),
    JSON.stringify({
      sensors: setup.sensors,
      baseFromHead: setup.baseFromHead,
      headFromImu: setup.headFromImu,
      settings,
    }),
  );
  const head = new HeadProcess(folder);
  const clients: HeadClient[] = [];
  const trouble = new Trouble(head);
  try {
    await head.start();
    const client = (role: "sensor" | "base"): HeadClient => {
      const one = new HeadClient({
        url: head.url,
        role,
        makeSocket,
        now: headTime,
        ...(role === "sensor"
          ? { sensors: setup.sensors as readonly SensorDeclaration[] }
          : { topics: { reach: 100 } }),
      });
      clients.push(one);
      return one;
    };
    const [sensor, link] = [client("sensor"), client("base")];
    await Promise.all([opened(sensor), opened(link)]);
    return await obeyInRealTime(knobs, { ...options, rig, trouble, sensor, link });
  } finally {
    await trouble.end();
    for (const one of clients) one.close();
    await head.stop();
    await rm(folder, { recursive: true });
  }
}

interface LiveDrive extends DriveOptions {
  readonly rig: ReturnType<typeof rigOf>;
  readonly trouble: Trouble;
  /** Connections of the sensors and of the base. */
  readonly sensor: HeadClient;
  readonly link: HeadClient;
}

async function obeyInRealTime(
  knobs: Knobs,
  { rig, trouble, sensor, link, watch, hear }: LiveDrive,
): Promise<Outcome> {
  const begun = performance.now();
  const { setup, settings } = rig;
  const feeder = new Feeder(
    sensor,
    link,
    setup.sensors.map(({ name }) => name),
  );
  const base = new Base(rig.build, rig.still, {
    at: rig.at,
    slippery: rig.slippery,
    seed: Number(knobs.seed),
  });
  const obedience = new Obedience(1e6 * settings["body.reactionDelay"]);
  let newest: Reach | null = null;
  link.on("reach", (reach) => {
    const now = headTime();
    obedience.hear(reach, now);
    hear?.(reach, now);
    newest = reach;
  });
  const seed = Number(knobs.seed);
  const wander = new Wander(
    seed,
    String(knobs.wander),
    settings["guard.topSpeed"],
    settings["guard.topTurn"],
  );
  const senses = new Senses(rig, base);
  const underway: Sensed[] = [];
  const trail: number[][] = [];
  const origin = headTime();
  const seconds = Number(knobs.seconds) + WARM_UP;
  let tick = 0;
  while (tick * TICK < seconds && base.fall === null) {
    const real = (headTime() - origin) / 1e6;
    if (tick * TICK > real) {
      await sleep(Math.max(1, 1000 * (tick * TICK - real)));
      continue;
    }
    const time = tick++ * TICK;
    const fault = faultAt(knobs, time - WARM_UP);
    trouble.change(fault);
    for (const sensed of senses.tick(time, TICK, fault)) {
      const place = underway.findLastIndex(({ arrives }) => arrives <= sensed.arrives);
      underway.splice(place + 1, 0, sensed);
    }
    while (underway[0] !== undefined && underway[0].arrives <= time)
      feeder.send(underway.shift()!.event, origin);
    const now = origin + 1e6 * time;
    const command =
      time < WARM_UP ? { curvature: 0, speed: 0 } : wander.next(base, obedience.permit(now), time);
    base.step(command, time, TICK);
    watch?.({ time, base, newest, fault });
    if (tick % TRAIL_EVERY === 0) trail.push([time, base.x, base.y, base.yaw, base.speed, base.curvature]);
    // Messages are read between ticks even when ticks are late.
    if (tick % 4 === 0) await new Promise((resolve) => setImmediate(resolve));
  }
  return outcomeOf({ base, time: tick * TICK, newest, trail, frames: 0, headCost: 0, begun });
}
