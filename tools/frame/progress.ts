/** Least window of the estimate, seconds; it is finite so that the estimate follows a changing speed. */
const LOOK_BACK = 20;
/** Least window of the estimate as a share of the elapsed time, because slow steps need a longer window. */
const LOOK_BACK_SHARE = 0.3;
/** Seconds and share of the work before the first estimate. */
const LEAST_TIME = 2;
const LEAST_SHARE = 0.02;
/** Seconds between two samples that are kept. */
const LEAST_STEP = 0.2;
const BAR_WIDTH = 30;
/** Milliseconds between two updates of the bar. */
const REDRAW = 100;

/** Estimates the time left from the recent speed, not the mean speed: frames take longer as a map grows. */
export class TimeLeft {
  readonly #begun: number;
  /** Oldest first; the window begins at the first entry. */
  readonly #samples: { readonly time: number; readonly share: number }[];

  /** @param time seconds, on any clock that only goes forward */
  constructor(time: number) {
    this.#begun = time;
    this.#samples = [{ time, share: 0 }];
  }

  /** Notes that `share` of the work, 0 to 1, is done; calls in quick succession count as one. */
  note(time: number, share: number): void {
    const samples = this.#samples;
    if (time - samples.at(-1)!.time < LEAST_STEP) return;
    samples.push({ time, share });
    const lookBack = Math.max(LOOK_BACK, LOOK_BACK_SHARE * (time - this.#begun));
    while (time - samples[1]!.time >= lookBack) samples.shift();
  }

  /** Seconds left when `share` is done now; null while too little is done to tell. */
  after(time: number, share: number): number | null {
    const from = this.#samples[0]!;
    if (time - this.#begun < LEAST_TIME || share < LEAST_SHARE || share <= from.share) return null;
    return ((1 - share) * (time - from.time)) / (share - from.share);
  }
}

/** "20 s", "3 min", "1 h 10 min": no more digits than an estimate deserves. */
export function roughTime(seconds: number): string {
  if (seconds < 20) return `${Math.max(1, Math.ceil(seconds))} s`;
  if (seconds < 90) return `${5 * Math.ceil(seconds / 5)} s`;
  const minutes = Math.ceil(seconds / 60);
  if (minutes < 60) return `${minutes} min`;
  const rest = 10 * Math.floor((minutes % 60) / 10);
  return `${Math.floor(minutes / 60)} h${rest > 0 ? ` ${rest} min` : ""}`;
}

/**
 * Progress of a long task on standard error: a bar on a terminal; elsewhere a line for each quarter, or nothing.
 * Call `stop` in a `finally`, or the terminal keeps half a bar.
 */
export class Progress {
  readonly #what: string;
  readonly #left = new TimeLeft(performance.now() / 1000);
  readonly #isTerminal = process.stderr.isTTY === true;
  /** Quarters that have been printed. */
  #printed: number;
  #drawn = Number.NEGATIVE_INFINITY;
  #isShown = false;

  /** @param what a word for the task, "mapping" for example */
  constructor(what: string, elsewhere: "lines" | "nothing" = "nothing") {
    this.#what = what;
    this.#printed = elsewhere === "lines" ? 0 : 4;
  }

  /** @param share of the work that is done, 0 to 1 */
  show(share: number): void {
    const now = performance.now();
    this.#left.note(now / 1000, share);
    const quarters = Math.floor(4 * share);
    const isDue = this.#isTerminal ? now - this.#drawn >= REDRAW || share >= 1 : quarters > this.#printed;
    if (!isDue) return;
    this.#drawn = now;
    const left = this.#left.after(now / 1000, share);
    const estimate = left === null || share >= 1 ? "" : `, about ${roughTime(left)} left`;
    if (this.#isTerminal) {
      const filled = Math.round(BAR_WIDTH * Math.min(1, Math.max(0, share)));
      const bar = "#".repeat(filled) + "-".repeat(BAR_WIDTH - filled);
      // Back to the start of the line, and clear what a longer line left behind the new one.
      process.stderr.write(`\r${this.#what} [${bar}] ${Math.floor(100 * share)} %${estimate}\x1b[K`);
      this.#isShown = true;
    } else {
      this.#printed = quarters;
      process.stderr.write(`${this.#what}: ${25 * quarters} %${estimate}\n`);
    }
  }

  /** Clears the bar, if one is shown. */
  stop(): void {
    if (this.#isShown) process.stderr.write("\r\x1b[K");
    this.#isShown = false;
  }
}
