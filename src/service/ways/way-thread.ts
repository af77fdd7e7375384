import { MessageChannel, type MessagePort, Worker } from "node:worker_threads";
import { threadScript } from "../threads.ts";
import type { FromWays } from "./way-messages.ts";

/** The thread that finds ways, which a head gets with the first question for one: searches would delay its frames. */
export class WayThread {
  readonly #worker: Worker;

  /**
   * @param connect gets the port by which the sensing thread sends floor and questions
   * @param hear    gets the answers
   * @param failed  called when the thread has died
   */
  constructor(
    connect: (port: MessagePort) => void,
    hear: (message: FromWays) => void,
    failed: (error: Error) => void,
  ) {
    const { port1, port2 } = new MessageChannel();
    const script = threadScript(import.meta.url, "./way-worker");
    this.#worker = new Worker(script, { workerData: port2, transferList: [port2] });
    this.#worker.on("message", hear);
    this.#worker.on("error", failed);
    connect(port1);
  }

  async end(): Promise<void> {
    await this.#worker.terminate();
  }
}
