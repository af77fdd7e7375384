import { readFileSync, realpathSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { failureOf, nearest } from "./errors.ts";

/** Printed wherever a robot may be about to move. */
export const CAUTION =
  "This is not a safety device: keep an independent hardware stop, and read the cautions in README.md.";

/** One option, for the parser and for the help. */
export interface Option {
  readonly type: "string" | "boolean";
  readonly short?: string;
  readonly multiple?: boolean;
  readonly default?: string;
  /** Stands for the value in the help, "<file>" for example. */
  readonly value?: string;
  /** What it does. */
  readonly help: string;
  /** A line above it in the help, where a group of options begins. */
  readonly heading?: string;
}
export type Options = Readonly<Record<string, Option>>;

type Parsed<O extends Options> = ReturnType<typeof parseArgs<{ options: O; allowPositionals: true }>>;
/** Values from the command line. */
export interface Call<O extends Options> {
  readonly values: Parsed<O>["values"];
  readonly positionals: readonly string[];
}

export interface Command<O extends Options> {
  readonly name: string;
  /** Prefix of the name in the usage line, "brinkmap" by default. */
  readonly within?: string;
  /** Usage after the name; further entries are further usage lines. */
  readonly usage: string | readonly string[];
  /** What the command does, in a line. */
  readonly about: string;
  readonly options: O;
  /** Lines after the options. */
  readonly notes?: string;
  /** Meanings of its exit codes other than 0, 1 and 2. */
  readonly exits?: Readonly<Record<number, string>>;
  /** Returns the exit code. Errors that the caller can correct are thrown (see `failureOf`). */
  readonly run: (call: Call<O>) => number | Promise<number>;
}

/** Columns of a help text. */
const WIDTH = 110;
/** Most columns before the texts of options. */
const MOST_LEFT = 30;

const STANDARD: Options = {
  help: { type: "boolean", short: "h", help: "show this text" },
  version: { type: "boolean", help: "show the version" },
};

/** The version in package.json, found from the source and from dist/ alike. */
export function version(): string {
  for (const path of ["../../package.json", "../../../package.json"]) {
    try {
      const { name, version: own } = JSON.parse(readFileSync(new URL(path, import.meta.url), "utf8"));
      if (name === "brinkmap") return `brinkmap ${own}`;
    } catch {} // the other path
  }
  return "brinkmap, unknown version";
}

/**
 * The `main` of a command: parses its arguments, answers --help and --version, runs it, and says in one line on standard
 * error what the caller can correct. It throws internal errors only.
 */
export function mainOf<const O extends Options>(command: Command<O>): (args: string[]) => Promise<number> {
  return async (args) => {
    let subject: string | undefined;
    try {
      const options = { ...command.options, ...STANDARD } as O;
      const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
      const standard = values as { readonly help?: boolean; readonly version?: boolean };
      if (standard.help || standard.version) {
        console.log(standard.help ? helpOf(command) : version());
        return 0;
      }
      subject = positionals[0];
      return await command.run({ values, positionals });
    } catch (error) {
      const failure = failureOf(error, subject);
      if (failure === null) throw error;
      console.error(`${command.name}: ${failure.message}`);
      return failure.code;
    }
  };
}

export function helpOf(command: Command<Options>): string {
  const { within = "brinkmap", usage, about, options, notes, exits } = command;
  const name = `${within} ${command.name}`;
  const [first, ...more] = typeof usage === "string" ? [usage] : usage;
  const lines = [
    `Usage: ${name} ${first}`.trimEnd(),
    ...more.map((other) => `       ${name} ${other}`),
    ...wrap(about, WIDTH),
  ];
  const all = Object.entries({ ...options, ...STANDARD });
  const lefts = all.map(([long, option]) => leftOf(long, option));
  const column = Math.min(MOST_LEFT, Math.max(...lefts.map((left) => left.length)) + 2);
  for (const [n, [, { help, heading }]] of all.entries()) {
    if (heading !== undefined) lines.push(heading);
    const left = lefts[n]!;
    const texts = wrap(help, WIDTH - column);
    if (left.length + 2 > column) lines.push(left);
    else lines.push(left.padEnd(column) + texts.shift()!);
    for (const text of texts) lines.push(" ".repeat(column) + text);
  }
  if (notes !== undefined) lines.push(...notes.split("\n").flatMap((note) => wrap(note, WIDTH)));
  const codes = { 0: "done", 1: "internal error", 2: "wrong usage", ...exits };
  const meanings = Object.entries(codes).map(([code, meaning]) => `${code} ${meaning}`);
  lines.push(...wrap(`Exit codes: ${meanings.join(", ")}`, WIDTH));
  return lines.join("\n");
}

function leftOf(long: string, { short, value }: Option): string {
  // An option of one letter is written with one dash.
  const name = long.length === 1 ? `-${long}` : `${short === undefined ? "    " : `-${short}, `}--${long}`;
  return `  ${name}${value === undefined ? "" : ` ${value}`}`;
}

/** Breaks a text between words; lines have at least one. */
function wrap(text: string, width: number): string[] {
  const lines: string[] = [];
  let line = "";
  for (const word of text.split(" ")) {
    if (line !== "" && line.length + 1 + word.length > width) {
      lines.push(line);
      line = "";
    }
    line += line === "" ? word : ` ${word}`;
  }
  lines.push(line);
  return lines;
}

/** A command with subcommands, chosen by the first argument. */
export interface Family {
  readonly name: string;
  /** What its members are called, "command" for example. */
  readonly noun: string;
  /** The first line of its help after "Usage: ". */
  readonly usage: string;
  readonly members: Readonly<Record<string, readonly [about: string, load: () => Promise<Member>]>>;
  /** Lines after the list. */
  readonly notes: string;
}
interface Member {
  readonly main: (args: string[]) => number | Promise<number>;
}

/** The `main` of a family: lists its members, or runs one. */
export function mainOfFamily({
  name,
  noun,
  usage,
  members,
  notes,
}: Family): (args: string[]) => Promise<number> {
  const names = Object.keys(members);
  const width = Math.max(...names.map((member) => member.length)) + 2;
  const list = Object.entries(members).map(([member, [about]]) => `  ${member.padEnd(width)}${about}`);
  const help = [`Usage: ${usage}`, ...list, notes].join("\n");
  return async ([first, ...args]) => {
    if (first === "--version") console.log(version());
    else if (first === undefined || first === "-h" || first === "--help" || first === "help")
      console.log(help);
    else if (Object.hasOwn(members, first)) return (await members[first]![1]()).main(args);
    else {
      const near = nearest(first, names);
      const hint =
        near.length > 0 ? `did you mean "${near.join('" or "')}"?` : `there are ${names.join(", ")}`;
      console.error(`${name}: there is no ${noun} "${first}"; ${hint}`);
      return 2;
    }
    return first === undefined ? 2 : 0;
  };
}

/**
 * Runs `main` with the process's arguments when the module at `url` is the program that was started, also by a link.
 * When the reader of the output closes the pipe (such as `head`), the program ends quietly.
 */
export async function runIfStarted(url: string, main: Member["main"]): Promise<void> {
  const started = process.argv[1];
  if (started === undefined || realpathSync(started) !== fileURLToPath(url)) return;
  process.stdout.on("error", (error: NodeJS.ErrnoException) => {
    if (error.code !== "EPIPE") throw error;
    process.exit();
  });
  process.exitCode = await main(process.argv.slice(2));
}
