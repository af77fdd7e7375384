import { SingleBar } from "cli-progress";

/** A progress bar on stderr where somebody watches it, and nothing where nobody does. */
export class ProgressLine {
  readonly #bar: SingleBar | null;

  constructor(what: string) {
    const format = `${what} {bar} {percentage} %  {eta_formatted} left`;
    this.#bar = process.stderr.isTTY
      ? new SingleBar({ stream: process.stderr, format, clearOnComplete: true })
      : null;
    this.#bar?.start(1, 0);
  }

  /** @param share 0 to 1 */
  show(share: number): void {
    this.#bar?.update(share);
  }

  stop(): void {
    this.#bar?.stop();
  }
}
