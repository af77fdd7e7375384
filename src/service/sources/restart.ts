/** Milliseconds: the first pause, and the longest. */
const FIRST_PAUSE = 250;
const LONGEST_PAUSE = 10_000;
/** Milliseconds of running after which a program counts as healthy again. */
const WELL_AFTER = 10_000;

/** Something that runs until it fails. `stop` ends it early, and then `done` resolves. */
export interface Run {
  /** Resolves with the reason of its end, in one line. Never rejects. */
  readonly done: Promise<string>;
  stop(): void;
}

/**
 * Keeps something running: restarts it whenever it ends, with an exponential back-off that is reset after a healthy run.
 * @param start begins a run; an error that it throws counts as the end of that run
 * @param say gets the reason of each end, with the time of the next start and without
 */
export class Restarter {
  readonly #start: () => Run;
  readonly #say: (told: string, why: string) => void;
  #run: Run | null = null;
  #timer: NodeJS.Timeout | null = null;
  #wake: () => void = () => {};
  #isStopped = false;
  readonly #ended: Promise<void>;

  constructor(start: () => Run, say: (told: string, why: string) => void) {
    this.#start = start;
    this.#say = say;
    this.#ended = this.#keepRunning();
  }

  async #keepRunning(): Promise<void> {
    let pause = FIRST_PAUSE;
    while (!this.#isStopped) {
      const begun = performance.now();
      let why: string;
      try {
        this.#run = this.#start();
        why = await this.#run.done;
      } catch (error) {
        why = (error as Error).message;
      }
      this.#run = null;
      if (this.#isStopped) return;
      if (performance.now() - begun > WELL_AFTER) pause = FIRST_PAUSE;
      this.#say(`${why}; again in ${(pause / 1000).toFixed(2)} s`, why);
      await new Promise<void>((resolve) => {
        this.#wake = resolve;
        this.#timer = setTimeout(resolve, pause);
      });
      pause = Math.min(LONGEST_PAUSE, pause * 2);
    }
  }

  async stop(): Promise<void> {
    this.#isStopped = true;
    if (this.#timer !== null) clearTimeout(this.#timer);
    this.#wake();
    this.#run?.stop();
    await this.#ended;
  }
}
