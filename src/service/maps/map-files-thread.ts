import { Worker } from "node:worker_threads";
import { threadScript } from "../threads.ts";
import type { WantedFile } from "./map-files.ts";

/** Milliseconds without work after which the thread ends: its renderer takes some 40 MB. */
const IDLE = 30_000;
/** Most files that are made or wait. */
const MOST_WAITING = 8;

export interface FileRequest {
  readonly id: number;
  readonly wanted: WantedFile;
}

export type FileAnswer =
  | { readonly id: number; readonly file: Uint8Array | null }
  | { readonly id: number; readonly trouble: string };

/** Parts that are copied before the thread of the caller serves its sockets again: some 2 ms. */
const PARTS_AT_ONCE = 4096;

/** Copies parts into one array, in pieces, because a map of 1,000 m2 has tens of thousands. The parts are immutable. */
export async function joined(parts: readonly Uint8Array[]): Promise<Uint8Array> {
  const bytes = new Uint8Array(parts.reduce((sum, { length }) => sum + length, 0));
  let at = 0;
  for (const [n, part] of parts.entries()) {
    bytes.set(part, at);
    at += part.length;
    if (n % PARTS_AT_ONCE === PARTS_AT_ONCE - 1) await new Promise<void>((resolve) => setImmediate(resolve));
  }
  return bytes;
}

/** Too many files are wanted at once. */
export class BusyError extends Error {
  override readonly name = "BusyError";
}

interface Waiting {
  readonly resolve: (file: Uint8Array | null) => void;
  readonly reject: (error: Error) => void;
}

/** Makes files of the map in a thread of its own: a map of 1,000 m2 would hold up the sockets for a tenth of a second and more. */
export class MapFilesThread {
  #worker: Worker | null = null;
  #idle: NodeJS.Timeout | null = null;
  #next = 1;
  readonly #waiting = new Map<number, Waiting>();

  /**
   * @param wanted its bytes belong to the thread afterwards
   * @returns the file; null while there is none
   * @throws {BusyError} when too many are wanted already
   */
  make(wanted: WantedFile): Promise<Uint8Array | null> {
    if (this.#waiting.size >= MOST_WAITING)
      throw new BusyError(`${MOST_WAITING} files are being made already`);
    if (this.#idle !== null) clearTimeout(this.#idle);
    const id = this.#next++;
    return new Promise((resolve, reject) => {
      this.#waiting.set(id, { resolve, reject });
      this.#worker ??= this.#start();
      const request: FileRequest = { id, wanted };
      this.#worker.postMessage(request, [wanted.bytes.buffer as ArrayBuffer]);
    });
  }

  #start(): Worker {
    const worker = new Worker(threadScript(import.meta.url, "./map-files-worker"));
    worker.on("message", (answer: FileAnswer) => {
      const waiting = this.#waiting.get(answer.id);
      this.#waiting.delete(answer.id);
      if ("file" in answer) waiting?.resolve(answer.file);
      else waiting?.reject(new Error(answer.trouble));
      if (this.#waiting.size === 0) this.#idle = setTimeout(() => void this.end(), IDLE).unref();
    });
    worker.on("error", (error) => {
      if (this.#worker === worker) this.#worker = null;
      this.#rejectAll(error);
    });
    return worker;
  }

  #rejectAll(error: Error): void {
    for (const { reject } of this.#waiting.values()) reject(error);
    this.#waiting.clear();
  }

  async end(): Promise<void> {
    if (this.#idle !== null) clearTimeout(this.#idle);
    const worker = this.#worker;
    this.#worker = null;
    this.#rejectAll(new Error("the head stops"));
    await worker?.terminate();
  }
}
