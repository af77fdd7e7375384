import { SingleBar } from "cli-progress";

/** A progress bar on stderr where somebody watches it; elsewhere a plain line each quarter of the way, or nothing. */
export class ProgressLine {
  readonly #what: string;
  readonly #bar: SingleBar | null;
  /** Quarters told so far. */
  #told: number;

  constructor(what: string, elsewhere: "lines" | "nothing" = "nothing") {
    this.#what = what;
    this.#told = elsewhere === "lines" ? 0 : 4;
    const format = `${what} {bar} {percentage} %  {eta_formatted} left`;
    this.#bar = process.stderr.isTTY
      ? // Wrapping stays on: Ctrl-C would leave a terminal without it.
        new SingleBar({ stream: process.stderr, format, clearOnComplete: true, linewrap: true })
      : null;
    this.#bar?.start(1, 0);
  }

  /** @param share 0 to 1 */
  show(share: number): void {
    this.#bar?.update(share);
    const quarters = Math.floor(4 * share);
    if (this.#bar !== null || quarters <= this.#told) return;
    this.#told = quarters;
    process.stderr.write(`${this.#what}: ${25 * quarters} %\n`);
  }

  stop(): void {
    this.#bar?.stop();
  }
}
