import { MessageChannel, type MessagePort, Worker } from "node:worker_threads";
import { WaiverInForce } from "../head/waiver.ts";
import type { Setup } from "../sense/events.ts";
import { WireError } from "../wire/codec.ts";
import type { Draft, FromClient } from "../wire/messages.ts";
import type { Mode, ModeHost, ModeRequest } from "./mode.ts";
import type { FromPlaying } from "./playing/playing-messages.ts";
import { PretriggerLink } from "./pretrigger/recorder-link.ts";
import type { FrameSlotMemory } from "./sensing/frame-slot.ts";
import type { HeadParts, HeadThread } from "./sensing/head-link.ts";
import type { Session } from "./sockets/session.ts";
import { threadScript } from "./threads.ts";
import { headTime } from "./time.ts";

/** A thread that supplies all events of a head instead of sensors: the simulator. */
export interface Player {
  readonly setup: Setup;
  readonly settings: Readonly<Record<string, unknown>>;
  /** The thread's script. Its data is a PlayerStart. */
  readonly script: URL;
  readonly data: unknown;
}

/** The data of a player's thread: the slots of its frames, and a port to the head's thread. */
export interface PlayerStart {
  readonly slots: readonly FrameSlotMemory[];
  readonly port: MessagePort;
  readonly data: unknown;
}

/** Kinds of events that the simulator supplies. A rehearsing base may still send the others: knocks, floorchecks, waivers. */
const SIMULATED: ReadonlySet<string> = new Set([
  "depth",
  "orientation",
  "inertial",
  "reference",
  "mount",
  "motion",
]);

/** The mode of a head whose events come from sensors, or from a simulator instead. */
export class LiveMode implements Mode {
  readonly origin: "live" | "simulated";
  readonly played = null;
  readonly recordings = null;
  readonly pretrigger: PretriggerLink | null;
  readonly #host: ModeHost;
  readonly #player: Player | null;
  #playerThread: Worker | null = null;
  readonly #waiver = new WaiverInForce();

  constructor(host: ModeHost, player: Player | null) {
    this.#host = host;
    this.#player = player;
    this.origin = player === null ? "live" : "simulated";
    const { config } = host;
    this.pretrigger =
      config.pretrigger === null
        ? null
        : new PretriggerLink(config.pretrigger, (text, isTrouble) =>
            host.clients.note("pretrigger", text, isTrouble ? "warn" : "info"),
          );
  }

  parts(): HeadParts {
    const { sensors, baseFromHead, headFromImu, settings, mostPixels } = this.#host.config;
    return {
      setup: this.#player?.setup ?? { sensors, baseFromHead, headFromImu },
      settings: { ...this.#player?.settings, ...settings },
      // A player writes the images into the head's slots by itself.
      mostPixels: this.#player === null ? mostPixels : 0,
    };
  }

  thread(): HeadThread {
    const port = this.pretrigger?.port ?? null;
    return {
      script: threadScript(import.meta.url, "./sensing/sensing-worker"),
      data: { pretrigger: port },
      port,
      hasWayThread: true,
    };
  }

  async prepare(): Promise<void> {
    const { savedMap, config, head } = this.#host;
    const byDefault = head.settings["pose.source"] === "tracked" ? "place" : false;
    await savedMap.prepare(config.map.load ?? byDefault);
  }

  begin(): void {
    const player = this.#player;
    if (player === null) return;
    const { head } = this.#host;
    const { port1, port2 } = new MessageChannel();
    head.connect(port1);
    const workerData: PlayerStart = { slots: head.slots, port: port2, data: player.data };
    this.#playerThread = new Worker(player.script, { workerData, transferList: [port2] });
    this.#playerThread.on("error", (error) => this.#host.fail(error, "the player failed"));
  }

  lateness(age: number, holds = Number.POSITIVE_INFINITY): "late" | "blind" | null {
    return age > this.#host.config.blind ? "blind" : age >= holds ? "late" : null;
  }

  /** The waiver as of `now`, because the evidence of a reach may be old or missing. */
  waiverIn(_reach: Draft<"reach">["waiver"], now: number): Draft<"reach">["waiver"] {
    return this.#waiver.at(now);
  }

  refuses(kind: FromClient["kind"]): boolean {
    return this.#player !== null && SIMULATED.has(kind);
  }

  record(text: string): void {
    this.#host.head.post({ kind: "event", event: { kind: "mark", time: headTime(), text } });
  }

  hear(message: FromPlaying): void {
    this.pretrigger?.watch(message);
    if (message.kind === "waiver") this.#waiver.follow(message);
  }

  offered(): void {}
  recordingsChanged(): void {}
  subscribed(): void {}

  async handle(session: Session, request: ModeRequest): Promise<void> {
    const { kind, id } = request;
    switch (kind) {
      case "mark": {
        const time = headTime();
        this.#host.head.post({ kind: "event", event: { kind: "mark", time, text: request.text } });
        this.#host.clients.note("mark", request.text);
        session.outbox!.reply({ kind: "done", id, text: `marked at ${time}` });
        break;
      }
      case "keep":
        this.#keep(request);
        session.outbox!.reply({
          kind: "done",
          id,
          text: "the recording will be listed once the time after this moment is in it",
        });
        break;
      case "play":
      case "open":
        throw new WireError("recording", kind, id, `${kind}: this head is live`);
      default:
        request satisfies never;
    }
  }

  #keep({ id, text }: FromClient<"keep">): void {
    const refuse = (why: string) => new WireError("recording", "keep", id, `keep: ${why}`);
    if (this.pretrigger === null) throw refuse("no folder to keep in: set pretrigger.folder");
    if (this.pretrigger.isFull) {
      throw refuse(
        "recordings that were asked for fill pretrigger.kept: remove some from the folder kept, then restart",
      );
    }
    this.pretrigger.keep("asked", text);
  }

  async end(): Promise<void> {
    await this.#playerThread?.terminate();
  }
}
