import { existsSync, mkdirSync, readdirSync, readFileSync, rmdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { isMainThread, Worker, workerData } from "node:worker_threads";

/** Microseconds between looks, and how much unused time may be saved up: the kernel's scheduler hands out slices like that. */
const LOOK = 1000;
const MOST_SAVED = 5000;

/** Nanoseconds that all threads of a process have run. */
function workedBy(pid: number): number {
  let sum = 0;
  try {
    for (const task of readdirSync(`/proc/${pid}/task`)) {
      sum += Number(readFileSync(`/proc/${pid}/task/${task}/schedstat`, "utf8").split(" ")[0]);
    }
  } catch {
    // A thread has just ended; the next look counts again.
  }
  return sum;
}

/** Microseconds over which the kernel's own control group keeps accounts: a share of 25 % is 2.5 ms in each. */
const PERIOD = 10_000;

export interface Throttle {
  /** Who does it. */
  readonly by: string;
  /** Ends it, once the process is gone or may run freely. */
  end(): Promise<void>;
}

/** Holds a process of this machine to a share of one core, all its threads together: by the kernel if it may, else by stopping it. */
export function throttle(pid: number, share: number): Throttle {
  const group = controlGroup(pid, share);
  if (group !== null) return group;
  const worker = new Worker(new URL(import.meta.url), { workerData: { throttled: pid, share } });
  return {
    by: "stop and go signals: the holder may be late itself, and then holds the process for longer",
    end: async () => {
      await worker.terminate();
      process.kill(pid, "SIGCONT");
    },
  };
}

/** A control group with a quota, version 2 or 1; null where there is none that may be written to. */
function controlGroup(pid: number, share: number): Throttle | null {
  const quota = Math.round(share * PERIOD);
  const versions = [
    { root: "/sys/fs/cgroup", limits: { "cpu.max": `${quota} ${PERIOD}` } },
    {
      root: "/sys/fs/cgroup/cpu",
      limits: { "cpu.cfs_period_us": `${PERIOD}`, "cpu.cfs_quota_us": `${quota}` },
    },
  ];
  for (const { root, limits } of versions) {
    const folder = join(root, `brinkmap-bench-${pid}`);
    try {
      mkdirSync(folder);
    } catch {
      continue;
    }
    try {
      if (!Object.keys(limits).every((name) => existsSync(join(folder, name)))) throw new RangeError(root);
      for (const [name, value] of Object.entries(limits)) writeFileSync(join(folder, name), value);
      writeFileSync(join(folder, "cgroup.procs"), `${pid}`);
      return {
        by: `the kernel, ${quota / 1000} ms in every ${PERIOD / 1000} ms`,
        end: async () => {
          writeFileSync(join(root, "cgroup.procs"), `${pid}`);
          rmdirSync(folder);
        },
      };
    } catch {
      rmdirSync(folder);
    }
  }
  return null;
}

function hold(pid: number, share: number): never {
  const sleeper = new Int32Array(new SharedArrayBuffer(4));
  let [saved, before, worked] = [0, performance.now(), workedBy(pid)];
  let isStopped = false;
  for (;;) {
    Atomics.wait(sleeper, 0, 0, LOOK / 1000);
    const now = performance.now();
    const more = workedBy(pid);
    saved = Math.min(MOST_SAVED / 1000, saved + share * (now - before) - Math.max(0, more - worked) / 1e6);
    [before, worked] = [now, Math.max(worked, more)];
    if (saved < 0 !== isStopped) {
      isStopped = !isStopped;
      process.kill(pid, isStopped ? "SIGSTOP" : "SIGCONT");
    }
  }
}

const { throttled, share } = (workerData ?? {}) as { throttled?: number; share?: number };
if (!isMainThread && throttled !== undefined && share !== undefined) hold(throttled, share);
