import type { Logger } from "pino";
import { WireError } from "../../wire/codec.ts";
import type { Metrics } from "../metrics.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import { MapSaver } from "./map-saver.ts";

/** The head's map on disk: read at the start, written when it has changed. */
export class SavedMap {
  /** When it was saved last, ISO 8601; null before the first time. */
  savedAt: string | null = null;
  /** Of the head's map, as far as it has told. */
  revision = 0;
  readonly #saver: MapSaver | null;
  readonly #head: HeadLink;
  readonly #metrics: Metrics;
  readonly #log: Logger;
  #savedRevision = 0;

  /** @param folder null when no map is saved */
  constructor(folder: string | null, head: HeadLink, metrics: Metrics, log: Logger) {
    this.#saver = folder === null ? null : new MapSaver(folder);
    this.#head = head;
    this.#metrics = metrics;
    this.#log = log;
  }

  get isOn(): boolean {
    return this.#saver !== null;
  }

  /** Gives the head the newest saved map that can be read. What cannot be read is logged. */
  async load(): Promise<void> {
    if (this.#saver === null) return;
    const { bytes, path, problems } = await this.#saver.load();
    for (const problem of problems) this.#log.warn({ problem }, "a saved map cannot be used");
    if (bytes === null) return;
    try {
      await this.#head.request<"done">((ticket) => ({ kind: "load", ticket, bytes }));
      this.#log.info(
        { path },
        problems.length > 0 ? "went back to the map saved before" : "going on with the saved map",
      );
    } catch (error) {
      this.#log.warn({ path, why: (error as Error).message }, "the saved map does not fit this head");
    }
  }

  /**
   * Saves now.
   * @returns what was saved where, for a person
   * @throws {WireError} when there is no folder, or the disk refuses
   */
  async save(): Promise<string> {
    if (this.#saver === null)
      throw new WireError("map", "map", null, "map: no folder to save to: set map.folder");
    const { bytes, revision } = await this.#head.request<"done">((ticket) => ({ kind: "snapshot", ticket }));
    try {
      await this.#saver.save(bytes!);
      this.#metrics.saves.inc({ result: "saved" });
    } catch (error) {
      this.#metrics.saves.inc({ result: "failed" });
      throw new WireError("map", "map", null, `map: not saved: ${(error as Error).message}`);
    }
    this.#savedRevision = revision;
    this.savedAt = new Date().toISOString();
    return `${bytes!.length} bytes to ${this.#saver.folder}`;
  }

  /** Saves if the map has changed since the last time. @throws {WireError} */
  async saveIfChanged(): Promise<void> {
    if (this.#saver !== null && this.revision !== this.#savedRevision) await this.save();
  }
}
