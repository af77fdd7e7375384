import { statSync } from "node:fs";
import { Queue, QueueEvents, type Job as QueueJob } from "bullmq";
import type { Answer } from "../tune/job.ts";
import { type Execute, ownProgram, type Task } from "../tune/runs.ts";
import type { Server } from "./address.ts";
import { Connection } from "./connection.ts";
import { type Content, giveParts } from "./parts.ts";
import { type Build, buildOf, describeBuild, PREFIX, Present, queueOf } from "./present.ts";

/** An order in the queue: everything that affects a replay, and no path of this machine. Its id is the task's key. */
export interface Order extends Content {
  /** Over those in the recording's header. */
  readonly settings: Readonly<Record<string, unknown>>;
  /** The labels as text; "" without. */
  readonly labelsText: string;
  /** The scenario; null where no truth is known. */
  readonly scenario: unknown;
  /** See `Task`. */
  readonly group: string;
  readonly poses: string;
}

export interface QueueOptions {
  readonly server: Server;
  /** Prints a line of progress for people. */
  readonly say: (line: string) => void;
  /** Milliseconds for which a lost server is retried. */
  readonly patience?: number;
}

/** Seconds for which answers stay at the server, for a tune that was stopped and continues. */
const KEPT = 24 * 3600;
/** Milliseconds between two checks for missed answers, and for members. */
const LOOK = 5000;
/** Milliseconds without a lender after which a line says so. */
const ALONE = 10_000;
const SLICE = 500;

/**
 * Distributes tasks to the lenders at the same server. Answers come in any order; answers that the
 * server still has are not computed again.
 * @throws {QueueError} when the server cannot be used, or stays away
 */
export const overQueue =
  ({ server, say, patience }: QueueOptions): Execute =>
  async (tasks, take, signal) => {
    const connection = await Connection.open(server, say, patience);
    const coordinator = new Coordinator(connection, say, tasks, take);
    try {
      await coordinator.run(signal);
    } finally {
      await coordinator.close(signal.aborted);
      connection.close();
    }
    connection.lost.throwIfAborted();
  };

class Coordinator {
  readonly #connection: Connection;
  readonly #say: (line: string) => void;
  readonly #take: (task: Task, answer: Answer) => void;
  readonly #tasks: readonly Task[];
  /** Not answered yet, by key. */
  readonly #open: Map<string, Task>;
  /** Bytes of recordings, by content. */
  readonly #sizes: ReadonlyMap<string, number>;
  readonly #build: Build = buildOf(ownProgram());
  readonly #queue: Queue<Order, Answer>;
  readonly #events: QueueEvents;
  readonly #present: Present;
  readonly #ended = new AbortController();
  readonly #began = performance.now();
  /** The last line about lenders. */
  #said = "";

