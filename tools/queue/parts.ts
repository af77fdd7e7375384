import { createHash, randomUUID } from "node:crypto";
import { createWriteStream } from "node:fs";
import { open, readdir, rename, rm, stat } from "node:fs/promises";
import { join } from "node:path";
import type { Redis } from "ioredis";
import { contentOf } from "../tune/content.ts";
import { QueueError } from "./address.ts";
import type { Connection } from "./connection.ts";
import { PREFIX } from "./present.ts";

/** Bytes of a recording that are on the server at a time, for each lender that asks. */
const PART = 1 << 20;
/** Seconds until the server drops a part that is not fetched, or a request that is not answered. */
const KEPT = 60;
/** Seconds to wait for a part, and how often to ask. */
const WAIT = 10;
const TRIES = 3;

const wanted = (content: string): string => `${PREFIX}:wanted:${content}`;

interface Request {
  readonly from: number;
  readonly reply: string;
}

/** A recording by its content: SHA-256 in hexadecimal digits, and bytes. */
export interface Content {
  readonly content: string;
  readonly size: number;
}

/**
 * Sends recordings to lenders that lack them, part by part through the server, until `signal`. The server holds at most one part
 * for each lender.
 */
export async function giveParts(
  connection: Connection,
  recordings: readonly { readonly path: string; readonly content: string }[],
  signal: AbortSignal,
): Promise<void> {
  const client = connection.beside();
  const byKey = new Map(recordings.map(({ path, content }) => [wanted(content), path]));
  const stop = () => client.disconnect();
  signal.addEventListener("abort", stop, { once: true });
  while (!signal.aborted) {
    try {
      const request = await client.brpop([...byKey.keys()], 5);
      if (request !== null) await give(client, byKey.get(request[0])!, JSON.parse(request[1]) as Request);
    } catch {
      // The server or the file is not available: the lender repeats its request, and gets an error in the end.
      if (!signal.aborted) await new Promise((resolve) => setTimeout(resolve, 200));
    }
  }
  signal.removeEventListener("abort", stop);
}

async function give(client: Redis, path: string, { from, reply }: Request): Promise<void> {
  if (!(Number.isSafeInteger(from) && from >= 0 && String(reply).startsWith(`${PREFIX}:part:`))) return;
  const file = await open(path);
  try {
    const { bytesRead, buffer } = await file.read(Buffer.allocUnsafe(PART), 0, PART, from);
    await client.multi().lpush(reply, buffer.subarray(0, bytesRead)).expire(reply, KEPT).exec();
  } finally {
    await file.close();
  }
}

/** Recordings of a lending machine: found in folders, else fetched. */
export class Recordings {
  readonly #connection: Connection;
  readonly #folders: readonly string[];
  readonly #kept: string;
  readonly #found = new Map<string, Promise<string>>();
  /** Content by path, size and time of change, so that a file is read through once. */
  readonly #contents = new Map<string, string>();

  /**
   * @param folders where recordings may lie already, under any name
   * @param kept    an own folder for those that are fetched
   */
  constructor(connection: Connection, folders: readonly string[], kept: string) {
    this.#connection = connection;
    this.#folders = [...folders, kept];
    this.#kept = kept;
  }

  /**
   * A file with that content.
   * @throws {QueueError} when it is neither here nor sent, or the sent bytes differ
   */
  pathOf(wanted: Content): Promise<string> {
    let path = this.#found.get(wanted.content);
    if (path === undefined) {
      path = this.#look(wanted).then((found) => found ?? this.#fetch(wanted));
      this.#found.set(wanted.content, path);
      path.catch(() => this.#found.delete(wanted.content)); // asked again next time
    }
    return path;
  }

  async #look({ content, size }: Content): Promise<string | null> {
    for (const folder of this.#folders) {
      for (const name of await readdir(folder, { recursive: true })) {
        const path = join(folder, name);
        const about = await stat(path).catch(() => null);
        // Reading a file through takes time; its size is known at once.
        if (!about?.isFile() || about.size !== size) continue;
        const version = `${path} ${size} ${about.mtimeMs}`;
        const own = this.#contents.get(version) ?? (await contentOf(path));
        this.#contents.set(version, own);
        if (own === content) return path;
      }
    }
    return null;
  }

  async #fetch({ content, size }: Content): Promise<string> {
    const client = this.#connection.beside();
    const part = join(this.#kept, `${content}.part`);
    const out = createWriteStream(part, { mode: 0o600 });
    const hash = createHash("sha256");
    try {
      for (let from = 0; from < size; ) {
        const bytes = await ask(client, content, from);
        if (bytes.length === 0 || from + bytes.length > size) break; // the file has changed: reported below
        hash.update(bytes);
        await new Promise<void>((resolve, reject) => {
          out.write(bytes, (error) => (error ? reject(error) : resolve()));
        });
        from += bytes.length;
      }
      await new Promise<void>((resolve, reject) => {
        out.once("error", reject);
        out.end(resolve);
      });
      if (hash.digest("hex") !== content) {
        throw new QueueError(
          "the recording was changed on the machine of the tune; repeat the command there",
        );
      }
      const path = join(this.#kept, `${content}.brk`);
      await rename(part, path);
      return path;
    } catch (error) {
      out.destroy();
      await rm(part, { force: true });
      throw error;
    } finally {
      client.disconnect();
    }
  }
}

async function ask(client: Redis, content: string, from: number): Promise<Buffer> {
  for (let n = 0; n < TRIES; n++) {
    const reply = `${PREFIX}:part:${randomUUID()}`;
    const key = wanted(content);
    await client.multi().lpush(key, JSON.stringify({ from, reply })).expire(key, KEPT).exec();
    const got = await client.brpopBuffer(reply, WAIT);
    if (got !== null) return got[1];
  }
  throw new QueueError(`the recording ${content.slice(0, 8)} did not arrive: is the tune still running?`);
}
