import { join } from "node:path";
import { MessageChannel, type MessagePort, Worker } from "node:worker_threads";
import { endsAtBrink } from "../playing/moments.ts";
import type { FromPlaying } from "../playing/playing-messages.ts";
import { threadScript } from "../threads.ts";
import type { Kept, Reason } from "./kept-stretches.ts";
import type { PretriggerSettings } from "./recorder.ts";
import type { FromPretrigger, PretriggerOrder } from "./recorder-worker.ts";

/** The service's interface to the pre-trigger recorder. Messages of the head become reasons to keep the last minutes. */
export class PretriggerLink {
  /** The port for the sensing thread. It can be transferred once. */
  readonly port: MessagePort;
  /** All kept stretches, oldest first. */
  kept: readonly Kept[] = [];
  /** Why nothing is recorded at present; null without an error. */
  trouble: string | null = null;
  readonly #folder: string;
  readonly #most: number;
  readonly #worker: Worker;
  readonly #tell: (text: string, isTrouble: boolean) => void;
  readonly #closed: Promise<void>;
  #isStopped = false;

  /** @param tell gets notes for a person, and whether they are errors */
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
        this.#reportTrouble(error.message);
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
        this.#reportTrouble(message.why);
        break;
      case "well":
        this.trouble = null;
        this.#tell("the last minutes are recorded again", false);
        break;
      default:
        message satisfies never;
    }
  }

  #reportTrouble(why: string): void {
    this.trouble = why;
    this.#tell(`the last minutes are not recorded: ${why}`, true);
  }

  keep(reason: Reason, text: string): void {
    this.#order({ kind: "keep", reason, text });
  }

  /** Whether stretches that were asked for fill the budget. They are never deleted, so a person must remove some. */
  get isFull(): boolean {
    const asked = this.kept.filter(({ reasons }) => reasons.includes("asked"));
    return asked.reduce((sum, { bytes }) => sum + bytes, 0) >= this.#most;
  }

  /** Gets each message of the head. */
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
      default: // no reason to keep anything
    }
  }

  /** The path of a kept stretch, or null. */
  find(name: string): string | null {
    return this.kept.some((one) => one.name === name) ? join(this.#folder, name) : null;
  }

  /** Waits, at most `most` milliseconds, until all stretches are joined. The rest is joined at the next start. */
  async close(most: number): Promise<void> {
    this.#order({ kind: "close" });
    await Promise.race([this.#closed, new Promise((resolve) => setTimeout(resolve, most).unref())]);
    await this.#worker.terminate();
  }
}
