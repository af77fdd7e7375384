import type { FromServer, ServerKind } from "../wire/messages.ts";
import type { FloorMirror } from "./floor-mirror.ts";
import type { MapMirror } from "./mirror.ts";

/** Events of a client. Each handler gets the newest message; there is no backlog on this side. */
export interface ClientEvents {
  open: (welcome: FromServer<"welcome">) => void;
  /** The connection is closed. `retry` is milliseconds until the next attempt; null if the head refused further attempts. */
  closed: (event: { readonly code: number; readonly reason: string; readonly retry: number | null }) => void;
  reach: (reach: FromServer<"reach">) => void;
  pose: (pose: FromServer<"pose">) => void;
  pulse: (pulse: FromServer<"pulse">) => void;
  note: (note: FromServer<"note">) => void;
  brinks: (brinks: FromServer<"brinks">) => void;
  finding: (finding: FromServer<"finding">) => void;
  image: (image: FromServer<"image">) => void;
  ground: (ground: FromServer<"ground">) => void;
  trail: (trail: FromServer<"trail">) => void;
  /** The way to the goal of `watchWay`, when it has changed. */
  way: (way: FromServer<"way">) => void;
  /** Of a head that plays a recording. */
  playing: (playing: FromServer<"playing">) => void;
  recording: (recording: FromServer<"recording">) => void;
  baseline: (baseline: FromServer<"baseline">) => void;
  /** Keys of the blocks that changed; null when the whole map was replaced. */
  map: (keys: readonly number[] | null, mirror: MapMirror) => void;
  /** Keys of the tiles of the floor that changed; null when the whole map was replaced. */
  floor: (keys: readonly number[] | null, floor: FloorMirror) => void;
  error: (error: FromServer<"error">) => void;
}

/** Kinds of message that are passed to their handlers unchanged. */
export type HandedKind = Exclude<keyof ClientEvents & ServerKind, "map" | "floor" | "error">;

/** Handlers by event. */
export class Handlers {
  /** Functions of the types in ClientEvents, by their event. */
  readonly #sets = new Map<string, Set<unknown>>();

  /** @returns a function that removes the handler */
  add<K extends keyof ClientEvents>(event: K, handler: ClientEvents[K]): () => void {
    const set = this.#sets.get(event) ?? new Set();
    this.#sets.set(event, set);
    set.add(handler);
    return () => set.delete(handler);
  }

  call<K extends keyof ClientEvents>(event: K, ...given: Parameters<ClientEvents[K]>): void {
    for (const handler of this.#sets.get(event) ?? []) {
      (handler as (...given: Parameters<ClientEvents[K]>) => void)(...given);
    }
  }
}
