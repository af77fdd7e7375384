import { ClockFilter } from "../wire/clock.ts";
import { decodeFromServer, encodeForServer } from "../wire/codec.ts";
import {
  type Answer,
  type FromClient,
  type FromServer,
  type Question,
  type Role,
  type SettingRow,
  SUBPROTOCOL,
  type Topic,
  type WayGoal,
} from "../wire/messages.ts";
import type { SensorDeclaration } from "../wire/shapes.ts";
import { FloorMirror } from "./floor-mirror.ts";
import { type ClientEvents, type HandedKind, Handlers } from "./handlers.ts";
import { MapMirror } from "./mirror.ts";
import { PendingRequests, RequestError } from "./pending-requests.ts";

export type { ClientEvents };
export { RequestError };

/** The part of a WebSocket that is used: a browser's own has it, and so has the `ws` package's. */
export interface Socket {
  binaryType: string;
  readonly bufferedAmount: number;
  onopen: ((event: never) => void) | null;
  onmessage: ((event: { data: unknown }) => void) | null;
  onclose: ((event: { code: number; reason: string }) => void) | null;
  onerror: ((event: never) => void) | null;
  send(data: string | Uint8Array): void;
  close(code?: number, reason?: string): void;
}
export type MakeSocket = (url: string, protocol: string) => Socket;

export interface ClientOptions {
  readonly url: string;
  readonly role: Role;
  readonly name?: string;
  readonly token?: string;
  /** Role base: connect also to a head that plays a recording or simulates; see `welcome.origin`. */
  readonly rehearse?: boolean;
  /** Messages a second at most, by topic. */
  readonly topics?: Readonly<Partial<Record<Topic, number>>>;
  /** Role sensor: the sensors whose frames will be sent. */
  readonly sensors?: readonly SensorDeclaration[];
  /** By default the platform's own WebSocket; in Node 20, pass one made with the `ws` package. */
  readonly makeSocket?: MakeSocket;
  /** Microseconds of this side's monotonic clock. */
  readonly now?: () => number;
}

type Unstamped = FromClient<
  "depth" | "orientation" | "inertial" | "reference" | "mount" | "motion" | "knock" | "floorcheck" | "waiver"
>;

const FIRST_RETRY = 100; // milliseconds
const MOST_RETRY = 5000;
const CLOCK_EVERY = 2000;
const FIRST_CLOCKS = 4;
/** Close codes after which a retry is pointless. */
const FOR_GOOD = 1008;

/**
 * A connection to a head that reconnects by itself, with back-off, and resumes the map. Each message is
 * confirmed after it was handled, so the head sends no faster than this side reads.
 */
export class HeadClient {
  readonly #options: ClientOptions;
  readonly #now: () => number;
  readonly #make: MakeSocket;
  readonly mirror = new MapMirror();
  /** The map of the floor; needs the topic `floor`. */
  readonly floor = new FloorMirror();
  readonly #handlers = new Handlers();
  #clock = new ClockFilter();
  #socket: Socket | null = null;
  #isOpen = false;
  #isClosed = false;
  #retry = FIRST_RETRY;
  #retryTimer: ReturnType<typeof setTimeout> | null = null;
  #clockTimer: ReturnType<typeof setInterval> | null = null;
  readonly #pending = new PendingRequests();
  #welcome: FromServer<"welcome"> | null = null;
  #watchedWay: { readonly rate: number; readonly goal: WayGoal } | null = null;
  #dropped = 0;
  /** For each sensor, the stamp of the `clock` message after its last frame, until the head's reply confirms that it was read. */
  readonly #onTheirWay = new Map<string, number>();

  constructor(options: ClientOptions) {
    this.#options = options;
    this.#now = options.now ?? (() => Math.round(performance.now() * 1000));
    this.#make =
      options.makeSocket ??
      ((url, protocol) => {
        const Native = (globalThis as { WebSocket?: new (url: string, protocol: string) => Socket })
          .WebSocket;
        if (Native === undefined) throw new RangeError("there is no WebSocket here; pass makeSocket");
        return new Native(url, protocol);
      });
    this.#connect();
  }

  on<K extends keyof ClientEvents>(event: K, handler: ClientEvents[K]): () => void {
    return this.#handlers.add(event, handler);
  }

  /** The head's `welcome` of the latest connection; null before the first. */
  get welcome(): FromServer<"welcome"> | null {
    return this.#welcome;
  }

  /** Number of observations that were dropped, without a connection or while the last frame was still unread. */
  get dropped(): number {
    return this.#dropped;
  }

  get isOpen(): boolean {
    return this.#isOpen;
  }

