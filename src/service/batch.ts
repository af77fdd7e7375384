/**
 * Sends messages to another thread in batches. Waking a thread costs more than most messages do (a tenth of a millisecond on a small board),
 * so messages that are not urgent go along with the next urgent one.
 */
export class Batch<T> {
  readonly #post: (messages: readonly T[], moved: readonly ArrayBuffer[]) => void;
  #messages: T[] = [];
  #moved: ArrayBuffer[] = [];
  #isDue = false;

  constructor(post: (messages: readonly T[], moved: readonly ArrayBuffer[]) => void) {
    this.#post = post;
  }

  /** Queues a message. The batch is sent at the end of this turn of the event loop; `moved` then belong to the other thread. */
  add(message: T, moved: readonly ArrayBuffer[] = []): void {
    this.#messages.push(message);
    this.#moved.push(...moved);
    if (this.#isDue) return;
    this.#isDue = true;
    setImmediate(() => {
      this.#isDue = false;
      this.send();
    });
  }

  /** Sends the batch now. */
  send(): void {
    if (this.#messages.length === 0) return;
    const messages = this.#messages;
    const moved = this.#moved;
    this.#messages = [];
    this.#moved = [];
    this.#post(messages, moved);
  }
}

/** The buffers of a message that are transferred instead of copied: the one of its bytes. */
export function movedOf(message: object): readonly ArrayBuffer[] {
  return "bytes" in message && message.bytes instanceof Uint8Array
    ? [message.bytes.buffer as ArrayBuffer]
    : [];
}
