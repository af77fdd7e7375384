import { type ChildProcessWithoutNullStreams, spawn, spawnSync } from "node:child_process";
import { rmSync, symlinkSync } from "node:fs";
import { join } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";
import { encodeFrame, type Frame, FrameSplitter } from "../../src/link/frames.ts";
import type { FrameContents } from "../../src/link/layouts.ts";
import { BOARD_STOPS } from "../../src/terms/safety.ts";

// The board's half of the serial line, compiled for this machine.

const up = import.meta.url.includes("/dist/") ? "../../../" : "../../";
const folderOf = (path: string): string => fileURLToPath(new URL(up + path, import.meta.url));
const SOURCES = folderOf("motor-board/");
const PROGRAMS = folderOf("tests/link/board/");
/** Every warning is an error, and the sanitizers end the program at the first fault. */
const FLAGS = [
  ..."-std=c99 -Wall -Wextra -Werror -pedantic -Wconversion -Wshadow -g -O1".split(" "),
  ..."-fsanitize=address,undefined -fno-sanitize-recover=all".split(" "),
];

/**
 * Compiles a program of tests/link/board with the board's code.
 * @param into  folder of the program
 * @param flags for this program only
 * @returns its path
 * @throws {Error} with what the compiler says
 */
export function compileBoard(name: string, into: string, flags: readonly string[] = []): string {
  const path = `${into}/${name}`;
  const files = [`${SOURCES}brinkmap_board.c`, `${PROGRAMS}${name}.c`];
  const { status, stderr } = spawnSync("gcc", [...FLAGS, ...flags, "-I", SOURCES, ...files, "-o", path], {
    encoding: "utf8",
  });
  if (status !== 0) throw new Error(`gcc: ${stderr}`);
  return path;
}

/** Compiles the example for a board as far as its hardware allows: without the functions that each board has of its own. @throws {Error} */
export function compileExample(into: string): void {
  const args = [...FLAGS, "-c", `${SOURCES}example.c`, "-o", `${into}/example.o`];
  const { status, stderr } = spawnSync("gcc", args, { encoding: "utf8" });
  if (status !== 0) throw new Error(`gcc: ${stderr}`);
}

const HEAD_AHEAD = 1_000_000; // microseconds: the head's clock minus the board's

/** What a pace permits by default: everything, clear. */
export const FAST: FrameContents<"pace"> = {
  kind: "pace",
  state: 0,
  cause: 255,
  distance: 65535,
  remaining: 300_000,
  forward: 1000,
  backward: 400,
  left: 1500,
  right: 1500,
  arcsForward: [200, 500, 800, 0, 800, 500, 200],
  arcsBackward: [100, 200, 300, 0, 300, 200, 100],
};

export interface Step {
  readonly forward: number;
  readonly turn: number;
  readonly stop: (typeof BOARD_STOPS)[number];
}

/** A script for tests/link/board/rules.c: time stands in it. Times are microseconds of the board's clock. */
export class BoardScript {
  readonly #lines: string[] = [];
  #sequence = 1;
  now = 5_000_000;

  constructor() {
    this.at(this.now);
  }

