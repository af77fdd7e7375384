import { randomBytes } from "node:crypto";
import { createWriteStream } from "node:fs";
import { readdir, rename, rm, stat } from "node:fs/promises";
import type { IncomingMessage } from "node:http";
import { basename, join } from "node:path";
import { pipeline } from "node:stream/promises";
import { SETTINGS } from "../../head/settings.ts";
import { openRecording } from "../../record/file.ts";
import type { Setup } from "../../sense/events.ts";
import { misfit } from "../../wire/check.ts";
import { RecordingName } from "../../wire/messages.ts";
import { troubleText } from "../file-trouble.ts";
import { makeFolder } from "../make-folder.ts";

/** A recording to be played, with its sensors and the settings of its making. */
export interface Played {
  readonly path: string;
  readonly name: string;
  readonly setup: Setup;
  readonly settings: Readonly<Record<string, unknown>>;
}

/** @throws {DecodeError} if it is not a recording, and file errors */
export async function readPlayed(path: string): Promise<Played> {
  const recording = await openRecording(path);
  const { setup, settings } = recording.header;
  recording.close();
  // Other entries of the header describe how it was made.
  const own = Object.entries(settings).filter(([name]) => Object.hasOwn(SETTINGS, name));
  return { path, name: basename(path), setup, settings: Object.fromEntries(own) };
}

/** Most recordings in the folder, which clients fill. */
const MOST_RECORDINGS = 100;

/** A refused upload, with its HTTP status. */
export class UploadError extends Error {
  override readonly name = "UploadError";
  readonly status: number;
  constructor(status: number, message: string) {
    super(message);
    this.status = status;
  }
}

/** The folder of recordings that may be played. They are addressed by name, never by path. */
export class RecordingsFolder {
  readonly folder: string;
  /** Most bytes of an upload. */
  readonly most: number;

  constructor(folder: string, most: number) {
    this.folder = folder;
    this.most = most;
  }

  /** Names of the recordings, sorted; none where the folder does not exist yet. @throws other file errors */
  async names(): Promise<string[]> {
    const all = await readdir(this.folder).catch((error: NodeJS.ErrnoException) => {
      if (error.code === "ENOENT") return [];
      throw error;
    });
    return all.filter((name) => misfit(RecordingName, name) === null).sort();
  }

  /** The path of a recording, or null. @throws file errors */
  async find(name: string): Promise<string | null> {
    return (await this.names()).includes(name) ? join(this.folder, name) : null;
  }

  /**
   * Receives a recording. An incomplete or unreadable one leaves no file.
   * @returns the free name under which it is stored
   * @throws {UploadError}
   */
  async take(name: string, request: IncomingMessage): Promise<string> {
    const why = misfit(RecordingName, name);
    if (why !== null)
      throw new UploadError(400, `a recording's name ends with .brk and has letters, digits and . _ - only`);
    const size = Number(request.headers["content-length"]);
    if (!Number.isInteger(size)) throw new UploadError(411, "its length is missing (Content-Length)");
    if (size > this.most)
      throw new UploadError(413, `a recording may have up to ${this.most} bytes, this one has ${size}`);
    const names = await Promise.resolve()
      .then(() => {
        makeFolder(this.folder);
        return this.names();
      })
      .catch((error: Error) => {
        throw new UploadError(507, `it could not be kept: ${troubleText(error)}`);
      });
    if (names.length >= MOST_RECORDINGS)
      throw new UploadError(507, `${names.length} recordings are in the folder already`);
    const part = join(this.folder, `.${randomBytes(9).toString("hex")}.part`);
    try {
      await pipeline(request, createWriteStream(part, { flags: "wx", mode: 0o644 }));
      if ((await stat(part)).size !== size) throw new UploadError(400, "it broke off");
      await readPlayed(part).catch((error: Error) => {
        throw new UploadError(422, `this is not a readable recording: ${error.message}`);
      });
      const free = freeName(name, new Set(await this.names()));
      await rename(part, join(this.folder, free));
      return free;
    } catch (error) {
      await rm(part, { force: true });
      if (error instanceof UploadError) throw error;
      throw new UploadError(507, `it could not be kept: ${troubleText(error)}`);
    }
  }
}

/** A name that is not taken: existing files are never overwritten. */
function freeName(name: string, taken: ReadonlySet<string>): string {
  const stem = name.slice(0, -4).slice(0, 90);
  for (let n = 2, free = name; ; n++) {
    if (!taken.has(free)) return free;
    free = `${stem}-${n}.brk`;
  }
}
