import type { Logger } from "pino";
import type { SharedMessage } from "../../wire/codec.ts";
import type { Draft, Role } from "../../wire/messages.ts";
import { headTime } from "../time.ts";
import type { Queued } from "./outbox.ts";
import type { Session } from "./session.ts";

/** All open connections, and messages to all of them. */
export class Clients {
  readonly #sessions = new Set<Session>();
  readonly #log: Logger;

  constructor(log: Logger) {
    this.#log = log;
  }

  /** All open connections, before and after hello. */
  get sessions(): Iterable<Session> {
    return this.#sessions;
  }

  add(session: Session): void {
    this.#sessions.add(session);
  }
  remove(session: Session): void {
    this.#sessions.delete(session);
  }

  /** Number of connections, before and after hello. */
  get sockets(): number {
    return this.#sessions.size;
  }

  /** Number of connections after hello. */
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

  /** Queues the newest message of a topic for all its subscribers. */
  offer(topic: Queued, message: SharedMessage): void {
    for (const { outbox } of this.#sessions) outbox?.offer(topic, message);
  }

  /** Sends a note to its subscribers and to the log. Errors have the level "warn", which is also logged with --quiet. */
  note(what: Draft<"note">["what"], text: string, level: "info" | "warn" = "info"): void {
    this.#log[level]({ what }, text);
    for (const { outbox } of this.#sessions) outbox?.note({ kind: "note", time: headTime(), what, text });
  }

  /** Sends a finding to all bases, and to the subscribers of notes. */
  tellFinding(finding: Draft<"finding">): void {
    for (const { role, outbox } of this.#sessions) {
      if (role === "base" || outbox?.wantsNotes) outbox?.reply(finding);
    }
  }

  /** Called after a change of the map. */
  mapChanged(): void {
    for (const { outbox } of this.#sessions) outbox?.pump();
  }

  /** The highest subscribed rate of a topic, messages a second. */
  rateOf(topic: Queued): number {
    let rate = 0;
    for (const { outbox } of this.#sessions) rate = Math.max(rate, outbox?.rateOf(topic) ?? 0);
    return rate;
  }

  /** Multiplies the intervals of messages to watchers by a factor. */
  stretchWatchers(factor: number): void {
    for (const { role, outbox } of this.#sessions) {
      if (role === "watcher" && outbox !== null) outbox.stretch = factor;
    }
  }

  /** Closes connections that send no hello, or whose peer is gone. */
  check(now: number): void {
    for (const session of this.#sessions) session.check(now);
  }

  closeAll(code: number, reason: string): void {
    for (const session of this.#sessions) session.close(code, reason);
  }
}
