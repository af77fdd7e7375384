import type { MessagePort } from "node:worker_threads";
import type { PlacedGoal } from "../../wire/messages.ts";
import { FloorChanges, type FloorSources } from "./floor-changes.ts";
import { WayDesk } from "./way-desk.ts";
import type { FromWays, ToWays, WayState } from "./way-messages.ts";

/**
 * Tiles of the floor that are looked at in one go. A tile takes up to 7 microseconds, and a frame waits meanwhile. A home of 100 m2 has about 60,
 * with the walls around it.
 */
const MOST_TILES = 50;

/** Microseconds between two looks at watched ways: a base gets commands twenty times a second. */
const LOOK_EVERY = 50_000;

type Ask = Extract<ToWays, { kind: "ask" }>;

/**
 * Passes questions for ways on to another thread, which has a copy of the floor, and keeps the copy up to date. Without such a thread it answers
 * by itself.
 */
export class WayPost {
  readonly #sources: FloorSources;
  #changes = new FloorChanges();
  /** Questions that wait until the copy is up to date. */
  #asked: Ask[] = [];
  /** Watched goals. */
  readonly #watched = new Map<number, PlacedGoal>();
  /** Microseconds: when the watched ways are looked at again. */
  #nextLook = Number.NEGATIVE_INFINITY;
  #mostTiles = Number.POSITIVE_INFINITY;
  #send: (message: ToWays) => void;

  /** @param say gets the answers, if no other thread gives them */
  constructor(sources: FloorSources, say: (message: FromWays) => void, now: () => number) {
    this.#sources = sources;
    const desk = new WayDesk(say, now);
    this.#send = (message) => desk.take(message);
  }

  /** From now on another thread answers. */
  connect(port: MessagePort): void {
    this.#changes = new FloorChanges();
    this.#mostTiles = MOST_TILES;
    this.#nextLook = Number.NEGATIVE_INFINITY;
    this.#send = (message) => {
      const moved = message.kind === "floor" ? [message.places.buffer, message.cells.buffer] : [];
      port.postMessage(message, moved as ArrayBuffer[]);
    };
  }

  ask(question: Ask): void {
    this.#asked.push(question);
    this.tick();
  }

  /** Keeps a way to a goal up to date; null ends it. */
  watch(watch: number, goal: PlacedGoal | null): void {
    if (goal === null) this.#watched.delete(watch);
    else this.#watched.set(watch, goal);
    // At once: the clock of a paused recording stands still.
    this.#nextLook = Number.NEGATIVE_INFINITY;
    this.#send({ kind: "watch", watch, goal });
  }

  /** Whether it is time to look at watched ways. */
  isDue(now: number): boolean {
    return this.#watched.size > 0 && now >= this.#nextLook;
  }

  /** Has the watched ways looked at, in the present state of the floor. */
  look(state: WayState, now: number): void {
    this.#nextLook = now + LOOK_EVERY;
    if (this.#copy()) this.#send({ kind: "look", ...state });
  }

  /** Sends changes of the floor. @returns whether the copy is complete */
  #copy(): boolean {
    const patch = this.#changes.take(this.#sources, this.#mostTiles);
    if (patch.places.length > 0) this.#send({ kind: "floor", ...patch });
    return patch.isComplete;
  }

  /** Sends changes of the floor while questions wait, and then the questions. */
  tick(): void {
    if (this.#asked.length === 0 || !this.#copy()) return;
    for (const question of this.#asked) this.#send(question);
    this.#asked = [];
  }
}