  constructor(
    connection: Connection,
    say: (line: string) => void,
    tasks: readonly Task[],
    take: (task: Task, answer: Answer) => void,
  ) {
    this.#connection = connection;
    this.#say = say;
    this.#take = take;
    // Tasks with the same preparation are consecutive, so that it is done once.
    const byText = (a: string, b: string) => (a < b ? -1 : a > b ? 1 : 0);
    this.#tasks = [...tasks].sort((a, b) => byText(a.group, b.group) || byText(a.poses, b.poses));
    this.#sizes = new Map(tasks.map(({ entry: { content, path } }) => [content, statSync(path).size]));
    this.#open = new Map(this.#tasks.map((task) => [task.key, task]));
    const name = queueOf(this.#build);
    this.#queue = new Queue(name, {
      connection: connection.beside(),
      prefix: PREFIX,
      defaultJobOptions: {
        attempts: 3,
        backoff: { type: "fixed", delay: 1000 },
        removeOnComplete: { age: KEPT },
        removeOnFail: { age: KEPT },
      },
    });
    this.#events = new QueueEvents(name, { connection: connection.beside(), prefix: PREFIX });
    this.#present = new Present(connection, "tuning", this.#build);
    // The connection reports errors of the server.
    this.#queue.on("error", () => {});
    this.#events.on("error", () => {});
  }

  /** Returns when all is answered, the run is stopped, or the server stays away. */
  async run(signal: AbortSignal): Promise<void> {
    const recordings = [...new Set(this.#tasks.map(({ entry }) => entry))];
    void giveParts(this.#connection, recordings, this.#ended.signal);
    const all = AbortSignal.any([signal, this.#connection.lost, this.#ended.signal]);
    let fail: (error: unknown) => void = () => {};
    const done = new Promise<void>((resolve, reject) => {
      fail = reject;
      all.addEventListener("abort", () => resolve(), { once: true });
      if (all.aborted) resolve();
    });
    const guarded = (body: () => void | Promise<void>) => {
      Promise.resolve().then(body).catch(fail);
    };
    this.#events.on("completed", ({ jobId, returnvalue }) =>
      guarded(() => this.#answer(jobId, returnvalue as unknown)),
    );
    this.#events.on("failed", ({ jobId, failedReason }) =>
      guarded(() => this.#answer(jobId, { failed: reasonOf(failedReason) })),
    );
    guarded(() => this.#hand());
    let isLooking = false;
    const timer = setInterval(() => {
      if (isLooking || this.#connection.client.status !== "ready") return;
      isLooking = true;
      guarded(async () => {
        await this.#look();
        await this.#tellWhoIsThere();
        isLooking = false;
      });
    }, LOOK);
    try {
      await done;
    } finally {
      clearInterval(timer);
    }
  }

  #answer(key: string, value: unknown): void {
    const task = this.#open.get(key);
    if (task === undefined) return; // another tune's, or received already
    this.#open.delete(key);
    this.#take(task, isAnswer(value) ? value : { failed: "what came back is no score" });
    if (this.#open.size === 0) this.#ended.abort();
  }

  /** Takes the answers that the server has already, and orders the rest. */
  async #hand(): Promise<void> {
    await this.#queue.waitUntilReady();
    const keys = [...this.#open.keys()];
    for (let from = 0; from < keys.length; from += SLICE) {
      const slice = keys.slice(from, from + SLICE);
      await Promise.all(slice.map((key) => this.#takeEarlier(key)));
      await this.#order(slice.filter((key) => this.#open.has(key)));
    }
  }

  /** An order of an earlier run: its score is used, its failure is retried. */
  async #takeEarlier(key: string): Promise<void> {
    const job = await this.#queue.getJob(key);
    if (job?.finishedOn === undefined) return;
    const value = outcomeOf(job);
    if (isAnswer(value) && "score" in value) this.#answer(key, value);
    else await job.remove();
  }

  async #order(keys: readonly string[]): Promise<void> {
    const jobs = keys.map((key) => {
      const { entry, job, group, poses } = this.#open.get(key)!;
      const { content, labelsText, scenario } = entry;
      const size = this.#sizes.get(content)!;
      const data: Order = { content, size, labelsText, scenario, group, poses, settings: job.settings };
      return { name: "replay", data, opts: { jobId: key } };
    });
    if (jobs.length > 0) await this.#queue.addBulk(jobs);
  }

  /** Handles missed events, and orders that the server lost. */
  async #look(): Promise<void> {
    const keys = [...this.#open.keys()];
    for (let from = 0; from < keys.length; from += SLICE) {
      const gone: string[] = [];
      await Promise.all(
        keys.slice(from, from + SLICE).map(async (key) => {
          const job = await this.#queue.getJob(key);
          if (job === undefined) gone.push(key);
          else if (job.finishedOn !== undefined) this.#answer(key, outcomeOf(job));
        }),
      );
      await this.#order(gone.filter((key) => this.#open.has(key)));
    }
  }

  async #tellWhoIsThere(): Promise<void> {
    const lenders = await this.#present.all("lender");
    const own = lenders.filter((one) => queueOf(one) === queueOf(this.#build));
    const others = lenders.filter((one) => queueOf(one) !== queueOf(this.#build));
    let line = "";
    const where = this.#connection.server.name;
    if (own.length > 0) {
      line = `${own.length} lending: ${[...new Set(own.map(({ machine }) => machine))].join(", ")}`;
    } else if (others.length > 0) {
      line = `the lender at ${where} runs another program (${describeBuild(others[0]!)} at ${others[0]!.machine}; here ${describeBuild(this.#build)}): install the same version there`;
    } else if (performance.now() - this.#began >= ALONE) {
      line = `no machine lends cores at ${where} yet; there or here, run: brinkmap lend ${where}`;
    }
    if (line !== "" && line !== this.#said) this.#say(line);
    this.#said = line;
  }

  /** @param isStopped whether orders that no lender has begun are withdrawn */
  async close(isStopped: boolean): Promise<void> {
    this.#ended.abort();
    // Away, it would be waited for.
    const isThere = this.#connection.client.status === "ready";
    await this.#present.leave();
    if (isStopped && isThere) {
      // A replay in progress cannot be withdrawn; its answer stays at the server for the next run.
      await Promise.all([...this.#open.keys()].map((key) => this.#queue.remove(key).catch(() => 0)));
    }
    const closed = Promise.allSettled([this.#events.close(), this.#queue.close()]);
    if (isThere) await closed;
  }
}

const outcomeOf = ({ returnvalue, failedReason }: QueueJob<Order, Answer>): unknown =>
  failedReason ? { failed: reasonOf(failedReason) } : returnvalue;

const reasonOf = (reason: string): string =>
  /stalled more than/.test(reason)
    ? "each lender that began it went away; does it have enough memory?"
    : reason;

function isAnswer(value: unknown): value is Answer {
  const { failed, score } = Object(value);
  return (
    typeof failed === "string" || (typeof score?.within5cm === "number" && typeof score.hash === "string")
  );
}
