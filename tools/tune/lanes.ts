import { Tinypool } from "tinypool";
import type { Answer, Job } from "./job.ts";

/** Threads run what was compiled of this folder. */
const JOB = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/tools/tune/job.js", import.meta.url)
  : new URL("./job.js", import.meta.url);

/**
 * Least number of jobs for which one lane helps another. Preparing a recording costs as much as about two replays
 * of it, and finding its poses as much as five more; with fewer jobs left, the other lane is faster alone.
 */
const WORTH_HELP = 3;
const WORTH_POSES = 8;

/** Key of jobs with the same preparation. */
interface Prepared {
  /** Jobs with the same text read and mask the same frames. */
  readonly group: string;
  /** Jobs that also share this text have the same tracked poses; "" where poses are not tracked. */
  readonly poses: string;
}

/** Tasks with the same preparation. */
interface Batch<Task> extends Prepared {
  readonly tasks: Task[];
  isBegun: boolean;
}

/**
 * Which lane takes which task: first a task with the frames and poses that the lane has prepared; then one with its frames and other
 * poses; then one of a recording that no lane has begun; then one of the lane with most tasks left.
 */
export class Roster<Task extends Prepared> {
  readonly #batches: Batch<Task>[] = [];

  constructor(tasks: readonly Task[]) {
    for (const task of tasks) {
      const { group, poses } = task;
      const alike = this.#batches.find((batch) => batch.group === group && batch.poses === poses);
      if (alike === undefined) this.#batches.push({ group, poses, tasks: [task], isBegun: false });
      else alike.tasks.push(task);
    }
  }

  /** @param lane the preparation of the asking lane; texts of no group if it has none yet */
  next({ group, poses }: Prepared): Task | undefined {
    const open = this.#batches.filter(({ tasks }) => tasks.length > 0);
    const own = open.filter((batch) => batch.group === group);
    const batch =
      own.find((one) => one.poses === poses) ??
      own.find(({ isBegun }) => !isBegun) ??
      open.find((one) => this.#isUntouched(one.group)) ??
      this.#inNeed(open);
    if (batch === undefined) return undefined;
    batch.isBegun = true;
    return batch.tasks.shift();
  }

  #isUntouched(group: string): boolean {
    return !this.#batches.some((batch) => batch.group === group && batch.isBegun);
  }

  /** The batch to help with: one whose poses no lane has found comes first, then the one with most left. */
  #inNeed(open: readonly Batch<Task>[]): Batch<Task> | undefined {
    const leftOf = (group: string) =>
      open.reduce((sum, batch) => sum + (batch.group === group ? batch.tasks.length : 0), 0);
    const [most] = open
      .map((batch) => ({ batch, left: batch.isBegun ? batch.tasks.length : leftOf(batch.group) }))
      .filter(({ batch, left }) => left >= (batch.isBegun && batch.poses !== "" ? WORTH_POSES : WORTH_HELP))
      .sort((a, b) => Number(a.batch.isBegun) - Number(b.batch.isBegun) || b.left - a.left);
    return most?.batch;
  }
}

/** A thread, and its preparation: the newest recording's frames and poses stay in its memory. */
class Lane {
  /** The preparation of the last job. */
  has: Prepared = { group: "", poses: "" };
  isBusy = false;
  readonly #pool = new Tinypool({
    filename: JOB.href,
    minThreads: 1,
    maxThreads: 1,
    resourceLimits: { maxYoungGenerationSizeMb: 8 },
  });

  async run(job: Job, { group, poses }: Prepared): Promise<Answer> {
    this.isBusy = true;
    this.has = { group, poses };
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

/** Threads that replay; each stays with the recording that it has prepared as long as there are tasks for it. */
export class Lanes {
  readonly #lanes: readonly Lane[];
  #isClosed = false;

  constructor(count: number) {
    this.#lanes = Array.from({ length: count }, () => new Lane());
  }

  /**
   * Runs one job, on a lane that has prepared what it needs, or some of it, if one is free; there must be a free lane.
   * @param as key of the preparation
   */
  run(job: Job, as: Prepared): Promise<Answer> {
    const free = this.#lanes.filter(({ isBusy }) => !isBusy);
    const alike = free.filter(({ has }) => has.group === as.group);
    return (alike.find(({ has }) => has.poses === as.poses) ?? alike[0] ?? free[0]!).run(job, as);
  }

  /**
   * Runs all tasks. Lanes take groups that no lane has begun, one each, so that a recording is read and masked once, and its poses
   * are found once; only when none is left do they help one another.
   */
  async runAll<Task extends Prepared & { readonly job: Job }>(
    tasks: readonly Task[],
    take: (task: Task, answer: Answer) => void,
  ): Promise<void> {
    const roster = new Roster(tasks);
    const next = (lane: Lane): Task | undefined => (this.#isClosed ? undefined : roster.next(lane.has));
    await Promise.all(
      this.#lanes.map(async (lane) => {
        for (let task = next(lane); task !== undefined; task = next(lane)) {
          let answer: Answer;
          try {
            answer = await lane.run(task.job, task);
          } catch (error) {
            answer = { failed: (error as Error).message };
          }
          take(task, answer);
        }
      }),
    );
  }

  /** Ends the threads and their jobs. */
  async close(): Promise<void> {
    this.#isClosed = true;
    await Promise.all(this.#lanes.map((lane) => lane.close()));
  }
}
