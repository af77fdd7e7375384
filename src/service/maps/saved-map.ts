import type { Logger } from "pino";
import { DRAWN_SETTINGS, type Drawn } from "../../head/saved-place.ts";
import { drawnOn, isPlaceFile } from "../../place/place-file.ts";
import { WireError } from "../../wire/codec.ts";
import { troubleText } from "../file-trouble.ts";
import type { Metrics } from "../metrics.ts";
import type { HeadLink } from "../sensing/head-link.ts";
import { UNDO_FOR } from "../sensing/last-cleared.ts";
import { MapSaver, type SavedKind } from "./map-saver.ts";

/** Most maps of earlier runs that are set aside. Beyond it a person must decide which to keep. */
const MOST_ASIDE = 100;

export interface SavedMapParts {
  /** Null when no map is saved. */
  readonly folder: string | null;
  readonly head: HeadLink;
  readonly metrics: Metrics;
  readonly log: Logger;
  /** Sends a note to all clients; and one about changed settings. */
  note(text: string): void;
  noteSetting(text: string): void;
}

/**
 * The head's map on disk. A head that tracks its poses looks for its place in the map of the last run; nothing is saved until it is found, or
 * until a client says that this is another place. Another head begins a new map, and sets the map of the last run aside under a name that is
 * never overwritten, because the pose of the base in the old map is not known. With `map.load` it continues the old map; then the pose is
 * assumed until a client confirms it, and nothing is saved meanwhile.
 */
export class SavedMap {
  readonly #parts: SavedMapParts;
  readonly #saver: MapSaver | null;
  /** Last reported revision of the head's map. */
  #revision = 0;
  #savedRevision = 0;
  #savedAt: string | null = null;
  #isLoaded = false;
  /** Whether the head looks for its place in the saved map. */
  #isSeeking = false;
  /** What was drawn on the saved map; null when it applies already, or there is none. */
  #drawn: Drawn | null = null;
  /** Until when, by the head's clock in microseconds, the last clearing can be undone, and whether that map was loaded; null without. */
  #cleared: { readonly until: number; readonly wasLoaded: boolean } | null = null;
  /** Why nothing may be saved; null when it may. */
  #obstacle: string | null = null;

  constructor(parts: SavedMapParts) {
    this.#parts = parts;
    this.#saver = parts.folder === null ? null : new MapSaver(parts.folder);
  }

  get isOn(): boolean {
    return this.#saver !== null;
  }
  /** Time of the last save, ISO 8601; null before the first. */
  get savedAt(): string | null {
    return this.#savedAt;
  }
  get revision(): number {
    return this.#revision;
  }

  /** Takes the head's report of its map's revision. */
  changed(revision: number): void {
    this.#revision = revision;
  }

  /**
   * Whether the head continues a saved map with an assumed pose. Reference poses are in the map's own world, so with them the pose is known.
   */
  get isAssumed(): boolean {
    return this.#isLoaded && this.#parts.head.settings["pose.source"] !== "reference";
  }

  /** Whether the head still looks for its place in the saved map: until then its poses are in a world of their own. */
  get isSeeking(): boolean {
    return this.#isSeeking;
  }

