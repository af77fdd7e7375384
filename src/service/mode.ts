import type { Logger } from "pino";
import type { SharedMessage } from "../wire/codec.ts";
import type { Draft, FromClient, Origin } from "../wire/messages.ts";
import type { Config } from "./config.ts";
import type { SavedMap } from "./maps/saved-map.ts";
import type { FromPlaying } from "./playing/playing-messages.ts";
import type { Played, RecordingsFolder } from "./playing/recordings-folder.ts";
import type { PretriggerLink } from "./pretrigger/recorder-link.ts";
import type { HeadLink, HeadParts, HeadThread } from "./sensing/head-link.ts";
import type { Clients } from "./sockets/clients.ts";
import type { MapStore } from "./sockets/map-store.ts";
import type { Queued } from "./sockets/outbox.ts";
import type { Session } from "./sockets/session.ts";

/** The interface of the service to its mode. */
export interface ModeHost {
  readonly config: Config;
  readonly log: Logger;
  readonly clients: Clients;
  /** The published map. */
  readonly map: Pick<MapStore, "epoch" | "change">;
  /** These two exist once the service is constructed, and not yet in a mode's constructor. */
  readonly head: HeadLink;
  readonly savedMap: SavedMap;
  /** Reports a fatal error of the service. */
  fail(error: Error, what: string): void;
  /** Reports that the head has restarted its recording: the published map is void. */
  headRestarted(): void;
  /** Replaces the head by one made of the mode's present parts. Connections are closed, and clients reconnect. */
  replaceHead(reason: string): Promise<void>;
}

/** Requests that a live head and one that plays a recording answer in their own ways. */
export type ModeRequest = FromClient<"mark" | "keep" | "play" | "open">;

/** What a head does, by the origin of its events, for messages. */
export const DOES: Readonly<Record<Origin, string>> = {
  live: "is live",
  recording: "plays a recording",
  simulated: "simulates its sensors",
};

/** The source of the head's events and everything that depends on it: sensors (LiveMode), or a recording (PlayingMode). */
export interface Mode {
  /** Only a live head may move a robot. */
  readonly origin: Origin;
  /** The played recording, and the folder of others; null on a head with sensors. */
  readonly played: Played | null;
  readonly recordings: RecordingsFolder | null;
  /** The pre-trigger recorder; null without one. */
  readonly pretrigger: PretriggerLink | null;
  /** Sensors, mounts and settings that come with the events. */
  parts(): HeadParts;
  /** Makes the thread of a head; a new one in each call. */
  thread(): HeadThread;
  /** Restores the state of an earlier run, before anything connects. */
  prepare(): Promise<void>;
  /** Starts the events, once everything is ready. */
  begin(): void;
  /**
   * Whether a reach is too old to drive by.
   * @param age   of its evidence, and `holds`: the age up to which it may be obeyed, unlimited when absent; microseconds
   */
  lateness(age: number, holds?: number): "late" | "blind" | null;
  /** The waiver of a reach that is sent at `now`. */
  waiverIn(reach: Draft<"reach">["waiver"], now: number): Draft<"reach">["waiver"];
  /** Whether a kind of message is refused from clients, because the head's events have another source. */
  refuses(kind: FromClient["kind"]): boolean;
  /** Writes a mark into the stream of events, where it is recorded. */
  record(text: string): void;
  /** Gets each message of the head before all other receivers. */
  hear(message: FromPlaying): void;
  /** Gets each message that is sent to subscribers. */
  offered(topic: Queued, message: SharedMessage): void;
  /** Called when a recording was added to the folder. */
  recordingsChanged(): void;
  /** Called when a client has subscribed. */
  subscribed(session: Session): void;
  /** @throws {WireError} when it cannot be done, or not in this mode */
  handle(session: Session, request: ModeRequest): Promise<void>;
  /** Ends the threads that it started. */
  end(): Promise<void>;
}
