import { constants } from "node:fs";
import { open, readdir, readFile, rename, rm, stat } from "node:fs/promises";
import { join } from "node:path";
import { crc32c } from "../../coding/crc32c.ts";
import { decodeSnapshot, SnapshotError } from "../../map/snapshot.ts";
import { fileTrouble } from "../file-trouble.ts";
import { makeFolder } from "../make-folder.ts";

const NEWEST = "map.snapshot";
const BEFORE = "map.before.snapshot";
const HALF = "map.half-written";
/** A newest snapshot that cannot be read is renamed to this, so that the next save does not replace the previous good one by it. */
const DAMAGED = "map.damaged.snapshot";

/** Maps that were set aside, named by the time of saving. */
const ASIDE = /^map-.*\.snapshot$/;

/** A saved map, and the problems of snapshots that were skipped. */
export interface LoadedMap {
  readonly bytes: Uint8Array | null;
  readonly path: string | null;
  readonly problems: readonly string[];
}

/**
 * Keeps the map on disk. A save is written to a file beside the newest one, flushed (fsync), and only then renamed. The newest one before is
 * kept as the previous one. A complete snapshot remains however a save ends.
 */
export class MapSaver {
  readonly folder: string;
  #busy: Promise<void> = Promise.resolve();

  constructor(folder: string) {
    this.folder = folder;
  }

  /** Saves a snapshot. Saves run one after the other. @throws file errors; earlier snapshots are unchanged then */
  save(bytes: Uint8Array): Promise<void> {
    const saved = this.#busy.then(() => this.#write(bytes));
    this.#busy = saved.catch(() => {});
    return saved;
  }

  async #write(bytes: Uint8Array): Promise<void> {
    makeFolder(this.folder);
    const half = join(this.folder, HALF);
    const newest = join(this.folder, NEWEST);
    try {
      const file = await open(half, constants.O_WRONLY | constants.O_CREAT | constants.O_TRUNC, 0o644);
      try {
        await file.writeFile(bytes);
        await file.sync();
      } finally {
        await file.close();
      }
      await rename(newest, join(this.folder, BEFORE)).catch(unlessMissing);
      await rename(half, newest);
    } catch (error) {
      await rm(half, { force: true }).catch(() => {});
      throw error;
    }
    // A rename is durable only after its folder was flushed.
    const folder = await open(this.folder, constants.O_RDONLY);
    try {
      await folder.sync();
    } finally {
      await folder.close();
    }
  }

  /**
   * Gives the last save a name of its own, which is never overwritten.
   * @returns its path; null when nothing was saved
   * @throws file errors
   */
  async setAside(): Promise<string | null> {
    for (const name of [NEWEST, BEFORE]) {
      const path = join(this.folder, name);
      const saved = await stat(path).catch(unlessMissing);
      if (!saved) continue;
      const stamp = saved.mtime.toISOString().slice(0, -1).replaceAll(":", "-");
      const taken = new Set(await this.aside());
      let own = `map-${stamp}.snapshot`;
      for (let n = 2; taken.has(own); n++) own = `map-${stamp}-${n}.snapshot`;
      await rename(path, join(this.folder, own));
      return join(this.folder, own);
    }
    return null;
  }

  /** Names of the files that were set aside. @throws file errors */
  async aside(): Promise<readonly string[]> {
    const names = (await readdir(this.folder).catch(unlessMissing)) ?? [];
    return names.filter((name) => ASIDE.test(name)).sort();
  }

  /** Loads the newest complete snapshot. Never throws: an unreadable file is reported as a problem. */
  async load(): Promise<LoadedMap> {
    const problems: string[] = [];
    for (const name of [NEWEST, BEFORE]) {
      const path = join(this.folder, name);
      try {
        const bytes = new Uint8Array(await readFile(path));
        decodeSnapshot(bytes, crc32c);
        return { bytes, path, problems };
      } catch (error) {
        if ((error as NodeJS.ErrnoException).code === "ENOENT") continue;
        problems.push(fileTrouble(error, path) ?? `${path}: ${(error as Error).message}`);
        // A file without read permission is not damaged.
        const isDamaged = error instanceof SnapshotError;
        if (isDamaged && name === NEWEST) await rename(path, join(this.folder, DAMAGED)).catch(() => {});
      }
    }
    return { bytes: null, path: null, problems };
  }
}

function unlessMissing(error: NodeJS.ErrnoException): undefined {
  if (error.code !== "ENOENT") throw error;
}
