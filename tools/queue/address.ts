import type { RunOptions } from "../tune/runs.ts";

/**
 * How a run has its replays done: by those who lend cores at the queue of this address, or, without an address, by
 * threads of this process.
 * @param command the name of the command, which starts its lines on stderr
 * @throws {RangeError} naming what is wrong with the address
 */
export async function executeAt(
  address: string | undefined,
  command: string,
): Promise<Pick<RunOptions, "execute">> {
  if (address === undefined) return {};
  // The queue's packages are loaded only when a queue is asked for.
  const { parseServer } = await import("./server.ts");
  const { overQueue } = await import("./coordinator.ts");
  const say = (line: string) => console.error(`${command}: ${line}`);
  return { execute: overQueue({ server: parseServer(address), say }) };
}
