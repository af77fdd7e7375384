import type { FromServer } from "../wire/messages.ts";

/** Milliseconds within which the head must answer. */
const ANSWER_WITHIN = 5000;

/** The head refused a request, or did not answer it. */
export class RequestError extends Error {
  override readonly name = "RequestError";
  /** An error code of the protocol, "closed" when the connection ended, or "silent" when no answer came. */
  readonly code: string;
  constructor(code: string, message: string) {
    super(message);
    this.code = code;
  }
}

interface Waiting {
  readonly resolve: (message: FromServer) => void;
  readonly reject: (error: RequestError) => void;
  readonly timer: ReturnType<typeof setTimeout>;
}

/** Requests that wait for their answers, by the id that the answer repeats. */
export class PendingRequests {
  readonly #waiting = new Map<number, Waiting>();
  #nextId = 1;

  /**
   * Sends a request.
   * @param send gets the id
   * @returns the answer
   */
  add<T extends FromServer>(send: (id: number) => void): Promise<T> {
    const id = this.#nextId;
    this.#nextId = (this.#nextId % (2 ** 31 - 1)) + 1;
    return new Promise((resolve, reject) => {
      const timer = setTimeout(() => {
        this.#waiting.delete(id);
        reject(new RequestError("silent", `no answer within ${ANSWER_WITHIN / 1000} s`));
      }, ANSWER_WITHIN);
      this.#waiting.set(id, { resolve: resolve as Waiting["resolve"], reject, timer });
      send(id);
    });
  }

  answer(message: FromServer & { readonly id: number }): void {
    this.#take(message.id)?.resolve(message);
  }

  /** @returns whether a request waited for it */
  refuse(id: number, error: RequestError): boolean {
    const waiting = this.#take(id);
    waiting?.reject(error);
    return waiting !== undefined;
  }

  /** The connection is closed: no answer will come. */
  refuseAll(error: RequestError): void {
    for (const id of [...this.#waiting.keys()]) this.refuse(id, error);
  }

  #take(id: number): Waiting | undefined {
    const waiting = this.#waiting.get(id);
    if (waiting !== undefined) clearTimeout(waiting.timer);
    this.#waiting.delete(id);
    return waiting;
  }
}