  /** Loads or sets aside the map of the last run. @param isContinued whether the head continues that map; "place": if its place can be found in it */
  async prepare(isContinued: boolean | "place"): Promise<void> {
    if (isContinued !== false) await this.#load(isContinued === "place" ? ["place"] : ["place", "snapshot"]);
    if (!this.#isLoaded && !this.#isSeeking) await this.setAside("this run makes a new one");
  }

  /** Sets the saved map aside, so that the next save does not overwrite it. On an error it sends a note, and nothing is saved from then on. */
  async setAside(why: string): Promise<void> {
    if (this.#saver === null) return;
    const { log, note } = this.#parts;
    try {
      const aside = await this.#saver.aside();
      if (aside.length >= MOST_ASIDE) {
        throw new Error(`${aside.length} maps of earlier runs are in ${this.#saver.folder}: remove some`);
      }
      const paths = await this.#saver.setAside();
      this.#obstacle = null;
      for (const path of paths)
        log.warn({ path, others: aside.length }, `the saved map is set aside: ${why}`);
    } catch (error) {
      this.#obstacle = `the saved map cannot be set aside: ${troubleText(error)}`;
      log.warn({ folder: this.#saver.folder }, this.#obstacle);
      note(`nothing is saved: ${this.#obstacle}`);
    }
  }

  async #load(kinds: readonly SavedKind[]): Promise<void> {
    if (this.#saver === null) return;
    const { head, log, note } = this.#parts;
    const { bytes, path, problems } = await this.#saver.load(kinds);
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
    if (isPlaceFile(bytes)) this.#drawn = drawnOn(bytes);
    this.#isSeeking = isPlaceFile(bytes) && head.settings["pose.source"] === "tracked";
    if (this.#isSeeking) {
      const text = "the place of the last run is looked for: look around; nothing is saved until it is found";
      log.info({ path }, text);
      note(text);
      return;
    }
    this.#isLoaded = true;
    log.info(
      { path },
      problems.length > 0 ? "the map saved before is continued" : "the saved map is continued",
    );
    if (!this.isAssumed) {
      await this.found();
      return;
    }
    const text =
      "the base is assumed to stand at the saved map's origin: nothing is saved until that is confirmed";
    log.warn({ path }, text);
    note(text);
  }

  /** Confirms the assumed pose. @throws {WireError} when the pose is not assumed */
  async confirm(): Promise<void> {
    if (!this.isAssumed) throw new WireError("map", "map", null, "map: there is no assumed place to confirm");
    this.#isLoaded = false;
    await this.found();
  }

  /** The head has found its place in the saved map: what was drawn on it applies again, unless the settings file says otherwise. */
  async found(): Promise<void> {
    this.#isSeeking = false;
    const { head, log, note, noteSetting } = this.#parts;
    const drawn = this.#drawn;
    this.#drawn = null;
    if (drawn === null) return;
    const missing = DRAWN_SETTINGS.filter((name) => drawn[name] !== "" && head.settings[name] === "");
    if (missing.length === 0) return;
    const settings = Object.fromEntries(missing.map((name) => [name, drawn[name]]));
    try {
      await head.request<"changed">((ticket) => ({ kind: "change", ticket, settings }));
      noteSetting(`what was drawn on the map applies again: ${missing.join(", ")}`);
    } catch (error) {
      log.warn({ settings, why: troubleText(error) }, "what was drawn on the map does not apply");
      note(`what was drawn on the map does not apply, draw it again: ${missing.join(", ")}`);
    }
  }

  /** Ends the search: this is another place, and a new map. The saved one is set aside. @throws {WireError} when no place is looked for */
  async beginAnew(): Promise<void> {
    if (!this.#isSeeking)
      throw new WireError("map", "map", null, "map: no place of an earlier run is looked for");
    await this.#parts.head.request<"done">((ticket) => ({ kind: "giveUpSeeking", ticket }));
    this.#isSeeking = false;
    await this.setAside("this is another place");
  }

  /** Seconds for which a cleared map can still be brought back; null without one. */
  undoLeft(now: number): number | null {
    const left = this.#cleared === null ? 0 : (this.#cleared.until - now) / 1e6;
    return left > 0 ? left : null;
  }

  /** Called after the cleared map was brought back. If the base's place in it was assumed, it is so again. */
  restored(): void {
    this.#isLoaded = this.#cleared?.wasLoaded ?? false;
    this.#cleared = null;
  }

  /** Called after the map was cleared: the new map must not overwrite the saved one. */
  async cleared(now: number): Promise<void> {
    this.#cleared = { until: now + UNDO_FOR, wasLoaded: this.#isLoaded };
    this.#isLoaded = this.#isSeeking = false;
    await this.setAside("the map was cleared");
  }

  /**
   * Saves now.
   * @returns a text for a person, with size and path
   * @throws {WireError} when there is no folder, on file errors, or while the pose is assumed
   */
  async save(): Promise<string> {
    const refuse = (why: string) => new WireError("map", "map", null, `map: ${why}`);
    if (this.#saver === null) throw refuse("no folder to save to: set map.folder");
    if (this.isAssumed) {
      throw refuse(
        "not saved: the base's place in the saved map is assumed; confirm it first (action confirm)",
      );
    }
    if (this.#isSeeking) {
      throw refuse(
        "not saved: the place of the last run is still looked for; if this is another one, begin anew (action anew)",
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
      throw refuse(`not saved: ${troubleText(error)}`);
    }
    this.#savedRevision = revision;
    this.#savedAt = new Date().toISOString();
    return `${bytes!.length} bytes to ${this.#saver.folder}`;
  }

  /** Saves if the map has changed since the last save, and may be saved. @throws {WireError} */
  async saveIfChanged(): Promise<void> {
    if (this.#saver !== null && !this.isAssumed && !this.#isSeeking && this.#revision !== this.#savedRevision)
      await this.save();
  }

  /** Saves at the end of the run. The map of a head that has not found its place gets a name of its own. @throws {WireError} */
  async saveAtEnd(): Promise<void> {
    const saver = this.#saver;
    if (saver === null || !this.#isSeeking) return this.saveIfChanged();
    if (this.#revision === 0 || (await saver.aside()).length >= MOST_ASIDE) return;
    const { bytes } = await this.#parts.head.request<"done">((ticket) => ({ kind: "snapshot", ticket }));
    await saver.saveAside(bytes!, new Date());
  }
}
