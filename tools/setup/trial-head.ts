import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { pino } from "pino";
import { WebSocket } from "ws";
import { type ClientOptions, HeadClient, type Socket } from "../../src/client/client.ts";
import { resolveConfig } from "../../src/service/config.ts";
import { Service } from "../../src/service/service.ts";
import { startSources } from "../../src/service/sources/built-in.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { pageAddress, VIEWER } from "../serve/page.ts";
import { playScenario } from "../serve/player.ts";
import type { DraftConfig, Session } from "./session.ts";

/** Seconds of a pre-trigger ring that can keep a mounting drive. */
const RING = { segment: 4, before: 8, after: 2 };
/** Milliseconds without a frame after which a sensor counts as stopped: longer than a source takes to restart once. */
const STOPPED_AFTER = 4000;
/** Milliseconds until the first frame: of a program that the head starts, and of a driver that a person starts. */
const FIRST_FRAME = 12_000;
const FIRST_OF_DRIVER = 60_000;

/** A sensor gave no frame, or stopped; the message says what its source said. */
export class SensorTrouble extends Error {
  override readonly name = "SensorTrouble";
}

/**
 * A head that runs with the settings of the draft on this machine's own address. It stores nothing outside a temporary folder: no map,
 * no recordings, no token.
 */
export class TrialHead {
  readonly url: string;
  readonly page: string;
  readonly client: HeadClient;
  /** Aborted when a sensor has stopped. */
  readonly trouble: AbortSignal;
  readonly #service: Service;
  readonly #folder: string;
  readonly #watch = new AbortController();
  #why: string | null = null;
  #heard = performance.now();

  private constructor(service: Service, folder: string, topics: ClientOptions["topics"]) {
    this.#service = service;
    this.#folder = folder;
    this.url = service.url;
    this.page = pageAddress(service.url);
    this.trouble = this.#watch.signal;
    this.client = new HeadClient({
      url: service.url,
      role: "watcher",
      name: "setup",
      topics: { pulse: 4, ...topics },
      makeSocket: (address, protocol) => new WebSocket(address, protocol) as unknown as Socket,
    });
    const { depth } = service.config;
    const first = depth.length === 0 ? FIRST_OF_DRIVER : FIRST_FRAME;
    let frames = 0;
    this.client.on("pulse", ({ sensors }) => {
      const [sensor] = sensors;
      if (sensor === undefined) return;
      this.#why = sensor.why;
      // Frames without a pose are skipped, and show all the same that the sensor works.
      const count = sensor.frames + sensor.skipped;
      if (count !== frames) this.#heard = performance.now();
      frames = count;
      const limit = frames === 0 && this.#why === null ? first : STOPPED_AFTER;
      if (performance.now() - this.#heard > limit)
        this.#watch.abort(new SensorTrouble(this.#said(sensor, frames)));
    });
  }

  #said({ name }: FromServer<"pulse">["sensors"][number], frames: number): string {
    const what = frames === 0 ? "has given no frame" : `has stopped`;
    return `${name} ${what}${this.#why === null ? "" : `: ${this.#why}`}. Check its cable and its supply, then type repeat`;
  }

  static async start(
    session: Session,
    config: DraftConfig,
    topics: ClientOptions["topics"],
  ): Promise<TrialHead> {
    const { scenario, port } = session;
    const folder = await mkdtemp(join(tmpdir(), "brinkmap-setup-"));
    const { sensors, depth, orientation, base, baseFromHead, headFromImu, ...rest } = config;
    const { settings, mostPixels, blind } = rest;
    const hardware =
      scenario === null ? { sensors, depth, orientation, base, baseFromHead, headFromImu } : {};
    const draft = {
      listen: { host: "127.0.0.1", port },
      pretrigger: { folder: join(folder, "pretrigger"), ...RING },
      ...defined({ settings, mostPixels, blind, ...hardware }),
    };
    const resolved = resolveConfig(draft);
    const player = scenario === null ? undefined : await playScenario(scenario);
    try {
      const service = await Service.start({
        config: { ...resolved, viewer: VIEWER ?? null },
        log: pino({ level: "silent" }),
        ...(player !== undefined && { player }),
        sources: (head) => (player === undefined ? startSources(resolved, head) : []),
      });
      return new TrialHead(service, folder, topics);
    } catch (error) {
      await rm(folder, { recursive: true, force: true });
      throw error;
    }
  }

  /** Calls `take` for each message until it returns something. @throws {SensorTrouble}, or the reason of `signal` */
  until<K extends "reach" | "pose" | "image" | "pulse", T>(
    kind: K,
    take: (message: FromServer<K>) => T | undefined,
    signal: AbortSignal,
  ): Promise<T> {
    const any = AbortSignal.any([signal, this.trouble]);
    return new Promise((resolve, reject) => {
      const end = this.client.on(kind, ((message: FromServer<K>) => {
        const value = take(message);
        if (value === undefined) return;
        end();
        resolve(value);
      }) as never);
      const fail = (): void => {
        end();
        reject(any.reason as Error);
      };
      if (any.aborted) fail();
      else any.addEventListener("abort", fail, { once: true });
    });
  }

  async stop(): Promise<void> {
    this.client.close();
    await this.#service.stop();
    await rm(this.#folder, { recursive: true, force: true });
  }
}

const defined = (fields: Readonly<Record<string, unknown>>): object =>
  Object.fromEntries(Object.entries(fields).filter(([, value]) => value !== undefined));

/** Runs `body` with a trial head, which is stopped afterwards. */
export async function withTrialHead<T>(
  session: Session,
  config: DraftConfig,
  topics: ClientOptions["topics"],
  body: (head: TrialHead) => Promise<T>,
): Promise<T> {
  const head = await TrialHead.start(session, config, topics);
  const { port } = new URL(head.page);
  session.talk.say(
    `The page of this trial head, for as long as this step lasts: ${head.page}`,
    `From another computer: ssh -L ${port}:127.0.0.1:${port} <this board>, then open it there.`,
    `A driver or a base that connects by the socket connects to ${head.url}.`,
  );
  try {
    return await body(head);
  } finally {
    await head.stop();
  }
}
