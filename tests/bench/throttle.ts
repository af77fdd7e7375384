import { readdirSync, readFileSync } from "node:fs";
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

/** Holds a process of this machine to a share of one core, all its threads together, by stopping it. */
export function throttle(pid: number, share: number): Worker {
  return new Worker(new URL(import.meta.url), { workerData: { throttled: pid, share } });
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