  line(text: string): this {
    this.#lines.push(text);
    return this;
  }
  at(now: number): this {
    this.now = now;
    return this.line(`now ${now}`);
  }
  wait(milliseconds: number): this {
    return this.at(this.now + 1000 * milliseconds);
  }
  bytes(bytes: Uint8Array): this {
    return this.line(`rx ${Buffer.from(bytes).toString("hex")}`);
  }
  /** A frame from the head; by default it was sent now. */
  frame(contents: FrameContents, stamp: Partial<Frame["stamp"]> = {}): this {
    const sent = this.now + HEAD_AHEAD;
    return this.bytes(
      encodeFrame({ contents, stamp: { flags: 0, sequence: this.#sequence++, sent, age: 0, ...stamp } }),
    );
  }
  pace(change: Partial<FrameContents<"pace">> = {}, stamp: Partial<Frame["stamp"]> = {}): this {
    return this.frame({ ...FAST, ...change }, stamp);
  }
  /** Tells the board the head's time. */
  clock(): this {
    return this.frame({ kind: "time", asked: this.now, received: this.now + HEAD_AHEAD });
  }
  step(forward: number, turn = 0): this {
    return this.line(`step ${forward} ${turn}`);
  }
  /** Steps every 10 ms, with a pace every 20 ms and the time now and then. */
  drive(milliseconds: number, forward: number, turn = 0, pace: Partial<FrameContents<"pace">> = {}): this {
    for (let t = 0; t < milliseconds; t += 10) {
      this.wait(10);
      if (t % 500 === 0) this.clock();
      if (t % 20 === 0) this.pace(pace);
      this.step(forward, turn);
    }
    return this;
  }

  /** Runs the script by the compiled program. @throws {Error} with what a sanitizer says */
  run(program: string): BoardAnswers {
    const { status, stdout, stderr } = spawnSync(program, {
      input: `${this.#lines.join("\n")}\n`,
      encoding: "utf8",
      maxBuffer: 1e8,
    });
    if (status !== 0) throw new Error(`${program} ended with ${status}: ${stderr}`);
    return new BoardAnswers(stdout.split("\n"));
  }
}

/** What the board answered. */
export class BoardAnswers {
  readonly #lines: readonly string[];
  constructor(lines: readonly string[]) {
    this.#lines = lines;
  }
  /** The numbers of all lines that begin with a word. */
  numbers(word: string): number[][] {
    const mine = this.#lines.filter((line) => line.startsWith(`${word} `));
    return mine.map((line) =>
      line
        .slice(word.length + 1)
        .split(" ")
        .map(Number),
    );
  }
  get steps(): Step[] {
    return this.numbers("step").map(([forward, turn, stop]) => ({
      forward: forward!,
      turn: turn!,
      stop: BOARD_STOPS[stop!]!,
    }));
  }
  /** The frames that the board sent. */
  get sent(): Frame[] {
    const found: Frame[] = [];
    const splitter = new FrameSplitter();
    for (const line of this.#lines) {
      if (line.startsWith("send ")) {
        splitter.take(Buffer.from(line.slice(5), "hex"), (frame) => found.push(frame));
      }
    }
    if (splitter.damaged > 0) throw new Error(`${splitter.damaged} damaged frames`);
    return found;
  }
  /** The first word of each line. */
  text(word: string): string[] {
    return this.#lines
      .filter((line) => line.startsWith(`${word} `))
      .map((line) => line.slice(word.length + 1));
  }
}

/** Figures of a board at a pseudo terminal. */
export interface HostReport {
  /** Microseconds: the true age of the oldest pace that it obeyed, since the head sent it. */
  readonly oldest: number;
  /** Microseconds in 99 of 100 paces: from a reach to its first bytes on the line, and from there to the board. */
  readonly waited: number;
  readonly way: number;
  readonly steps: number;
  readonly permitted: number;
  readonly refused: number;
  readonly damaged: number;
}

/** A board that runs on this machine at a pseudo terminal, in real time: tests/link/board/host.c. */
export class HostBoard {
  /** A link to the line, which stays the same when the line is unplugged. */
  readonly path: string;
  readonly #child: ChildProcessWithoutNullStreams;
  motion = { forward: 0, turn: 0, stop: "" };
  /** The program's error output: what a sanitizer says. */
  complaint = "";
  #reports: ((report: HostReport) => void)[] = [];
  #plugged: () => void = () => {};

  private constructor(program: string, path: string) {
    this.path = path;
    this.#child = spawn(program, { stdio: ["pipe", "pipe", "pipe"] });
    this.#child.stderr.on("data", (bytes: Buffer) => {
      this.complaint += bytes.toString();
    });
    createInterface({ input: this.#child.stdout }).on("line", (line) => this.#hear(line));
  }

  /** @param folder of the link; @param program compiled host.c */
  static async start(program: string, folder: string): Promise<HostBoard> {
    const board = new HostBoard(program, join(folder, "board"));
    await new Promise<void>((resolve) => {
      board.#plugged = resolve;
    });
    return board;
  }

  #hear(line: string): void {
    const [word, ...rest] = line.split(" ");
    if (word === "line") {
      rmSync(this.path, { force: true });
      symlinkSync(rest[0]!, this.path);
      this.#plugged();
    } else if (word === "motion") {
      const [forward, turn, stop] = rest.map(Number);
      this.motion = { forward: forward!, turn: turn!, stop: BOARD_STOPS[stop!]! };
    } else if (word === "report") {
      const pairs = rest.flatMap((name, i) => (i % 2 === 0 ? [[name, Number(rest[i + 1])]] : []));
      this.#reports.shift()?.(Object.fromEntries(pairs) as HostReport);
    }
  }

  say(command: string): void {
    this.#child.stdin.write(`${command}\n`);
  }

  report(): Promise<HostReport> {
    const report = new Promise<HostReport>((resolve) => this.#reports.push(resolve));
    this.say("report");
    return report;
  }

  /** Ends the program. @returns its exit code; 0 is good, anything else is a fault that a sanitizer found */
  async stop(): Promise<number | null> {
    const ended = new Promise<number | null>((resolve) => this.#child.once("close", resolve));
    this.#child.stdin.end("quit\n");
    rmSync(this.path, { force: true });
    return ended;
  }
}
