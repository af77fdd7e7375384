import { createInterface, type Interface } from "node:readline";
import { UsageError } from "../frame/errors.ts";
import { QUESTIONS, type QuestionName } from "./questions.ts";

/** The setup ended before its last confirmation: nothing was written. */
export class StoppedError extends Error {
  override readonly name = "StoppedError";
}

/** The person skips or repeats the present step. */
export class StepTurn extends Error {
  override readonly name = "StepTurn";
  readonly turn: "skip" | "repeat";
  constructor(turn: "skip" | "repeat") {
    super(turn);
    this.turn = turn;
  }
}

export interface TalkParts {
  readonly input: NodeJS.ReadableStream;
  readonly print: (line: string) => void;
  /** Answers given beforehand. */
  readonly answers: ReadonlyMap<QuestionName, string>;
  /** Ask nothing: a question without an answer takes its proposal. */
  readonly isBatch: boolean;
  readonly signal: AbortSignal;
}

/** Words that are understood at every question. */
const WORDS = "? explains, skip and repeat are for this step, quit ends and changes nothing";
const INTERRUPTED = "interrupted: nothing was changed";

/** Asks questions in a terminal, or takes the answers from elsewhere. */
export class Talk {
  readonly isBatch: boolean;
  readonly #parts: TalkParts;
  readonly #reader: Interface;
  readonly #lines: string[] = [];
  #isOver = false;
  #wake: () => void = () => {};

  constructor(parts: TalkParts) {
    this.#parts = parts;
    this.isBatch = parts.isBatch;
    // The terminal itself edits lines: no control characters are printed.
    this.#reader = createInterface({ input: parts.input, terminal: false });
    this.#reader.on("line", (line) => {
      this.#lines.push(line.trim());
      this.#wake();
    });
    this.#reader.on("close", () => {
      this.#isOver = true;
      this.#wake();
    });
    parts.signal.addEventListener("abort", () => this.#wake());
  }

  close(): void {
    this.#reader.close();
  }

  say(...lines: readonly string[]): void {
    for (const line of lines) this.#parts.print(line);
  }

  /** @throws {StoppedError} after Ctrl-C */
  checkInterrupt(): void {
    if (this.#parts.signal.aborted) throw new StoppedError(INTERRUPTED);
  }

  /**
   * Asks until the answer can be used.
   * @param read throws a RangeError that says what is wrong with an answer
   * @param proposal the answer of an empty line; null: there is none
   */
  async ask<T>(name: QuestionName, read: (text: string) => T, proposal: string | null = null): Promise<T> {
    const { text, help } = QUESTIONS[name];
    const given = this.#parts.answers.get(name);
    if (given !== undefined || this.isBatch) {
      const answer = given ?? proposal;
      if (answer === null) throw new UsageError(`--batch needs --answer ${name}=<value>: ${text}`);
      this.say(`${text} [${name}] ${answer}`);
      try {
        return read(answer);
      } catch (error) {
        if (error instanceof RangeError) throw new UsageError(`--answer ${name}: ${error.message}`);
        throw error;
      }
    }
    for (;;) {
      this.say(`${text} [${name}]${proposal === null ? "" : ` (Enter: ${proposal})`}`);
      const line = await this.#line();
      const answer = this.#meaning(line, help) ?? (line === "" ? proposal : line);
      if (answer === HELPED) continue;
      if (answer === null) {
        this.say("  An answer is needed here; ? explains.");
        continue;
      }
      try {
        return read(answer);
      } catch (error) {
        if (!(error instanceof RangeError)) throw error;
        this.say(`  ${error.message}`);
      }
    }
  }

  async askYes(name: QuestionName, proposal: "yes" | "no" | null = null): Promise<boolean> {
    return this.ask(name, readYes, proposal);
  }

  /** Waits for Enter, or until `ended` resolves; returns at once without a person. */
  async enter(text: string, ended: Promise<void> = new Promise(() => {})): Promise<void> {
    if (this.isBatch) return;
    this.say(`${text} (Enter, or skip, repeat, quit)`);
    const line = await Promise.race([this.#line(), ended.then(() => "")]);
    this.#meaning(line, "");
  }

  /** Words that are no answer. @returns HELPED after an explanation; null for an answer */
  #meaning(line: string, help: string): string | null {
    switch (line.toLowerCase()) {
      case "?":
        this.say(`  ${help}`, `  Everywhere: ${WORDS}.`);
        return HELPED;
      case "skip":
      case "repeat":
        throw new StepTurn(line.toLowerCase() as StepTurn["turn"]);
      case "quit":
        throw new StoppedError("ended on request: nothing was changed");
      default:
        return null;
    }
  }

  async #line(): Promise<string> {
    for (;;) {
      this.checkInterrupt();
      const line = this.#lines.shift();
      if (line !== undefined) return line;
      if (this.#isOver)
        throw new StoppedError("the input ended before the last question: nothing was changed");
      await new Promise<void>((resolve) => {
        this.#wake = resolve;
      });
    }
  }
}

/** Stands for "the question was explained". No answer has this character. */
const HELPED = "\0";

/** @throws {RangeError} */
export function readYes(text: string): boolean {
  if (/^y(es)?$/i.test(text)) return true;
  if (/^no?$/i.test(text)) return false;
  throw new RangeError(`"${text}" is neither yes nor no`);
}

/** A reader of numbers within bounds. A comma is taken as a decimal point. */
export function numberIn(low: number, high: number, unit: string): (text: string) => number {
  return (text) => {
    const value = Number(text.replace(",", ".").replace(/\s*(m|s|m\/s2|deg|degrees|baud)$/i, ""));
    if (text.trim() === "" || !Number.isFinite(value))
      throw new RangeError(`"${text}" is not a number (${unit})`);
    if (value >= low && value <= high) return value;
    const centi = value / 100;
    const hint =
      unit === "m" && value > high && centi >= low && centi <= high
        ? `; metres are asked for: ${value} cm is ${centi}`
        : "";
    throw new RangeError(`${value} ${unit} is not possible here: ${low} to ${high} ${unit}${hint}`);
  };
}

/** A reader of one choice of a list: its number, its word, or "none" where that is possible. @returns the index; null: none */
export function choiceOf(words: readonly string[], hasNone = true): (text: string) => number | null {
  return (text) => {
    if (hasNone && /^none$/i.test(text)) return null;
    const index = /^\d+$/.test(text) ? Number(text) - 1 : words.indexOf(text);
    if (index >= 0 && index < words.length) return index;
    const list = words.map((word, n) => `${n + 1} (${word})`).join(", ");
    throw new RangeError(`"${text}" is not in the list: ${list}${hasNone ? ", none" : ""}`);
  };
}
