import { constants } from "node:fs";
import { open, readdir, readFile, rename, rm, stat } from "node:fs/promises";
import { join } from "node:path";
import { crc32c } from "../../coding/crc32c.ts";
import { DecodeError } from "../../coding/decode-error.ts";
import { decodeSnapshot, SnapshotError } from "../../map/snapshot.ts";
import { isPlaceFile, verifyPlace } from "../../place/place-file.ts";
import { fileTrouble } from "../file-trouble.ts";
import { makeFolder } from "../make-folder.ts";

const HALF = "map.half-written";

/** What a file holds: a place with its map and what poses are found by, or a bare map of voxels. Places are loaded first. */
export type SavedKind = "place" | "snapshot";
const KINDS: readonly SavedKind[] = ["place", "snapshot"];
const newestOf = (kind: SavedKind): string => `map.${kind}`;
const beforeOf = (kind: SavedKind): string => `map.before.${kind}`;
/** A newest file that cannot be read is renamed to this, so that the next save does not replace the previous good one by it. */
const damagedOf = (kind: SavedKind): string => `map.damaged.${kind}`;

/** Maps that were set aside, named by the time of saving. */
const ASIDE = /^map-.*\.(place|snapshot)$/;

/** A saved map, and the problems of files that were skipped. */
export interface LoadedMap {
  readonly bytes: Uint8Array | null;
  readonly path: string | null;
  readonly problems: readonly string[];
}

/**
 * Keeps the map on disk. A save is written to a file beside the newest one, flushed (fsync), and only then renamed. The newest one before is
 * kept as the previous one. A complete file remains however a save ends.
 */
export class MapSaver {
  readonly folder: string;
  #busy: Promise<void> = Promise.resolve();

  constructor(folder: string) {
    this.folder = folder;
  }

  /** Saves a place or a map. Saves run one after the other. @throws file errors; earlier files are unchanged then */
  save(bytes: Uint8Array): Promise<void> {
    const saved = this.#busy.then(() => this.#write(bytes));
    this.#busy = saved.catch(() => {});
    return saved;
  }

  async #write(bytes: Uint8Array): Promise<void> {
    makeFolder(this.folder);
    const half = join(this.folder, HALF);
    const kind = isPlaceFile(bytes) ? "place" : "snapshot";
    const newest = join(this.folder, newestOf(kind));
    try {
      await writeFlushed(half, bytes);
      await rename(newest, join(this.folder, beforeOf(kind))).catch(unlessMissing);
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
   * Gives the last save of each kind a name of its own, which is never overwritten.
   * @returns the paths
   * @throws file errors
   */
  async setAside(): Promise<readonly string[]> {
    const paths: string[] = [];
    for (const kind of KINDS) {
      for (const name of [newestOf(kind), beforeOf(kind)]) {
        const path = join(this.folder, name);
        const saved = await stat(path).catch(unlessMissing);
        if (!saved) continue;
        const own = await this.#ownName(saved.mtime, kind);
        await rename(path, own);
        paths.push(own);
        break;
      }
    }
    return paths;
  }

  /** Saves under a name of its own, beside the newest, which stays. @throws file errors */
  async saveAside(bytes: Uint8Array, when: Date): Promise<string> {
    makeFolder(this.folder);
    const own = await this.#ownName(when, isPlaceFile(bytes) ? "place" : "snapshot");
    await writeFlushed(own, bytes);
    return own;
  }

  async #ownName(when: Date, kind: SavedKind): Promise<string> {
    const stamp = when.toISOString().slice(0, -1).replaceAll(":", "-");
    const taken = new Set(await this.aside());
    let own = `map-${stamp}.${kind}`;
    for (let n = 2; taken.has(own); n++) own = `map-${stamp}-${n}.${kind}`;
    return join(this.folder, own);
  }

  /** Names of the files that were set aside. @throws file errors */
  async aside(): Promise<readonly string[]> {
    const names = (await readdir(this.folder).catch(unlessMissing)) ?? [];
    return names.filter((name) => ASIDE.test(name)).sort();
  }

  /**
   * Loads the newest complete file of the first kind that has one. Never throws: an unreadable file is reported as a problem.
   * @param kinds in order
   */
  async load(kinds: readonly SavedKind[] = KINDS): Promise<LoadedMap> {
    const problems: string[] = [];
    for (const kind of kinds) {
      for (const name of [newestOf(kind), beforeOf(kind)]) {
        const path = join(this.folder, name);
        try {
          const bytes = new Uint8Array(await readFile(path));
          if (kind === "place") verifyPlace(bytes);
          else decodeSnapshot(bytes, crc32c);
          return { bytes, path, problems };
        } catch (error) {
          if ((error as NodeJS.ErrnoException).code === "ENOENT") continue;
          problems.push(fileTrouble(error, path) ?? `${path}: ${(error as Error).message}`);
          // A file without read permission is not damaged.
          const isDamaged = error instanceof SnapshotError || error instanceof DecodeError;
          if (isDamaged && name === newestOf(kind)) {
            await rename(path, join(this.folder, damagedOf(kind))).catch(() => {});
          }
        }
      }
    }
    return { bytes: null, path: null, problems };
  }
}

function unlessMissing(error: NodeJS.ErrnoException): undefined {
  if (error.code !== "ENOENT") throw error;
}

async function writeFlushed(path: string, bytes: Uint8Array): Promise<void> {
  const file = await open(path, constants.O_WRONLY | constants.O_CREAT | constants.O_TRUNC, 0o644);
  try {
    await file.writeFile(bytes);
    await file.sync();
  } finally {
    await file.close();
  }
}
