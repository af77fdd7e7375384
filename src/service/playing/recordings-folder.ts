import { randomBytes } from "node:crypto";
import { createWriteStream } from "node:fs";
import { mkdir, readdir, rename, rm, stat } from "node:fs/promises";
import type { IncomingMessage } from "node:http";
import { basename, join } from "node:path";
import { pipeline } from "node:stream/promises";
import { SETTINGS } from "../../head/settings.ts";
import { openRecording } from "../../record/file.ts";
import type { Setup } from "../../sense/events.ts";
import { misfit } from "../../wire/check.ts";
import { RecordingName } from "../../wire/messages.ts";

/** A recording to be played: its sensors, and the settings that it was made with. */
export interface Played {
  readonly path: string;
  readonly name: string;
  readonly setup: Setup;
  readonly settings: Readonly<Record<string, unknown>>;
}

/** @throws {DecodeError} if it is no recording, and file errors */
export async function readPlayed(path: string): Promise<Played> {
  const recording = await openRecording(path);
  const { setup, settings } = recording.header;
  recording.close();
  // Other entries of the header are about its making.
  const own = Object.entries(settings).filter(([name]) => Object.hasOwn(SETTINGS, name));
  return { path, name: basename(path), setup, settings: Object.fromEntries(own) };
}

/** Recordings kept at most: a folder that anybody fills must end somewhere. */
const MOST_RECORDINGS = 100;

/** Why an upload was not taken, as an HTTP status. */
export class UploadError extends Error {
  override readonly name = "UploadError";
  readonly status: number;
  constructor(status: number, message: string) {
    super(message);
    this.status = status;
  }
}

/** The folder of recordings that may be played: by name only, never by path. */
export class RecordingsFolder {
  readonly folder: string;
  /** Bytes of a recording that is taken. */
  readonly most: number;

  constructor(folder: string, most: number) {
    this.folder = folder;
    this.most = most;
  }

  /** In the order of their names; none where there is no folder yet. @throws other file errors */
  async names(): Promise<string[]> {
    const all = await readdir(this.folder).catch((error: NodeJS.ErrnoException) => {
      if (error.code === "ENOENT") return [];
      throw error;
    });
    return all.filter((name) => misfit(RecordingName, name) === null).sort();
  }

  /** Where a recording of that name is, or null. @throws file errors */
  async find(name: string): Promise<string | null> {
    return (await this.names()).includes(name) ? join(this.folder, name) : null;
  }

  /**
   * Takes a recording under a name that is free, which it returns. Half-sent or unreadable ones leave nothing.
   * @throws {UploadError}
   */
  async take(name: string, request: IncomingMessage): Promise<string> {
    const why = misfit(RecordingName, name);
    if (why !== null)
      throw new UploadError(400, `a recording's name ends with .brk and has letters, digits and . _ - only`);
    const size = Number(request.headers["content-length"]);
    if (!Number.isInteger(size)) throw new UploadError(411, "say how long it is (Content-Length)");
    if (size > this.most)
      throw new UploadError(413, `recordings of up to ${this.most} bytes are taken, this has ${size}`);
    const names = await mkdir(this.folder, { recursive: true })
      .then(() => this.names())
      .catch((error: Error) => {
        throw new UploadError(507, `it could not be kept: ${error.message}`);
      });
    if (names.length >= MOST_RECORDINGS)
      throw new UploadError(507, `${names.length} recordings are here already`);
    const part = join(this.folder, `.${randomBytes(9).toString("hex")}.part`);
    try {
      await pipeline(request, createWriteStream(part, { flags: "wx", mode: 0o644 }));
      if ((await stat(part)).size !== size) throw new UploadError(400, "it broke off");
      await readPlayed(part).catch((error: Error) => {
        throw new UploadError(422, `this is no recording that can be read: ${error.message}`);
      });
      const free = freeName(name, new Set(await this.names()));
      await rename(part, join(this.folder, free));
      return free;
    } catch (error) {
      await rm(part, { force: true });
      if (error instanceof UploadError) throw error;
      throw new UploadError(507, `it could not be kept: ${(error as Error).message}`);
    }
  }
}

/** What is there is never written over. */
function freeName(name: string, taken: ReadonlySet<string>): string {
  const stem = name.slice(0, -4).slice(0, 90);
  for (let n = 2, free = name; ; n++) {
    if (!taken.has(free)) return free;
    free = `${stem}-${n}.brk`;
  }
}
