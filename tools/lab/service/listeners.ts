import { connect, createServer, type Socket as NetSocket, type Server } from "node:net";
import { WebSocket } from "ws";
import { HeadClient, type Socket } from "../../../src/client/client.ts";
import { headTime } from "../../../src/service/time.ts";

const sleep = (milliseconds: number) => new Promise((resolve) => setTimeout(resolve, milliseconds));

/** What watchers subscribe to, messages a second. */
export const TOPICS = { reach: 15, pose: 15, pulse: 1, map: 2 };

/** Passes bytes on at a limited rate from the head's side, with little buffering. */
export function slowLink(port: number, rate: number): Promise<Server> {
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

/** A client that notes the age of each reach, and its bytes. */
export class Listener {
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

/** A watcher that does not read its socket for a while. */
export class Stalling {
  readonly #socket: WebSocket;
  #heard: { time: number; sequence: number }[] = [];

  private constructor(socket: WebSocket) {
    this.#socket = socket;
    socket.on("message", (data) => {
      const message = JSON.parse(String(data)) as { kind: string; time: number; sequence: number };
      if (message.kind === "reach") this.#heard.push(message);
    });
  }

  static async open(url: string): Promise<Stalling> {
    const socket = new WebSocket(url, "brinkmap.1");
    await new Promise((resolve) => socket.once("open", resolve));
    socket.send(JSON.stringify({ kind: "hello", role: "watcher" }));
    const topics = Object.fromEntries(Object.entries(TOPICS).map(([name, rate]) => [name, { rate }]));
    socket.send(JSON.stringify({ kind: "subscribe", topics }));
    return new Stalling(socket);
  }

  pause(): void {
    this.#socket.pause();
  }

  /** Reads again. @returns how many old reaches came first, and milliseconds from now to the stamp of the newest */
  async resume(): Promise<{ old: number; newest: number }> {
    this.#heard = [];
    const resumed = headTime();
    this.#socket.resume();
    await sleep(1500);
    const old = this.#heard.filter(({ time }) => time < resumed - 200_000).length;
    return { old, newest: ((this.#heard[old]?.time ?? resumed) - resumed) / 1000 };
  }

  close(): void {
    this.#socket.terminate();
  }
}
