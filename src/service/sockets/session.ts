import type { WebSocket } from "ws";
import { type Form, SharedMessage, WireError } from "../../wire/codec.ts";
import { decodeFromClient } from "../../wire/inbound.ts";
import {
  ALLOWED,
  type Draft,
  type FromClient,
  type Right,
  type Role,
  TOPICS,
  type WayGoal,
} from "../../wire/messages.ts";
import type { FloorStore } from "./floor-store.ts";
import type { Guest } from "./lobby.ts";
import type { MapStore } from "./map-store.ts";
import { Outbox } from "./outbox.ts";

/** Most messages a second of a client, by role; and the length of a burst at that rate, seconds. */
const RATE = { sensor: 4000, base: 1000, watcher: 200 } as const;
const BURST_SECONDS = 2;
/** A client is closed after this many refusals within ten seconds. */
const MOST_REFUSALS = 200;
const REFUSAL_WINDOW = 10_000_000;
/** Microseconds within which a connection must send hello. */
const HELLO_WITHIN = 3_000_000;
/** Microseconds: a client that leaves messages unread for longer is closed. */
const GONE_AFTER = 120_000_000;

/** WebSocket close codes. Source: RFC 6455, section 7.4.1, and its IANA registry (1012: service restart, 1013: try again later). */
export const CLOSE = {
  goingAway: 1001,
  policy: 1008,
  tooBig: 1009,
  restart: 1012,
  tryAgainLater: 1013,
} as const;

/** The service's interface for a session. */
export interface Host {
  readonly map: MapStore;
  readonly floor: FloorStore;
  now(): number;
  /**
   * Admits a client in its role. @returns the welcome
   * @throws {WireError} with code "token", "busy", "sensor" or "unfit"
   */
  admit(session: Session, hello: FromClient<"hello">): Promise<Draft<"welcome">>;
  /** Handles all messages except hello, seen, clock and subscribe. @throws {WireError} */
  handle(session: Session, message: FromClient): void;
  /** Called after each `subscribe`. */
  subscribed(session: Session): void;
  refused(code: string): void;
}

/** One connection: its rights, its outbox, and its rate limits. */
export class Session implements Guest {
  readonly id: string;
  /** Network address of the client. */
  readonly address: string;
  readonly #socket: WebSocket;
  readonly #host: Host;
  readonly #mostBytes: number;
  readonly opened: number;
  role: Role | null = null;
  rights: ReadonlySet<Right> = new Set();
  name = "";
  outbox: Outbox | null = null;
  /** The goal of its topic `way`; null before the first. */
  wayGoal: WayGoal | null = null;
  /** Kinds of messages that this head does not take and has already refused once. */
  readonly refusedKinds = new Set<string>();
  #form: Form = "binary";
  #isAdmitting = false;
  #early: { data: Uint8Array; isBinary: boolean }[] = [];
  #allowance = RATE.watcher * BURST_SECONDS;
  #allowanceAt: number;
  #refusals = 0;
  #refusalsSince: number;
  receivedMessages = 0;
  receivedBytes = 0;

