import type { RunOptions } from "../tune/runs.ts";
import { parseServer, QueueError } from "./address.ts";

/** The optional packages that a queue needs; package.json has them as optional peers. */
export const QUEUE_PACKAGES = "bullmq@6 ioredis@5";

/**
 * Loads a module that needs the optional packages.
 * @throws {QueueError} naming the command that installs them, when they are missing
 */
export async function loadQueue<T>(load: () => Promise<T>): Promise<T> {
  try {
    return await load();
  } catch (error) {
    const { code, message } = error as NodeJS.ErrnoException;
    if (code === "QUEUE_LEFT_OUT") {
      throw new QueueError("the package for boards has no queue: install brinkmap with npm on this machine");
    }
    if (code !== "ERR_MODULE_NOT_FOUND" || !/'(bullmq|ioredis)'/.test(message)) throw error;
    throw new QueueError(
      `a queue needs two packages that are not installed: npm install ${QUEUE_PACKAGES} (with -g if brinkmap is installed with -g)`,
    );
  }
}

/**
 * Chooses where replays run: on the lenders at the queue of this address, or, without an address, in
 * threads of this process.
 * @param command the name of the command, which starts its lines on stderr
 * @throws {UsageError} naming what is wrong with the address
 * @throws {QueueError} when the queue's packages are not installed
 */
export async function executeAt(
  address: string | undefined,
  command: string,
): Promise<Pick<RunOptions, "execute">> {
  if (address === undefined) return {};
  const server = parseServer(address);
  const { overQueue } = await loadQueue(() => import("./coordinator.ts"));
  const say = (line: string) => console.error(`${command}: ${line}`);
  return { execute: overQueue({ server, say }) };
}
