import { spawn } from "node:child_process";
import { Restarter, type Run } from "./restart.ts";

/** Receiver of frames: a buffer to fill, and a call when it is full. */
export interface FrameTarget {
  /** (height * width) the next frame's counts. */
  counts(): Uint16Array;
  publish(sequence: number): void;
  say(why: string): void;
}

export interface DepthCommand {
  /** Program and arguments, without a shell. */
  readonly command: readonly string[];
  /** Header bytes before each frame, which are skipped. */
  readonly skip: number;
  /** Milliseconds without a byte after which the program counts as hung. */
  readonly silence: number;
}

/** Milliseconds between SIGTERM and SIGKILL. */
const GRACE = 1000;
/** Most characters of a program's error output that are kept. */
const MOST_COMPLAINT = 300;

/**
 * Depth frames from a program's standard output: raw 16-bit counts, little-endian, row-major, one frame after the other
 * (the kernel's Z16 layout). Frames are assembled directly in shared memory. A frame that was not taken yet is replaced by the next one. The
 * program is restarted when it ends, hangs, or cannot be started.
 */
export class DepthCommandSource {
  readonly #command: DepthCommand;
  readonly #target: FrameTarget;
  readonly #restarter: Restarter;
  #sequence = 0;

  constructor(command: DepthCommand, target: FrameTarget) {
    this.#command = command;
    this.#target = target;
    this.#restarter = new Restarter(
      () => this.#start(),
      (why) => target.say(why),
    );
  }

  stop(): Promise<void> {
    return this.#restarter.stop();
  }

  #start(): Run {
    const [program, ...args] = this.#command.command as [string, ...string[]];
    const child = spawn(program, args, { stdio: ["ignore", "pipe", "pipe"] });
    let complaint = "";
    let reason: string | null = null;
    let watchdog: NodeJS.Timeout | undefined;
    const end = (why: string): void => {
      reason ??= why;
      child.kill("SIGTERM");
      setTimeout(() => child.kill("SIGKILL"), GRACE).unref();
    };
    const { silence, skip } = this.#command;
    const heard = (): void => {
      clearTimeout(watchdog);
      watchdog = setTimeout(() => end(`${program} sent nothing for ${silence / 1000} s`), silence);
    };
    const assembler = new FrameAssembler(skip, this.#target, () => this.#target.publish(this.#sequence++));
    heard();
    child.stdout.on("data", (chunk: Buffer) => {
      heard();
      assembler.add(chunk);
    });
    child.stderr.on("data", (chunk: Buffer) => {
      complaint = (complaint + chunk.toString("utf8")).slice(-MOST_COMPLAINT);
    });
    const done = new Promise<string>((resolve) => {
      const finish = (why: string): void => {
        clearTimeout(watchdog);
        const last = complaint.trim().split("\n").at(-1) ?? "";
        resolve(`${reason ?? why}${last === "" ? "" : `: ${last}`}`);
      };
      child.on("error", (error) => finish(`${program} did not start: ${error.message}`));
      child.on("close", (code, signal) => finish(`${program} ended with ${code ?? signal}`));
    });
    return { done, stop: () => end("stopped") };
  }
}

/** Splits a stream of bytes into frames, in place. Chunks may end anywhere, also within a pixel. */
export class FrameAssembler {
  readonly #skip: number;
  readonly #target: Pick<FrameTarget, "counts">;
  readonly #full: () => void;
  #bytes: Uint8Array | null = null;
  #at = 0;

  constructor(skip: number, target: Pick<FrameTarget, "counts">, full: () => void) {
    this.#skip = skip;
    this.#target = target;
    this.#full = full;
  }

  add(chunk: Uint8Array): void {
    for (let used = 0; used < chunk.length; ) {
      if (this.#bytes === null) {
        const counts = this.#target.counts();
        this.#bytes = new Uint8Array(counts.buffer, counts.byteOffset, counts.byteLength);
        this.#at = -this.#skip;
      }
      const left = chunk.length - used;
      if (this.#at < 0) {
        const skipped = Math.min(left, -this.#at);
        used += skipped;
        this.#at += skipped;
        continue;
      }
      const size = Math.min(left, this.#bytes.length - this.#at);
      this.#bytes.set(chunk.subarray(used, used + size), this.#at);
      used += size;
      this.#at += size;
      if (this.#at === this.#bytes.length) {
        this.#bytes = null;
        this.#full();
      }
    }
  }
}