  /**
   * @param from      number of the connection, and network address of the client
   * @param mostBytes longest message that is accepted
   */
  constructor(
    from: { readonly id: string; readonly address: string },
    socket: WebSocket,
    host: Host,
    mostBytes: number,
  ) {
    this.id = from.id;
    this.address = from.address;
    this.#socket = socket;
    this.#host = host;
    this.#mostBytes = mostBytes;
    this.opened = this.#allowanceAt = this.#refusalsSince = host.now();
    socket.on("message", (data, isBinary) => this.#receive(data as Buffer, isBinary));
    socket.on("pong", (data) => this.#pong(data));
    socket.on("close", () => this.outbox?.close());
    socket.on("error", () => {}); // a close event with a code follows
  }

  /** Name for people: the client's own name, or its role, with the number of its connection. */
  get called(): string {
    return `${this.name === "" ? this.role : this.name} (${this.id})`;
  }

  get mostBytes(): number {
    return this.#mostBytes;
  }

  close(code: number, reason: string): void {
    this.outbox?.close();
    this.#socket.close(code, reason.slice(0, 120));
    // Terminates a peer that does not answer the close.
    setTimeout(() => this.#socket.terminate(), 1000).unref();
  }

  /** Closes a client that has sent too much before its hello was accepted. Nothing more is read. */
  reject(why: string): void {
    this.close(CLOSE.tooBig, why);
    this.#socket.pause();
  }

  #pong(data: Buffer): void {
    const sequence = data.length === 6 ? data.readUIntBE(0, 6) : Number.NaN;
    if (!Number.isNaN(sequence)) this.outbox?.confirm(sequence);
  }

  #receive(data: Buffer, isBinary: boolean): void {
    if (this.#socket.readyState !== this.#socket.OPEN) return;
    this.receivedMessages++;
    this.receivedBytes += data.length;
    if (data.length > this.#mostBytes) {
      this.close(CLOSE.tooBig, `a message of this connection may have ${this.#mostBytes} bytes`);
      return;
    }
    if (!this.#isAllowed()) return;
    if (this.#isAdmitting) {
      // Messages right behind hello are few. With more the client does not wait for its welcome.
      if (this.#early.length >= 32) this.close(CLOSE.policy, "wait for welcome");
      else this.#early.push({ data: new Uint8Array(data), isBinary });
      return;
    }
    this.#take(data, isBinary);
  }

  #take(data: Uint8Array, isBinary: boolean): void {
    try {
      const text = isBinary ? data : Buffer.from(data.buffer, data.byteOffset, data.length).toString("utf8");
      if (this.role === null) this.#form = isBinary ? "binary" : "text";
      this.#dispatch(decodeFromClient(text));
    } catch (error) {
      if (!(error instanceof WireError)) throw error;
      this.#refuse(error);
    }
  }

  #dispatch(message: FromClient): void {
    if (message.kind === "hello") {
      if (this.role !== null) throw new WireError("order", "hello", null, "hello: it was sent before");
      this.#isAdmitting = true;
      void this.#admit(message);
      return;
    }
    if (this.role === null) {
      throw new WireError("order", message.kind, null, `${message.kind}: say hello first`);
    }
    if (!ALLOWED[this.role].has(message.kind)) {
      const roles = Object.entries(ALLOWED).filter(([, kinds]) => kinds.has(message.kind));
      throw new WireError(
        "role",
        message.kind,
        "id" in message ? (message.id ?? null) : null,
        `${message.kind}: a ${this.role} may not send it; it takes the role ${roles.map(([role]) => role).join(" or ")}`,
      );
    }
    switch (message.kind) {
      case "seen":
        this.outbox!.confirm(message.sequence);
        break;
      case "clock":
        this.outbox!.reply({
          kind: "clock",
          sent: message.sent,
          received: this.#host.now(),
          replied: this.#host.now(),
        });
        break;
      case "subscribe":
        for (const topic of TOPICS) {
          const wish = message.topics[topic];
          if (wish !== undefined) this.outbox!.subscribe(topic, wish.rate, "have" in wish ? wish.have : null);
        }
        this.wayGoal = message.topics.way?.goal ?? this.wayGoal;
        this.#host.subscribed(this);
        break;
      default:
        this.#host.handle(this, message);
    }
  }

  async #admit(hello: FromClient<"hello">): Promise<void> {
    try {
      const welcome = await this.#host.admit(this, hello);
      if (this.#socket.readyState !== this.#socket.OPEN) return;
      this.role = hello.role;
      this.rights = new Set(welcome.rights);
      this.name = hello.name ?? "";
      this.#allowance = RATE[this.role] * BURST_SECONDS;
      const backlog = (): number => this.#socket.bufferedAmount;
      this.outbox = new Outbox(
        {
          // A reach is sent uncompressed for low latency, and a loaded head has no time to compress.
          send: (data) => {
            const isBusy = (this.outbox?.stretch ?? 1) > 1;
            this.#socket.send(data, { compress: hello.role !== "base" && !isBusy });
          },
          ping: (sequence) => {
            const bytes = Buffer.alloc(6);
            bytes.writeUIntBE(sequence, 0, 6);
            this.#socket.ping(bytes);
          },
          get backlog(): number {
            return backlog();
          },
        },
        {
          form: this.#form,
          confirms: hello.confirms ?? false,
          map: this.#host.map,
          floor: this.#host.floor,
          now: () => this.#host.now(),
          overflow: () => this.close(CLOSE.tryAgainLater, "replies are not read"),
        },
      );
      this.outbox.reply(welcome);
    } catch (error) {
      if (!(error instanceof WireError)) throw error;
      this.#refuse(error);
      this.close(error.code === "busy" ? CLOSE.tryAgainLater : CLOSE.policy, error.message);
    } finally {
      this.#isAdmitting = false;
      const early = this.#early;
      this.#early = [];
      for (const { data, isBinary } of early) this.#take(data, isBinary);
    }
  }

  #refuse({ code, about, id, message }: WireError): void {
    this.#host.refused(code);
    const now = this.#host.now();
    if (now - this.#refusalsSince > REFUSAL_WINDOW) {
      this.#refusals = 0;
      this.#refusalsSince = now;
    }
    if (++this.#refusals > MOST_REFUSALS) {
      this.close(CLOSE.policy, "too many refused messages");
      return;
    }
    const draft: Draft<"error"> = { kind: "error", code, about, id, message };
    if (this.outbox !== null) this.outbox.reply(draft);
    else if (this.#socket.readyState === this.#socket.OPEN) this.#sendEarly(draft);
  }

  /** Sends a message before there is an outbox. There are only a few small ones, because refusals are limited. */
  #sendEarly(draft: Draft): void {
    this.#socket.send(new SharedMessage(draft).finish(this.#form, 1, this.#host.now()));
  }

  /** Token bucket. A flood is refused once, then the client is closed. */
  #isAllowed(): boolean {
    const now = this.#host.now();
    const rate = RATE[this.role ?? "watcher"];
    this.#allowance = Math.min(
      rate * BURST_SECONDS,
      this.#allowance + ((now - this.#allowanceAt) / 1e6) * rate,
    );
    this.#allowanceAt = now;
    if (this.#allowance < 1) {
      this.#refuse(new WireError("rate", "", null, `more than ${rate} messages a second`));
      this.close(CLOSE.policy, `more than ${rate} messages a second`);
      return false;
    }
    this.#allowance--;
    return true;
  }

  /** Periodic check of the connection. */
  check(now: number): void {
    if (this.role === null && now - this.opened > HELLO_WITHIN) this.close(CLOSE.policy, "no hello came");
    else if ((this.outbox?.silence ?? 0) > GONE_AFTER) this.#socket.terminate();
  }

  /** Sends an error for a request that was handled asynchronously. */
  fail(error: WireError): void {
    this.#refuse(error);
  }
}