  /** The head's clock now, microseconds; null until it is known. Its error is at most half the delay. */
  headTime(): number | null {
    const best = this.#clock.best;
    return best === null ? null : Math.round(this.#now() + best.offset);
  }

  get clock(): { readonly offset: number; readonly delay: number } | null {
    return this.#clock.best;
  }

  #connect(): void {
    this.#retryTimer = null;
    const { url, role } = this.#options;
    const socket = this.#make(role === "sensor" ? `${url}?frames=1` : url, SUBPROTOCOL);
    socket.binaryType = "arraybuffer";
    this.#socket = socket;
    socket.onopen = () => this.#sayHello();
    socket.onmessage = ({ data }) => {
      if (this.#socket === socket) this.#receive(data);
    };
    socket.onerror = () => {}; // a close follows
    socket.onclose = ({ code, reason }) => {
      if (this.#socket === socket) this.#lost(code, reason);
    };
  }

  #sayHello(): void {
    const { role, name, token, rehearse, sensors } = this.#options;
    this.#send({
      kind: "hello",
      role,
      confirms: true,
      ...(rehearse !== undefined && { rehearse }),
      ...(name !== undefined && { name }),
      ...(token !== undefined && { token }),
      ...(sensors !== undefined && { sensors }),
    });
  }

  #lost(code: number, reason: string): void {
    this.#socket = null;
    this.#isOpen = false;
    if (this.#clockTimer !== null) clearInterval(this.#clockTimer);
    this.#pending.refuseAll(new RequestError("closed", "the connection closed before the answer came"));
    const isOver = this.#isClosed || code === FOR_GOOD;
    // Random jitter, or all clients of a restarted head would reconnect at once.
    const retry = isOver ? null : this.#retry * (0.75 + 0.5 * Math.random());
    this.#retry = Math.min(MOST_RETRY, this.#retry * 2);
    this.#handlers.call("closed", { code, reason, retry });
    if (retry !== null) this.#retryTimer = setTimeout(() => this.#connect(), retry);
  }

  /** Closes the connection permanently. */
  close(): void {
    this.#isClosed = true;
    if (this.#retryTimer !== null) clearTimeout(this.#retryTimer);
    this.#socket?.close(1000, "bye");
  }

  #send(message: FromClient): void {
    this.#socket?.send(encodeForServer(message, "binary"));
  }

  #receive(data: unknown): void {
    const bytes = typeof data === "string" ? data : new Uint8Array(data as ArrayBuffer);
    const message = decodeFromServer(bytes);
    if (message === null) return; // of a later version
    this.#handle(message);
    this.#send({ kind: "seen", sequence: message.sequence });
  }

  #handle(message: FromServer): void {
    switch (message.kind) {
      case "welcome":
        this.#opened(message);
        break;
      case "clock":
        this.#exchanged(message);
        break;
      case "patch": {
        this.#handlers.call("map", this.mirror.apply(message), this.mirror);
        break;
      }
      case "floor":
        this.#handlers.call("floor", this.floor.apply(message), this.floor);
        break;
      case "reach":
      case "pose":
      case "pulse":
      case "brinks":
      case "finding":
      case "image":
      case "ground":
      case "trail":
      case "way":
      case "playing":
      case "baseline":
      case "recording":
      case "note":
        this.#hand(message);
        break;
      case "answer":
      case "settings":
      case "done":
        this.#pending.answer(message);
        break;
      case "error": {
        const error = new RequestError(message.code, message.message);
        const isAnswer = message.id !== null && this.#pending.refuse(message.id, error);
        if (!isAnswer) this.#handlers.call("error", message);
        break;
      }
      default:
        message satisfies never;
    }
  }

  #opened(welcome: FromServer<"welcome">): void {
    this.#welcome = welcome;
    this.#isOpen = true;
    this.#onTheirWay.clear();
    this.#retry = FIRST_RETRY;
    this.#clock = new ClockFilter();
    const ask = () => this.#send({ kind: "clock", sent: this.#now() });
    for (let i = 0; i < FIRST_CLOCKS; i++) ask();
    this.#clockTimer = setInterval(ask, CLOCK_EVERY);
    this.subscribe(this.#options.topics ?? {});
    if (this.#watchedWay !== null) this.#send({ kind: "subscribe", topics: { way: this.#watchedWay } });
    this.#handlers.call("open", welcome);
  }

  /** Changes the rates; map and floor continue from the last received change. */
  subscribe(rates: Readonly<Partial<Record<Topic, number>>>): void {
    const topics = Object.fromEntries(
      Object.entries(rates).map(([topic, rate]) => {
        const mirror = topic === "map" ? this.mirror : topic === "floor" ? this.floor : null;
        return [topic, { rate, ...(mirror !== null && mirror.epoch !== "" && { have: mirror.have }) }];
      }),
    );
    if (Object.keys(topics).length > 0) this.#send({ kind: "subscribe", topics });
  }

  /**
   * Asks for the way to a goal whenever it has changed, also after a reconnection. It comes to the handlers of `way`.
   * @param goal null ends it; @param rate messages a second at most
   */
  watchWay(goal: WayGoal | null, rate = 20): void {
    this.#watchedWay = goal === null ? null : { rate, goal };
    if (this.#isOpen) this.#send({ kind: "subscribe", topics: { way: this.#watchedWay ?? { rate: 0 } } });
  }

  /**
   * Sends an observation. A frame is dropped, not queued, while its sensor's last frame is unread, because the next is newer.
   * The sockets' buffers hold a second of frames, so only the head's reply shows what was read.
   * @returns whether it was sent
   */
  observe(observation: Unstamped): boolean {
    const isFull = observation.kind === "depth" && this.#onTheirWay.has(observation.sensor);
    if (!this.#isOpen || isFull) {
      this.#dropped++;
      return false;
    }
    this.#send(observation);
    if (observation.kind === "depth") {
      const sent = this.#now();
      this.#onTheirWay.set(observation.sensor, sent);
      this.#send({ kind: "clock", sent });
    }
    return true;
  }

  /**
   * Role base: a command for the motor board on the head's serial line. Repeat it while it is wanted.
   * @param wish m/s, rad/s, and seconds for which it holds; 1 at most
   * @returns whether it was sent
   */
  drive(wish: Omit<FromClient<"drive">, "kind">): boolean {
    if (this.#isOpen) this.#send({ kind: "drive", ...wish });
    return this.#isOpen;
  }

  #exchanged({ sent, received, replied }: FromServer<"clock">): void {
    let isBehindFrame = false;
    for (const [sensor, behind] of this.#onTheirWay) {
      if (behind !== sent) continue;
      this.#onTheirWay.delete(sensor);
      isBehindFrame = true;
    }
    // A reply that waited behind a frame is useless for the clock offset.
    if (!isBehindFrame) this.#clock.add(sent, received, replied, this.#now());
  }

  #request<T extends FromServer>(make: (id: number) => FromClient): Promise<T> {
    if (!this.#isOpen) return Promise.reject(new RequestError("closed", "not connected"));
    return this.#pending.add<T>((id) => this.#send(make(id)));
  }

  /** @throws {RequestError} */
  async ask(question: Question): Promise<Answer> {
    return (await this.#request<FromServer<"answer">>((id) => ({ kind: "ask", id, question }))).answer;
  }

  /**
   * All settings, after those in `change` were changed.
   * @param confirm true to confirm a change that loosens a stop, after the head has asked for confirmation
   * @throws {RequestError} with the code "confirm" when the head asks for confirmation
   */
  async settings(
    change?: Readonly<Record<string, number | string>>,
    { confirm = false } = {},
  ): Promise<Readonly<Record<string, number | string>>> {
    const message = (id: number): FromClient => ({
      kind: "settings",
      id,
      ...(change && { change }),
      ...(confirm && { confirm }),
    });
    return (await this.#request<FromServer<"settings">>(message)).values;
  }

  /** All settings, with the meaning and bounds of each. @throws {RequestError} */
  async explainSettings(): Promise<{
    readonly values: Readonly<Record<string, number | string>>;
    readonly rows: Readonly<Record<string, SettingRow>>;
  }> {
    const message = (id: number): FromClient => ({ kind: "settings", id, explain: true });
    const { values, rows = {} } = await this.#request<FromServer<"settings">>(message);
    return { values, rows };
  }

  /** Calls the handlers of a message's kind. */
  #hand<K extends HandedKind>(message: FromServer<K>): void {
    this.#handlers.call(message.kind as HandedKind, message as never);
  }

  /** @throws {RequestError} */
  async map(action: FromClient<"map">["action"]): Promise<string> {
    return (await this.#request<FromServer<"done">>((id) => ({ kind: "map", id, action }))).text;
  }

  /** @throws {RequestError} */
  async mark(text: string): Promise<void> {
    await this.#request<FromServer<"done">>((id) => ({ kind: "mark", id, text }));
  }

  /** Keeps the last minutes and what follows as a recording. @throws {RequestError} */
  async keep(text: string): Promise<void> {
    await this.#request<FromServer<"done">>((id) => ({ kind: "keep", id, text }));
  }

  /** Seeks in the recording that the head plays. @throws {RequestError} */
  async play(wish: Omit<FromClient<"play">, "kind" | "id">): Promise<void> {
    await this.#request<FromServer<"done">>((id) => ({ kind: "play", id, ...wish }));
  }

  /** Plays another recording: the connection ends, and reconnects to it. @throws {RequestError} */
  async openRecording(recording: string): Promise<void> {
    try {
      await this.#request<FromServer<"done">>((id) => ({ kind: "open", id, recording }));
    } catch (error) {
      if (!(error instanceof RequestError && error.code === "closed")) throw error;
    }
  }
}
