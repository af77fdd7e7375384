import { SharedMessage, WireError } from "../../wire/codec.ts";
import type { PlacedGoal, WayGoal } from "../../wire/messages.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import type { Clients } from "../sockets/clients.ts";
import type { Session } from "../sockets/session.ts";
import { placedAt } from "./spot-goal.ts";
import type { WatchedWay } from "./way-messages.ts";

/** Most goals that are watched at a time: each look at a way takes up to 2 ms, twenty times a second. */
const MOST_WATCHED = 8;

interface Parts {
  readonly head: HeadLink;
  readonly clients: Clients;
  /** Why no way is told now; null when nothing is against it. */
  whyNone(): string | null;
}

/** The topic `way`: each client that has subscribed to it gets the way to its own goal, whenever it has changed. */
export class WayTopic {
  readonly #parts: Parts;
  readonly #watched = new Map<Session, { readonly watch: number; readonly goal: WayGoal }>();
  #next = 1;

  constructor(parts: Parts) {
    this.#parts = parts;
  }

  /** Begins and ends watching as clients subscribe and leave. @throws {WireError} when a client's wish is refused */
  refresh(): void {
    const { head, clients } = this.#parts;
    const wishes = new Map<Session, WayGoal>();
    for (const session of clients.sessions) {
      const isWished = (session.outbox?.rateOf("way") ?? 0) > 0;
      if (isWished && session.wayGoal !== null) wishes.set(session, session.wayGoal);
    }
    for (const [session, { watch, goal }] of [...this.#watched]) {
      if (wishes.get(session) === goal) continue;
      this.#watched.delete(session);
      head.watchWay(watch, null);
    }
    for (const [session, goal] of wishes) {
      if (this.#watched.has(session)) continue;
      const why = this.#watched.size >= MOST_WATCHED ? "too many goals are watched" : this.#parts.whyNone();
      if (why !== null) {
        session.wayGoal = null;
        throw new WireError("busy", "subscribe", null, `subscribe: way: ${why}`);
      }
      let placed: PlacedGoal;
      try {
        placed = placedAt(goal, head.settings["map.spots"]);
      } catch (error) {
        session.wayGoal = null;
        throw error;
      }
      const watch = this.#next++;
      this.#watched.set(session, { watch, goal });
      head.watchWay(watch, placed);
    }
  }

  hear({ watch, time, revision, to, answer: { way, whyNot } }: WatchedWay): void {
    for (const [session, known] of this.#watched) {
      if (known.watch !== watch) continue;
      session.outbox?.offer("way", new SharedMessage({ kind: "way", time, revision, to, way, whyNot }));
    }
  }
}
