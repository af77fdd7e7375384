import type { Logger } from "pino";
import { WireError } from "../../wire/codec.ts";
import type { Metrics } from "../metrics.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import { MapSaver } from "./map-saver.ts";

/** Maps of earlier runs that are set aside at most: beyond that a person must decide which to keep. */
const MOST_ASIDE = 100;

export interface SavedMapParts {
  /** Null when no map is saved. */
  readonly folder: string | null;
  readonly head: HeadLink;
  readonly metrics: Metrics;
  readonly log: Logger;
  /** Tells everybody. */
  note(text: string): void;
}

/**
 * The head's map on disk. A start makes a new map and sets the one of the run before aside, under a name that is never written
 * again: where the base stands in the old one is not known. Where the old map is to be continued (`map.load`), the place is assumed
 * until a client confirms it, and nothing is saved meanwhile.
 */
export class SavedMap {
  readonly #parts: SavedMapParts;
  readonly #saver: MapSaver | null;
  /** Of the head's map, as it reported last. */
  #revision = 0;
  #savedRevision = 0;
  #savedAt: string | null = null;
  #isLoaded = false;
  /** Why nothing may be written; null when it may. */
  #obstacle: string | null = null;

  constructor(parts: SavedMapParts) {
    this.#parts = parts;
    this.#saver = parts.folder === null ? null : new MapSaver(parts.folder);
  }

  get isOn(): boolean {
    return this.#saver !== null;
  }
  /** When it was saved last, ISO 8601; null before the first time. */
  get savedAt(): string | null {
    return this.#savedAt;
  }
  get revision(): number {
    return this.#revision;
  }

  /** The head reports the state of its map. */
  changed(revision: number): void {
    this.#revision = revision;
  }

  /**
   * Whether the head goes by a saved map without knowing where in it the base stands. A reference gives poses in the map's own world:
   * then the place is known.
   */
  get isAssumed(): boolean {
    return this.#isLoaded && this.#parts.head.settings["pose.source"] !== "reference";
  }

  /** Takes up what an earlier run has saved. @param isContinued whether its map is the head's from now on */
  async prepare(isContinued: boolean): Promise<void> {
    if (isContinued) await this.#load();
    else await this.setAside("this run makes a new one");
  }

  /** Gives the saved map a name of its own, so that the next save leaves it alone. Trouble is told, and nothing is saved then. */
  async setAside(why: string): Promise<void> {
    if (this.#saver === null) return;
    const { log, note } = this.#parts;
    try {
      const aside = await this.#saver.aside();
      if (aside.length >= MOST_ASIDE) {
        throw new Error(`${aside.length} maps of earlier runs are in ${this.#saver.folder}: remove some`);
      }
      const path = await this.#saver.setAside();
      this.#obstacle = null;
      if (path !== null) log.warn({ path, others: aside.length }, `the saved map is set aside: ${why}`);
    } catch (error) {
      this.#obstacle = `the saved map cannot be set aside: ${(error as Error).message}`;
      log.warn({ folder: this.#saver.folder }, this.#obstacle);
      note(`nothing is saved: ${this.#obstacle}`);
    }
  }

  async #load(): Promise<void> {
    if (this.#saver === null) return;
    const { head, log, note } = this.#parts;
    const { bytes, path, problems } = await this.#saver.load();
    for (const problem of problems) log.warn({ problem }, "a saved map cannot be used");
    if (bytes === null) {
      if (problems.length > 0) await this.setAside("it cannot be used");
      return;
    }
    try {
      await head.request<"done">((ticket) => ({ kind: "load", ticket, bytes }));
    } catch (error) {
      log.warn({ path, why: (error as Error).message }, "the saved map does not fit this head");
      await this.setAside("it does not fit this head");
      return;
    }
    this.#isLoaded = true;
    log.info(
      { path },
      problems.length > 0 ? "the map saved before is continued" : "the saved map is continued",
    );
    if (!this.isAssumed) return;
    const text =
      "the base is assumed to stand at the saved map's origin: nothing is saved until that is confirmed";
    log.warn({ path }, text);
    note(text);
  }

  /** The base stands where the saved map says. @throws {WireError} when the place is not assumed */
  confirm(): void {
    if (!this.isAssumed)
      throw new WireError("map", "map", null, "map: no place is assumed that could be confirmed");
    this.#isLoaded = false;
  }

  /** The head has a new map, which must not overwrite the saved one. */
  async cleared(): Promise<void> {
    this.#isLoaded = false;
    await this.setAside("the map was cleared");
  }

  /**
   * Saves now.
   * @returns what was saved where, for a person
   * @throws {WireError} when there is no folder, the disk refuses, or the place is assumed
   */
  async save(): Promise<string> {
    const refuse = (why: string) => new WireError("map", "map", null, `map: ${why}`);
    if (this.#saver === null) throw refuse("no folder to save to: set map.folder");
    if (this.isAssumed) {
      throw refuse(
        "not saved: the base's place in the saved map is assumed; confirm it first (action confirm)",
      );
    }
    if (this.#obstacle !== null) throw refuse(`not saved: ${this.#obstacle}`);
    const { head, metrics } = this.#parts;
    const { bytes, revision } = await head.request<"done">((ticket) => ({ kind: "snapshot", ticket }));
    try {
      await this.#saver.save(bytes!);
      metrics.saves.inc({ result: "saved" });
    } catch (error) {
      metrics.saves.inc({ result: "failed" });
      throw refuse(`not saved: ${(error as Error).message}`);
    }
    this.#savedRevision = revision;
    this.#savedAt = new Date().toISOString();
    return `${bytes!.length} bytes to ${this.#saver.folder}`;
  }

  /** Saves if the map has changed since the last time, and may be saved. @throws {WireError} */
  async saveIfChanged(): Promise<void> {
    if (this.#saver !== null && !this.isAssumed && this.#revision !== this.#savedRevision) await this.save();
  }
}
