import type { Logger } from "pino";
import type { SharedMessage } from "../../wire/codec.ts";
import type { Draft, Role } from "../../wire/messages.ts";
import { headTime } from "../time.ts";
import type { Queued } from "./outbox.ts";
import type { Session } from "./session.ts";

/** All open connections, and what they are told together. */
export class Clients {
  readonly #sessions = new Set<Session>();
  readonly #log: Logger;

  constructor(log: Logger) {
    this.#log = log;
  }

  add(session: Session): void {
    this.#sessions.add(session);
  }
  remove(session: Session): void {
    this.#sessions.delete(session);
  }

  /** Connections, whether they have said hello or not. */
  get sockets(): number {
    return this.#sessions.size;
  }

  /** Connections that have said hello. */
  get count(): number {
    let count = 0;
    for (const { role } of this.#sessions) if (role !== null) count++;
    return count;
  }

  countOf(role: Role): number {
    let count = 0;
    for (const session of this.#sessions) if (session.role === role) count++;
    return count;
  }

  /** Gives the newest message of a topic to everyone who has subscribed to it. */
  offer(topic: Queued, message: SharedMessage): void {
    for (const { outbox } of this.#sessions) outbox?.offer(topic, message);
  }

  /** Tells everyone who listens to notes, and the log: trouble with level "warn", which is logged with --quiet, too. */
  note(what: Draft<"note">["what"], text: string, level: "info" | "warn" = "info"): void {
    this.#log[level]({ what }, text);
    for (const { outbox } of this.#sessions) outbox?.note({ kind: "note", time: headTime(), what, text });
  }

  /** A finding goes to all bases, and to everyone who listens to notes. */
  tellFinding(finding: Draft<"finding">): void {
    for (const { role, outbox } of this.#sessions) {
      if (role === "base" || outbox?.wantsNotes) outbox?.reply(finding);
    }
  }

  /** The map has changed. */
  mapChanged(): void {
    for (const { outbox } of this.#sessions) outbox?.pump();
  }

  /** The highest rate at which any client wants a topic, messages a second. */
  rateOf(topic: Queued): number {
    let rate = 0;
    for (const { outbox } of this.#sessions) rate = Math.max(rate, outbox?.rateOf(topic) ?? 0);
    return rate;
  }

  /** Watchers get their messages at intervals that are `factor` times as long. */
  stretchWatchers(factor: number): void {
    for (const { role, outbox } of this.#sessions) {
      if (role === "watcher" && outbox !== null) outbox.stretch = factor;
    }
  }

  /** Closes connections that say no hello, or whose peer is gone. */
  check(now: number): void {
    for (const session of this.#sessions) session.check(now);
  }

  closeAll(code: number, reason: string): void {
    for (const session of this.#sessions) session.close(code, reason);
  }
}
