import type { Ask, FromWorker, Request, ToWorker } from "./worker-messages.ts";

declare global {
  /** Loads the page again once a file that was missing is there. Stands in index.html, so that it runs before all files. */
  function loadAgain(file: string): void;
}

/** The worker's script, beside the page. */
const WORKER = "worker.js";

/** The head or the worker refused a request. */
export class RefusedError extends Error {
  override readonly name = "RefusedError";
  /** The protocol's error code, if the head refused. */
  readonly code: string | undefined;
  constructor(message: string, code: string | undefined) {
    super(message);
    this.code = code;
  }
}

/** The page's end of its worker, which holds the connection to the head and the map. */
export class HeadLink {
  readonly #worker = new Worker(new URL(WORKER, document.baseURI), { type: "module" });
  readonly #waiting = new Map<
    number,
    { resolve: (value: unknown) => void; reject: (error: Error) => void }
  >();
  #next = 1;

  /** @param take gets every message but the answers to requests */
  constructor(take: (message: FromWorker) => void) {
    this.#worker.onerror = (event) => {
      // Errors inside the worker have a message. Without one, its script could not be loaded.
      if (!(event instanceof ErrorEvent)) loadAgain(WORKER);
    };
    this.#worker.onmessage = ({ data }: MessageEvent<FromWorker>) => {
      if (data.kind === "reply") this.#settle(data.id)?.resolve(data.value);
      else if (data.kind === "refused")
        this.#settle(data.id)?.reject(new RefusedError(data.message, data.code));
      else take(data);
    };
  }

  #settle(id: number) {
    const waiting = this.#waiting.get(id);
    this.#waiting.delete(id);
    return waiting;
  }

  post(message: ToWorker): void {
    this.#worker.postMessage(message);
  }

  /** Sends a request to the head, or to the worker for the map. Rejects with the head's message. */
  readonly ask: Ask = <T>(request: Request) => {
    const id = this.#next++;
    return new Promise<T>((resolve, reject) => {
      this.#waiting.set(id, { resolve: resolve as (value: unknown) => void, reject });
      this.post({ kind: "request", id, request });
    });
  };
}
