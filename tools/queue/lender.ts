import { mkdtemp, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as wait } from "node:timers/promises";
import { type Job as QueueJob, Worker } from "bullmq";
import { openRecording } from "../../src/record/file.ts";
import { makeFolder } from "../../src/service/make-folder.ts";
import { settingsOf } from "../replay/run.ts";
import type { Answer } from "../tune/job.ts";
import { parseLabels } from "../tune/labels.ts";
import { Lanes } from "../tune/lanes.ts";
import { keyOf, ownProgram } from "../tune/runs.ts";
import { QueueError, type Server } from "./address.ts";
import { Connection } from "./connection.ts";
import type { Order } from "./coordinator.ts";
import { Recordings } from "./parts.ts";
import { type Build, buildOf, describeBuild, PREFIX, Present, queueOf } from "./present.ts";

export interface LendOptions {
  readonly server: Server;
  /** Replays at a time. */
  readonly workers: number;
  /** Folders that may have recordings already. */
  readonly folders: readonly string[];
  /** Folder for fetched recordings; null: a temporary one. */
  readonly keep: string | null;
  readonly say: (line: string) => void;
  readonly patience?: number;
}

/**
 * Milliseconds without a heartbeat after which another lender takes over, and between two checks. A replay that
 * is done twice gives the same result.
 */
const LOCK = 10_000;
const STALLED = 5000;
/** How often a replay may lose its lender. */
const MOST_LOST = 5;
const LOOK = 5000;

/**
 * Lends cores to the tunes at the server that run the same program, until `signal`; replays in progress are then finished.
 * @returns how many replays were done
 * @throws {QueueError} when the server cannot be used or stays away, or the tunes there run another program
 */
export async function lend(options: LendOptions, signal: AbortSignal): Promise<number> {
  const { server, workers, folders, say, patience } = options;
  const connection = await Connection.open(server, say, patience);
  const build = buildOf(ownProgram());
  const present = new Present(connection, "lender", build);
  const kept = options.keep ?? (await mkdtemp(join(tmpdir(), "brinkmap-lent-")));
  makeFolder(kept, 0o700);
  const recordings = new Recordings(connection, folders, kept);
  const lanes = new Lanes(workers);
  let done = 0;
  const worker = new Worker<Order, Answer>(
    queueOf(build),
    async (job) => {
      const answer = await replay(job, recordings, lanes);
      done++;
      return answer;
    },
    {
      connection: connection.beside(),
      prefix: PREFIX,
      concurrency: workers,
      lockDuration: LOCK,
      stalledInterval: STALLED,
      maxStalledCount: MOST_LOST,
      removeOnComplete: { age: 24 * 3600 },
      removeOnFail: { age: 24 * 3600 },
    },
  );
  worker.on("error", () => {}); // the connection reports it, and a replay that another lender repeats gives the same result
  try {
    say(`lending ${workers} ${workers === 1 ? "core" : "cores"} at ${server.name}, ${describeBuild(build)}`);
    await untilOver(signal, connection, present, build);
    if (signal.aborted && connection.client.status === "ready") {
      await present.leave();
      await worker.close(); // waits for replays in progress
    }
    return done;
  } finally {
    await Promise.all([present.leave(), lanes.close()]);
    worker.close(true).catch(() => {}); // not waited for: the server may be away
    connection.close();
    if (options.keep === null) await rm(kept, { recursive: true, force: true });
  }
}

/** @throws {QueueError} when the server stays away, or all tunes there run another program */
async function untilOver(
  signal: AbortSignal,
  connection: Connection,
  present: Present,
  build: Build,
): Promise<void> {
  const over = AbortSignal.any([signal, connection.lost]);
  const isOver = new Promise<[]>((resolve) =>
    over.addEventListener("abort", () => resolve([]), { once: true }),
  );
  let isFirst = true;
  while (!over.aborted) {
    if (connection.client.status === "ready") {
      // A request in flight when the server died is never answered.
      const tuning = await Promise.race([present.all("tuning").catch(() => []), isOver]);
      const [other] = tuning;
      if (other !== undefined && !tuning.some((one) => queueOf(one) === queueOf(build))) {
        throw new QueueError(
          `the tuning at ${connection.server.name} (on ${other.machine}) runs another program: ${describeBuild(other)}, here ${describeBuild(build)}; install the same version of both`,
        );
      }
    }
    await wait(isFirst ? 500 : LOOK, undefined, { signal: over }).catch(() => {});
    isFirst = false;
  }
  connection.lost.throwIfAborted();
}

async function replay(
  { id, data }: QueueJob<Order, Answer>,
  recordings: Recordings,
  lanes: Lanes,
): Promise<Answer> {
  const { content, size, settings, labelsText, group, poses, scenario } = checked(data);
  const path = await recordings.pathOf({ content, size });
  const recording = await openRecording(path);
  const own = settingsOf(recording.header);
  recording.close();
  // The key follows from bytes, settings, labels and program, so any corruption shows here.
  if (keyOf({ content, labelsText, scenario, settings: own }, settings) !== id) {
    throw new QueueError("this order is not what its key says: install the same version on both machines");
  }
  const labels = labelsText === "" ? null : parseLabels(JSON.parse(labelsText));
  return await lanes.run({ path, settings, labels, scenario }, { group, poses });
}

/** @throws {QueueError} naming the field */
function checked(data: Order): Order {
  const { content, size, settings, labelsText, group, poses } = Object(data);
  const isHash = typeof content === "string" && /^[0-9a-f]{64}$/.test(content);
  if (!isHash) throw new QueueError("an order's content is no SHA-256");
  if (!(Number.isSafeInteger(size) && size > 0)) throw new QueueError(`an order's size is ${size}`);
  if (typeof settings !== "object" || settings === null) throw new QueueError("an order has no settings");
  if ([labelsText, group, poses].some((text) => typeof text !== "string")) {
    throw new QueueError("an order's labels, group or poses are no text");
  }
  return data;
}
