/**
 * Messages to another thread, several in one post. To wake a thread costs more than most messages do (a tenth of a
 * millisecond on a small board), so that what need not be there this instant goes along with what must.
 */
export class Batch<T> {
  readonly #post: (messages: readonly T[], moved: readonly ArrayBuffer[]) => void;
  #messages: T[] = [];
  #moved: ArrayBuffer[] = [];
  #isDue = false;

  constructor(post: (messages: readonly T[], moved: readonly ArrayBuffer[]) => void) {
    this.#post = post;
  }

  /** Goes out when all that is at hand has been done; `moved` belong to the other thread then. */
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

  /** Now, with all before it. */
  send(): void {
    if (this.#messages.length === 0) return;
    const messages = this.#messages;
    const moved = this.#moved;
    this.#messages = [];
    this.#moved = [];
    this.#post(messages, moved);
  }
}

/** What of a message is moved, not copied: the buffer of its bytes. */
export function movedOf(message: object): readonly ArrayBuffer[] {
  return "bytes" in message && message.bytes instanceof Uint8Array
    ? [message.bytes.buffer as ArrayBuffer]
    : [];
}
