/** The output of a writer. */
export interface ByteSink {
  /**
   * Takes all of `bytes`, in order. They may be overwritten once it returns, so keep a copy, not the view.
   * Throws when they can't be stored; the writer then writes nothing more.
   */
  write(bytes: Uint8Array): void;
  close(): void | Promise<void>;
}
