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
import type { Queued } from "./sockets/outbox.ts";
import type { Session } from "./sockets/session.ts";

/** What a mode may ask of the service that it is part of. */
export interface ModeHost {
  readonly config: Config;
  readonly log: Logger;
  readonly clients: Clients;
  /** These two are there once the service has been put together: not yet when a mode is constructed. */
  readonly head: HeadLink;
  readonly savedMap: SavedMap;
  /** The service cannot continue. */
  fail(error: Error, what: string): void;
  /** The head has gone back to the start of its recording: what was published of it is void. */
  headRestarted(): void;
  /** Makes another head of the mode's present parts. Connections are closed and come back. */
  replaceHead(reason: string): Promise<void>;
}

/** Requests that a live head and one that plays a recording answer in their own ways. */
export type ModeRequest = FromClient<"mark" | "keep" | "play" | "open">;

/** What a head does whose events come from elsewhere than sensors. */
export const DOES: Readonly<Record<Origin, string>> = {
  live: "is live",
  recording: "plays a recording",
  simulated: "simulates its sensors",
};

/** Where the head's events come from, and all that follows from it: sensors (LiveMode), or a recording (PlayingMode). */
export interface Mode {
  /** Only a live head may move a robot. */
  readonly origin: Origin;
  /** The recording that is played, and the folder of others; null on a head with sensors. */
  readonly played: Played | null;
  readonly recordings: RecordingsFolder | null;
  /** The recorder of the last minutes; null when there is none. */
  readonly pretrigger: PretriggerLink | null;
  /** Sensors, mounts and settings that come with the events. */
  parts(): HeadParts;
  /** The thread for a head; a new one for each call. */
  thread(): HeadThread;
  /** Takes up what an earlier run left, before anything connects. */
  prepare(): Promise<void>;
  /** Everything is ready: events may come. */
  begin(): void;
  /**
   * Whether a reach is too old to drive by.
   * @param age   of its evidence, and `holds`: up to which age it may be obeyed, for ever when absent; microseconds
   */
  lateness(age: number, holds?: number): "late" | "blind" | null;
  /** The waiver of a reach that goes out at `now`. */
  waiverIn(reach: Draft<"reach">["waiver"], now: number): Draft<"reach">["waiver"];
  /** Whether a kind of message is not taken from outside, because the head's events have another source. */
  refuses(kind: FromClient["kind"]): boolean;
  /** Writes something that has happened into the stream of events, where it is recorded. */
  record(text: string): void;
  /** Sees each message of the head, before anything else does. */
  hear(message: FromPlaying): void;
  /** Sees each message that goes to subscribers. */
  offered(topic: Queued, message: SharedMessage): void;
  /** The folder of recordings has one more. */
  recordingsChanged(): void;
  /** A client has subscribed. */
  subscribed(session: Session): void;
  /** @throws {WireError} when it cannot be done, or not in this mode */
  handle(session: Session, request: ModeRequest): Promise<void>;
  /** Ends what it started. */
  end(): Promise<void>;
}
