import { resolveSettings } from "../../head/settings.ts";
import { SharedMessage, WireError } from "../../wire/codec.ts";
import type { Draft, FromClient } from "../../wire/messages.ts";
import { troubleText } from "../file-trouble.ts";
import type { Mode, ModeHost, ModeRequest } from "../mode.ts";
import type { HeadParts, HeadThread } from "../sensing/head-link.ts";
import type { Queued } from "../sockets/outbox.ts";
import type { Session } from "../sockets/session.ts";
import { threadScript } from "../threads.ts";
import { headTime } from "../time.ts";
import type { FromPlaying } from "./playing-messages.ts";
import { type Played, RecordingsFolder, readPlayed } from "./recordings-folder.ts";

/** Kinds of events that come from the file, and so not from clients. */
const RECORDED: ReadonlySet<string> = new Set([
  "depth",
  "knock",
  "floorcheck",
  "waiver",
  "orientation",
  "inertial",
  "reference",
  "mount",
  "motion",
]);

/** The mode of a head that plays a recording under the control of watchers. */
export class PlayingMode implements Mode {
  readonly origin = "recording";
  readonly pretrigger = null;
  readonly recordings: RecordingsFolder | null;
  readonly #host: ModeHost;
  #played: Played;
  /** The newest message of each topic, for late subscribers: a paused recording sends none. */
  readonly #newest = new Map<Queued, SharedMessage>();
  #contents: Draft<"recording"> | null = null;
  /** Number of times that the contents were to be told. */
  #tellings = 0;
  /** The client that last moved the playback. */
  #moved: Draft<"playing">["moved"] = null;

  constructor(host: ModeHost, played: Played) {
    this.#host = host;
    this.#played = played;
    const { folder, most } = host.config.recordings;
    this.recordings = folder === null ? null : new RecordingsFolder(folder, most);
  }

  get played(): Played {
    return this.#played;
  }

  parts(): HeadParts {
    const { setup, settings } = this.#played;
    return { setup, settings: { ...settings, ...this.#host.config.settings }, mostPixels: 0 };
  }

  thread(): HeadThread {
    const data = { path: this.#played.path };
    return {
      script: threadScript(import.meta.url, "./playing-worker"),
      data,
      port: null,
      hasWayThread: false,
    };
  }

  async prepare(): Promise<void> {}
  begin(): void {}

  /** Nothing is late in a recording, which may be paused. */
  lateness(): null {
    return null;
  }

  waiverIn(reach: Draft<"reach">["waiver"]): Draft<"reach">["waiver"] {
    return reach;
  }

  refuses(kind: FromClient["kind"]): boolean {
    return RECORDED.has(kind);
  }

  record(): void {}

  hear(message: FromPlaying): void {
    switch (message.kind) {
      case "restarted":
        for (const topic of ["image", "ground", "trail"] as const) this.#newest.delete(topic);
        this.#host.headRestarted();
        break;
      case "playing": {
        const { epoch, change } = this.#host.map;
        this.#offer(
          "playing",
          new SharedMessage({ ...message, time: headTime(), map: { epoch, change }, moved: this.#moved }),
        );
        break;
      }
      case "baseline":
        this.#offer("baseline", new SharedMessage({ ...message, time: headTime() }));
        break;
      case "recording":
        void this.#tellContents(message);
        break;
      default: // as with a live head
    }
  }

  #offer(topic: Queued, message: SharedMessage): void {
    this.offered(topic, message);
    this.#host.clients.offer(topic, message);
  }

  recordingsChanged(): void {
    if (this.#contents !== null) void this.#tellContents(this.#contents);
  }

  async #tellContents({
    length,
    frames,
    moments,
    lost,
    known,
    curve,
    before,
    world,
  }: Omit<Draft<"recording">, "kind" | "name" | "names" | "most">) {
    const turn = ++this.#tellings;
    const names = await this.#names();
    // The folder was read for newer contents meanwhile: these would arrive after them.
    if (turn !== this.#tellings) return;
    const { name } = this.#played;
    const most = this.recordings?.most ?? null;
    const contents = { length, frames, moments, lost, known, curve, before, world };
    this.#contents = { kind: "recording", ...contents, name, names, most };
    this.#offer("recording", new SharedMessage(this.#contents));
  }

  /** Names of the other recordings; none when the folder cannot be read, which is logged. */
  async #names(): Promise<string[]> {
    try {
      return (await this.recordings?.names()) ?? [];
    } catch (error) {
      this.#host.log.warn({ why: troubleText(error) }, "the folder of recordings cannot be read");
      return [];
    }
  }

  offered(topic: Queued, message: SharedMessage): void {
    this.#newest.set(topic, message);
  }

  subscribed({ role, outbox }: Session): void {
    if (role !== "watcher") return;
    for (const [topic, message] of this.#newest) outbox?.offer(topic, message);
  }

  async handle(session: Session, request: ModeRequest): Promise<void> {
    const { kind, id } = request;
    switch (kind) {
      case "mark":
        this.#host.head.post({ kind: "bookmark", text: request.text });
        this.#host.clients.note("mark", request.text);
        session.outbox!.reply({ kind: "done", id, text: `marked at ${headTime()}` });
        break;
      case "keep":
        throw new WireError("recording", kind, id, "keep: no folder to keep in: set pretrigger.folder");
      case "play": {
        const { kind: _, id: __, ...wish } = request;
        this.#moved = moverOf(session);
        await this.#host.head.request<"done">((ticket) => ({ kind: "play", ticket, wish }));
        session.outbox!.reply({ kind: "done", id, text: "on its way" });
        break;
      }
      case "open":
        await this.#open(request.recording);
        this.#moved = moverOf(session);
        break;
      default:
        request satisfies never;
    }
  }

  /** Plays another recording of the folder. @throws {WireError} when there is none of this name, or it cannot be played */
  async #open(name: string): Promise<void> {
    const refuse = (why: string) => new WireError("recording", "open", null, `open: ${why}`);
    const found = this.recordings?.find(name).catch((error: Error) => {
      throw refuse(`the folder of recordings cannot be read: ${troubleText(error)}`);
    });
    const path = (await found) ?? null;
    if (path === null) throw refuse(`there is no recording "${name}"`);
    let played: Played;
    try {
      played = await readPlayed(path);
      resolveSettings({ ...played.settings, ...this.#host.config.settings });
    } catch (error) {
      throw refuse(`"${name}" cannot be played: ${troubleText(error)}`);
    }
    this.#played = played;
    this.#newest.clear();
    this.#contents = null;
    await this.#host.replaceHead(`${name} is played now`);
  }

  async end(): Promise<void> {}
}

const moverOf = ({ id, called, address }: Session): NonNullable<Draft<"playing">["moved"]> => ({
  session: id,
  by: `${called}, ${address}`,
});
