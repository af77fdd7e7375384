import { join } from "node:path";
import { MessageChannel, type MessagePort, Worker } from "node:worker_threads";
import { endsAtBrink } from "../playing/moments.ts";
import type { FromPlaying } from "../playing/playing-messages.ts";
import { threadScript } from "../threads.ts";
import type { Kept, Reason } from "./kept-stretches.ts";
import type { PretriggerSettings } from "./recorder.ts";
import type { FromPretrigger, PretriggerOrder } from "./recorder-worker.ts";

/** The service's end of the pretrigger: what the head says becomes a reason to keep the last minutes. */
export class PretriggerLink {
  /** For the sensing thread, once. */
  readonly port: MessagePort;
  /** All that was kept, oldest first. */
  kept: readonly Kept[] = [];
  /** Why nothing is recorded at the moment; null when all is well. */
  trouble: string | null = null;
  readonly #folder: string;
  readonly #most: number;
  readonly #worker: Worker;
  readonly #tell: (text: string, isTrouble: boolean) => void;
  readonly #closed: Promise<void>;
  #isStopped = false;

  /** @param tell gets what a person should know, and whether it is trouble */
  constructor(settings: PretriggerSettings, tell: (text: string, isTrouble: boolean) => void) {
    const { port1, port2 } = new MessageChannel();
    this.port = port1;
    this.#folder = join(settings.folder, "kept");
    this.#most = settings.kept;
    this.#tell = tell;
    this.#worker = new Worker(threadScript(import.meta.url, "./recorder-worker"), {
      workerData: settings,
      resourceLimits: { maxYoungGenerationSizeMb: 3 },
    });
    this.#order({ kind: "port", port: port2 }, [port2]);
    this.#closed = new Promise((resolve) => {
      this.#worker.on("message", (message: FromPretrigger) => {
        if (message.kind === "closed") resolve();
        else this.#hear(message);
      });
      // The head continues without it.
      this.#worker.on("error", (error) => {
        this.#troubled(error.message);
        resolve();
      });
    });
  }

  #order(order: PretriggerOrder, transfer: MessagePort[] = []): void {
    this.#worker.postMessage(order, transfer);
  }

  #hear(message: Exclude<FromPretrigger, { kind: "closed" }>): void {
    switch (message.kind) {
      case "list":
        this.kept = message.kept;
        break;
      case "kept": {
        const { name, reasons, seconds } = message.kept;
        this.#tell(`kept ${seconds.toFixed(0)} s as ${name}: ${reasons.join(", ")}`, false);
        break;
      }
      case "trouble":
        this.#troubled(message.why);
        break;
      case "well":
        this.trouble = null;
        this.#tell("the last minutes are recorded again", false);
        break;
      default:
        message satisfies never;
    }
  }

  #troubled(why: string): void {
    this.trouble = why;
    this.#tell(`the last minutes are not recorded: ${why}`, true);
  }

  keep(reason: Reason, text: string): void {
    this.#order({ kind: "keep", reason, text });
  }

  /** Whether what was asked for fills the budget by itself: it is never dropped, so a person must remove some of it. */
  get isFull(): boolean {
    const asked = this.kept.filter(({ reasons }) => reasons.includes("asked"));
    return asked.reduce((sum, { bytes }) => sum + bytes, 0) >= this.#most;
  }

  /** What the head says, on its way to the clients. */
  watch(message: FromPlaying): void {
    switch (message.kind) {
      case "knock":
        if (!message.isRepeat)
          this.keep("knock", `at ${message.point.map((v) => v.toFixed(2)).join(", ")} m`);
        break;
      case "waiver":
        if (message.state === "begun") this.keep("waiver", `${message.direction}: ${message.reason}`);
        break;
      case "track":
        if (message.note.what === "lost") this.keep("lost", "the place was not known any more");
        break;
      case "frozen":
        if (message.state === "frozen") this.keep("frozen", `${message.stream} repeats old data`);
        break;
      case "reach": {
        const isStopped = endsAtBrink(message);
        if (isStopped && !this.#isStopped) this.keep("brink", "the way ahead ended at a brink");
        this.#isStopped = isStopped;
        break;
      }
      default: // nothing to be kept for
    }
  }

  /** Where a kept stretch of that name is, or null. */
  find(name: string): string | null {
    return this.kept.some((one) => one.name === name) ? join(this.#folder, name) : null;
  }

  /** Waits until what is to be kept is, `most` milliseconds at most: the rest is joined at the next start. */
  async close(most: number): Promise<void> {
    this.#order({ kind: "close" });
    await Promise.race([this.#closed, new Promise((resolve) => setTimeout(resolve, most).unref())]);
    await this.#worker.terminate();
  }
}
