import type { HeadClient } from "../../src/client/client.ts";
import type { FromServer } from "../../src/wire/messages.ts";

/** The base that docs/protocol.md gives in TypeScript: it knows how fast it may drive ahead, and when it last changed its mind. */
export class ObeyingBase {
  readonly #timer: NodeJS.Timeout;
  /** When the pace of the newest reach ends, milliseconds of `performance.now`. */
  #ends = Number.NEGATIVE_INFINITY;
  limit = 0;
  /** The newest reach, and when the limit became 0 last; milliseconds of `performance.now`. */
  reach: FromServer<"reach"> | null = null;
  stoppedAt = performance.now();
  /** The state by which it stopped last, or "silence". */
  cause = "silence";

  constructor(client: HeadClient) {
    client.on("reach", (reach) => {
      this.reach = reach;
      const { state, age, pace, time, until } = reach;
      this.#ends = performance.now() + (until - time - age) / 1000;
      const isFit = state === "clear" || state === "dark";
      this.#set(isFit && pace !== null ? pace.forward : 0, state);
    });
    this.#timer = setInterval(() => {
      if (performance.now() >= this.#ends) this.#set(0, "silence");
    }, 10);
    client.subscribe({ reach: 100 });
  }

  #set(limit: number, cause: string): void {
    if (limit === 0 && this.limit > 0) {
      this.stoppedAt = performance.now();
      this.cause = cause;
    }
    this.limit = limit;
  }

  end(): void {
    clearInterval(this.#timer);
  }
}
