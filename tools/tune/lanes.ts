import { Tinypool } from "tinypool";
import type { Answer, Job } from "./job.ts";

/** Threads run what was compiled of this folder. */
const JOB = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/tools/tune/job.js", import.meta.url)
  : new URL("./job.js", import.meta.url);

/**
 * Jobs that a lane had better do before it helps another with theirs: to prepare a recording costs as much as about two replays
 * of it, and with fewer left the other is done sooner alone.
 */
const WORTH_HELP = 3;

/** Who does what: groups that nobody has begun first, then help for the one with most left. */
export class Roster<Task extends { readonly group: string }> {
  readonly #untouched = new Map<string, Task[]>();
  readonly #begun = new Map<string, Task[]>();

  constructor(tasks: readonly Task[]) {
    for (const task of tasks) {
      const alike = this.#untouched.get(task.group);
      if (alike === undefined) this.#untouched.set(task.group, [task]);
      else alike.push(task);
    }
  }

  /** @param group what the asking lane has prepared; "" when nothing yet */
  next(group: string): Task | undefined {
    const own = this.#begun.get(group)?.shift();
    if (own !== undefined) return own;
    for (const [name, waiting] of this.#untouched) {
      this.#untouched.delete(name);
      this.#begun.set(name, waiting);
      return waiting.shift();
    }
    const [most] = [...this.#begun.values()].sort((a, b) => b.length - a.length);
    return most !== undefined && most.length >= WORTH_HELP ? most.shift() : undefined;
  }
}

/** A thread, and what it has prepared: the newest recording's frames stay in its memory. */
class Lane {
  /** What the job run last was prepared as. */
  group = "";
  isBusy = false;
  readonly #pool = new Tinypool({
    filename: JOB.href,
    ...{ minThreads: 1, maxThreads: 1 },
    resourceLimits: { maxYoungGenerationSizeMb: 8 },
  });

  async run(job: Job, group: string): Promise<Answer> {
    this.isBusy = true;
    this.group = group;
    try {
      return (await this.#pool.run(job)) as Answer;
    } finally {
      this.isBusy = false;
    }
  }

  async close(): Promise<void> {
    await this.#pool.destroy();
  }
}

/** Threads that replay; each goes on with the recording that it has prepared, as long as there is work on it. */
export class Lanes {
  readonly #lanes: readonly Lane[];
  #isClosed = false;

  constructor(count: number) {
    this.#lanes = Array.from({ length: count }, () => new Lane());
  }

  /**
   * Runs one job, on a lane that has prepared its group if one is free; there must be a free lane.
   * @param group jobs with the same one are prepared alike
   */
  run(job: Job, group: string): Promise<Answer> {
    const free = this.#lanes.filter(({ isBusy }) => !isBusy);
    return (free.find((lane) => lane.group === group) ?? free[0]!).run(job, group);
  }

  /**
   * Runs all tasks. Lanes take groups that nobody has begun, one each, so that a recording is read and masked once; only when
   * none is left do they help one another.
   */
  async runAll<Task extends { readonly job: Job; readonly group: string }>(
    tasks: readonly Task[],
    take: (task: Task, answer: Answer) => void,
  ): Promise<void> {
    const roster = new Roster(tasks);
    const next = (lane: Lane): Task | undefined => (this.#isClosed ? undefined : roster.next(lane.group));
    await Promise.all(
      this.#lanes.map(async (lane) => {
        for (let task = next(lane); task !== undefined; task = next(lane)) {
          let answer: Answer;
          try {
            answer = await lane.run(task.job, task.group);
          } catch (error) {
            answer = { failed: (error as Error).message };
          }
          take(task, answer);
        }
      }),
    );
  }

  /** Ends the threads, and what they were about. */
  async close(): Promise<void> {
    this.#isClosed = true;
    await Promise.all(this.#lanes.map((lane) => lane.close()));
  }
}
