import { pino } from "pino";
import { WebSocket } from "ws";
import { type ClientOptions, HeadClient, type Socket } from "../../src/client/client.ts";
import { IDENTITY, OPTICAL_IN_BODY } from "../../src/geometry/rigid.ts";
import { SETTINGS } from "../../src/head/settings.ts";
import { OF_THIS_BASE } from "../../src/service/body-settings.ts";
import { resolveConfig } from "../../src/service/config.ts";
import { Service, type ServiceParts } from "../../src/service/service.ts";
import { headTime } from "../../src/service/time.ts";
import { decodeFromServer } from "../../src/wire/codec.ts";
import type { FromServer, ServerKind } from "../../src/wire/messages.ts";
import { SUBPROTOCOL } from "../../src/wire/messages.ts";
import type { SensorDeclaration } from "../../src/wire/shapes.ts";

export const makeSocket = (url: string, protocol: string): Socket =>
  new WebSocket(url, protocol) as unknown as Socket;

const WIDTH = 160;
const HEIGHT = 120;
const FOCAL = 110;
const LENS_HEIGHT = 0.5;

/** A camera looking straight ahead, half a metre above the floor. */
export const CAMERA: SensorDeclaration = {
  name: "front",
  optics: {
    model: "pinhole",
    width: WIDTH,
    height: HEIGHT,
    fx: FOCAL,
    fy: FOCAL,
    cx: (WIDTH - 1) / 2,
    cy: (HEIGHT - 1) / 2,
    measures: "z",
    unit: 0.001,
    minRange: 0.1,
    maxRange: 5,
  },
  mount: { on: "head", pose: { rotation: OPTICAL_IN_BODY, position: [0, 0, 0] } },
};

/** That camera's image of a floor and a wall `wall` metres ahead, as bytes for the wire. */
export function view(wall = 2): Uint8Array {
  const counts = new Uint16Array(WIDTH * HEIGHT);
  for (let v = 0; v < HEIGHT; v++) {
    const down = (v - (HEIGHT - 1) / 2) / FOCAL;
    const floor = down > 0 ? LENS_HEIGHT / down : Number.POSITIVE_INFINITY;
    counts.fill(Math.round(1000 * Math.min(wall, floor)), v * WIDTH, (v + 1) * WIDTH);
  }
  return new Uint8Array(counts.buffer);
}

/** For tests of other things than lateness: a frame is not late already when a busy machine gets to it. */
export const PATIENT = { blind: 5, settings: { "guard.hold": 1 } };

/** The shipped body, said to be this base's own. */
export const OWN_BODY = Object.fromEntries(OF_THIS_BASE.map((name) => [name, SETTINGS[name].default]));

/** A running service with that camera on a free port, and helpers to send it frames. */
export class LiveHead {
  readonly service: Service;
  readonly clients: HeadClient[] = [];
  #sequence = 0;

  private constructor(service: Service) {
    this.service = service;
  }

  /** @param settings fields of the settings file; with `settings: null` the base has no body of its own */
  static async start(
    settings: Record<string, unknown> = {},
    parts: Partial<ServiceParts> = {},
  ): Promise<LiveHead> {
    const config = resolveConfig({
      listen: { port: 0 },
      sensors: [CAMERA],
      baseFromHead: { rotation: [0, 0, 0, 1], position: [0, 0, LENS_HEIGHT] },
      ...settings,
      settings: settings["settings"] === null ? {} : { ...OWN_BODY, ...(settings["settings"] as object) },
    });
    return new LiveHead(await Service.start({ config, log: pino({ level: "silent" }), ...parts }));
  }

  client(options: Partial<ClientOptions> = {}): HeadClient {
    const client = new HeadClient({
      url: this.service.url,
      role: "watcher",
      makeSocket,
      now: headTime,
      ...options,
    });
    this.clients.push(client);
    return client;
  }

  async open(options: Partial<ClientOptions> = {}): Promise<HeadClient> {
    const client = this.client(options);
    await event(client, "open");
    return client;
  }

  /** Sends one frame with its pose; `x` metres ahead of the start. */
  look(sensor: HeadClient, x = 0, wall = 2): number {
    const time = headTime();
    const pose = { ...IDENTITY, position: [x, 0, 0] as const };
    sensor.observe({ kind: "reference", time, pose });
    const sequence = this.#sequence++;
    sensor.observe({
      kind: "depth",
      sensor: "front",
      time,
      sequence,
      form: "u16",
      counts: view(wall - x),
      amplitude: null,
    });
    return time;
  }

  /** Sends `frames` frames from 0 to `to` metres ahead, each after the head has answered the one before. */
  async drive(sensor: HeadClient, frames: number, to = 0): Promise<void> {
    let heard = -1;
    const stop = sensor.on("reach", ({ frame }) => {
      heard = frame;
    });
    sensor.subscribe({ reach: 100 });
    for (let i = 0; i < frames; i++) {
      this.look(sensor, (to * i) / frames);
      const sequence = this.#sequence - 1;
      await until(() => heard >= sequence, "the frame");
    }
    stop();
  }

  /** Waits for what the head says by itself twice a second: what was on its way before has arrived by then. */
  async pulses(count = 2): Promise<void> {
    const watcher = await this.open({ topics: { pulse: 10 } });
    let heard = 0;
    watcher.on("pulse", () => heard++);
    await until(() => heard >= count, "the pulse");
    watcher.close();
  }

  async stop(): Promise<void> {
    for (const client of this.clients) client.close();
    await this.service.stop();
  }
}

/** The next event of a client. */
export function event<
  K extends "open" | "reach" | "pose" | "pulse" | "note" | "finding" | "closed" | "error",
>(client: HeadClient, name: K): Promise<Parameters<Parameters<typeof client.on<K>>[1]>[0]> {
  return new Promise((resolve) => {
    const stop = client.on(name, ((message: never) => {
      stop();
      resolve(message);
    }) as never);
  });
}

/** Waits until `check` returns true: it looks every 5 ms, for what no event tells of. @throws {Error} naming `what` after ten seconds */
export async function until(check: () => boolean, what = "it"): Promise<void> {
  for (let i = 0; i < 2000; i++) {
    if (check()) return;
    await new Promise((resolve) => setTimeout(resolve, 5));
  }
  throw new Error(`${what} did not happen within 10 s`);
}

/** A plain WebSocket, for tests of behaviour that the typed client does not allow. */
export class RawClient {
  readonly socket: WebSocket;
  readonly messages: FromServer[] = [];
  closed: { code: number; reason: string } | null = null;
  error: string | null = null;

  constructor(
    url: string,
    options: { protocol?: string; headers?: Record<string, string>; autoPong?: boolean } = {},
  ) {
    const { protocol = SUBPROTOCOL, headers = {}, autoPong = true } = options;
    this.socket = new WebSocket(url, protocol, { headers, autoPong, perMessageDeflate: false });
    this.socket.on("message", (data, isBinary) => {
      const message = decodeFromServer(isBinary ? new Uint8Array(data as Buffer) : String(data));
      if (message !== null) this.messages.push(message);
    });
    this.socket.on("close", (code, reason) => {
      this.closed = { code, reason: reason.toString() };
    });
    this.socket.on("error", (error) => {
      this.error = error.message;
    });
  }

  of<K extends ServerKind>(kind: K): FromServer<K>[] {
    return this.messages.filter((message): message is FromServer<K> => message.kind === kind);
  }

  async opened(): Promise<this> {
    await until(() => this.socket.readyState === WebSocket.OPEN || this.closed !== null, "opening");
    return this;
  }

  say(message: object): void {
    this.socket.send(JSON.stringify(message));
  }
}
