import { Tinypool } from "tinypool";

/**
 * Runs jobs in threads until `next` has no more; rows come in the order in which they are ready.
 * @param script its exported `runJob` takes a job and returns a row, both plain data
 * @throws what a job throws, then without waiting for the others
 */
export async function runJobs<Job, Row>(
  script: URL,
  workers: number,
  next: () => Job | null,
  done: (row: Row) => void,
): Promise<void> {
  const pool = new Tinypool({ filename: script.href, minThreads: workers, maxThreads: workers });
  try {
    await Promise.all(
      Array.from({ length: workers }, async () => {
        for (let job = next(); job !== null; job = next()) {
          done((await pool.run(job, { name: "runJob" })) as Row);
        }
      }),
    );
  } finally {
    await pool.destroy();
  }
}
