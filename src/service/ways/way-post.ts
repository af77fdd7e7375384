import type { MessagePort } from "node:worker_threads";
import type { FloorSource } from "../../guard/footing.ts";
import type { ColumnSource } from "../../map/layers.ts";
import { FloorChanges } from "./floor-changes.ts";
import { WayDesk } from "./way-desk.ts";
import type { FromWays, ToWays } from "./way-messages.ts";

/**
 * Tiles of the floor that are looked at in one go. A tile takes up to 7 microseconds, and a frame waits meanwhile. A home of 100 m2 has about 60,
 * with the walls around it.
 */
const MOST_TILES = 50;

interface Sources {
  readonly floorSource: FloorSource;
  readonly columnSource: ColumnSource;
}

type Ask = Extract<ToWays, { kind: "ask" }>;

/**
 * Passes questions for ways on to another thread, which has a copy of the floor, and keeps the copy up to date. Without such a thread it answers
 * by itself.
 */
export class WayPost {
  readonly #sources: Sources;
  #changes = new FloorChanges();
  /** Questions that wait until the copy is up to date. */
  #asked: Ask[] = [];
  #mostTiles = Number.POSITIVE_INFINITY;
  #send: (message: ToWays) => void;

  /** @param say gets the answers, if no other thread gives them */
  constructor(sources: Sources, say: (message: FromWays) => void, now: () => number) {
    this.#sources = sources;
    const desk = new WayDesk(say, now);
    this.#send = (message) => desk.take(message);
  }

  /** From now on another thread answers. */
  connect(port: MessagePort): void {
    this.#changes = new FloorChanges();
    this.#mostTiles = MOST_TILES;
    this.#send = (message) => {
      const moved = message.kind === "floor" ? [message.places.buffer, message.cells.buffer] : [];
      port.postMessage(message, moved as ArrayBuffer[]);
    };
  }

  ask(question: Ask): void {
    this.#asked.push(question);
    this.tick();
  }

  /** Sends changes of the floor while questions wait, and then the questions. */
  tick(): void {
    if (this.#asked.length === 0) return;
    const { floorSource, columnSource } = this.#sources;
    const patch = this.#changes.take(floorSource, columnSource, this.#mostTiles);
    if (patch.places.length > 0) this.#send({ kind: "floor", ...patch });
    if (!patch.isComplete) return;
    for (const question of this.#asked) this.#send(question);
    this.#asked = [];
  }
}
