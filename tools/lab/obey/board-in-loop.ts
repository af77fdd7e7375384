import { type ChildProcess, spawn, spawnSync } from "node:child_process";
import { closeSync, mkdtempSync, openSync, readSync, rmSync, writeSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { BoardLink } from "../../../src/service/base/board-link.ts";
import type { Draft } from "../../../src/wire/messages.ts";
import { compileBoard } from "../../../tests/helpers/motor-board-c.ts";
import type { Base, BaseBuild, Command } from "./base.ts";

/** Factor by which the driver's commands exceed the pace, so that the board alone holds the base back. */
const RECKLESS = 3;
/** Microseconds: the board's clock minus the head's. It wraps during the drive. */
const CLOCK_AHEAD = 2 ** 32 - 4_000_000;
/** Metres a second in a unit of the program's motions, which are 1/256 mm/s. */
const PER_UNIT = 1 / 256_000;
const MOST = 32_767;

let program: string | null = null;
/** The compiled program of this process; it is removed when the process ends. */
function compiled(): string {
  if (program === null) {
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-obey-"));
    process.once("exit", () => rmSync(folder, { recursive: true }));
    program = compileBoard("rules", folder);
  }
  return program;
}

/** The board's compiled code between the head and the wheels of a simulated base. Time stands between two ticks: the program waits for each. */
export class BoardInLoop {
  readonly #child: ChildProcess;
  readonly #folder: string;
  readonly #to: number;
  readonly #from: number;
  readonly #answer = Buffer.alloc(4096);
  #link: BoardLink;
  #contacts = 0;

  constructor({ deceleration, acceleration }: BaseBuild) {
    this.#folder = mkdtempSync(join(tmpdir(), "brinkmap-obey-"));
    const pipes = ["to", "from"].map((name) => join(this.#folder, name)) as [string, string];
    if (spawnSync("mkfifo", pipes).status !== 0) throw new Error("mkfifo failed");
    const command = ["-c", 'exec "$0" <"$1" >"$2"', compiled(), ...pipes];
    this.#child = spawn("sh", command, { stdio: ["ignore", "ignore", "inherit"] });
    this.#to = openSync(pipes[0], "w");
    this.#from = openSync(pipes[1], "r");
    this.#link = this.#openLink();
    const whole = (value: number): number => Math.min(20_000, Math.ceil(1000 * value));
    // In turns the base itself limits the change of speed.
    this.#say(`setup ${whole(deceleration)} ${whole(acceleration)} 20000 20000`);
  }

  /** Observations of the board are left out: the drive's own senses send them. */
  #openLink(): BoardLink {
    return new BoardLink(true, null, { observe: () => {}, note: () => {} });
  }

  /** Takes a reach of the head. */
  send(reach: Draft<"reach">): void {
    this.#link.send(reach);
  }

  answer(): void {}

  /** The head was started anew. */
  restart(): void {
    this.#link = this.#openLink();
  }

  #say(...lines: string[]): void {
    writeSync(this.#to, `${lines.join("\n")}\n`);
  }

  /** Reads answers up to the one that ends a tick. */
  #hear(): string[] {
    let text = "";
    while (!/^send .*\n$/m.test(text.slice(text.lastIndexOf("\n", text.length - 2) + 1))) {
      const size = readSync(this.#from, this.#answer);
      if (size === 0) throw new Error("the board's program has ended");
      text += this.#answer.toString("latin1", 0, size);
    }
    return text.split("\n");
  }

  /**
   * One tick: what is due goes over the line, and the board says how the wheels turn.
   * @param wish    of a driver that keeps to the pace; the board is asked for more
   * @param isAwake whether the head's computer runs
   * @param now     the head's clock, microseconds
   */
  drive(wish: Command, base: Base, isAwake: boolean, now: number): Command {
    const lines = [`now ${(now + CLOCK_AHEAD) % 2 ** 32}`];
    if (isAwake) {
      for (let frame = this.#link.next(now); frame !== null; frame = this.#link.next(now)) {
        lines.push(`rx ${Buffer.from(frame).toString("hex")}`);
      }
    }
    if (base.contacts.length > this.#contacts)
      lines.push(`contact ${base.contacts.at(-1)!.point[0] >= 0 ? 0 : 1} 1`);
    this.#contacts = base.contacts.length;
    const onSpot = wish.curvature === Number.POSITIVE_INFINITY;
    const most = (value: number): number =>
      Math.max(-MOST, Math.min(MOST, Math.round(1000 * RECKLESS * value)));
    lines.push(
      onSpot
        ? `step 0 ${most(wish.speed)}`
        : `step ${most(wish.speed)} ${Math.round(most(wish.speed) * wish.curvature)}`,
    );
    // One frame each 5 ms: less than the line carries.
    lines.push("send");
    this.#say(...lines);
    const answers = this.#hear();
    const sent = answers.find((line) => line.startsWith("send "))!.slice(5);
    if (isAwake && sent !== "") this.#link.take(Buffer.from(sent, "hex"), now);
    const [, , , , forward, turn] = answers
      .find((line) => line.startsWith("step "))!
      .split(" ")
      .map(Number);
    return commandOf(PER_UNIT * forward!, PER_UNIT * turn!, base);
  }

  end(): void {
    closeSync(this.#to);
    closeSync(this.#from);
    this.#child.unref();
    rmSync(this.#folder, { recursive: true });
  }
}

/** The board's motion for a base that changes between arc and spot at a standstill only. */
function commandOf(forward: number, turn: number, base: Base): Command {
  const isOnSpot = base.curvature === Number.POSITIVE_INFINITY;
  const stand = { curvature: base.curvature, speed: 0 };
  if (forward !== 0) {
    return isOnSpot && base.speed !== 0 ? stand : { curvature: turn / forward, speed: forward };
  }
  if (turn === 0) return stand;
  return !isOnSpot && base.speed !== 0 ? stand : { curvature: Number.POSITIVE_INFINITY, speed: turn };
}
