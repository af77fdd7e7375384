import { readFileSync, writeFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import {
  CHECKSUM_SIZE,
  type Field,
  HEADER,
  HEADER_SIZE,
  IS_PLAYED,
  itemCount,
  LAYOUT_VERSION,
  LAYOUTS,
  type Layout,
  LONGEST_FRAME,
  NO_CAUSE,
  NO_CHARGE,
  offsetsOf,
  sizeOf,
} from "../../src/link/layouts.ts";
import { WIRE_OLD } from "../../src/terms/freshness.ts";
import { BOARD_STOPS, CURVATURES, DIRECTIONS, REACH_STATES, VERDICTS } from "../../src/terms/safety.ts";
import { runIfStarted } from "../frame/command.ts";
import { noneExpected } from "../frame/values.ts";
import { programOf } from "./program.ts";

// Makes from src/link/layouts.ts what must say the same: the board's C header, and the tables of docs/protocol.md.

export const HEADER_FILE = "motor-board/brinkmap_layouts.h";
export const DOCUMENT = "docs/protocol.md";
const BEGIN = "<!-- frames: made by `npm run lab -- layouts` -->";
const END = "<!-- frames: end -->";

const upper = (name: string): string => name.replace(/([A-Z])/g, "_$1").toUpperCase();
const typeOf = (field: Field): string =>
  field.type === "text"
    ? `text, ${field.size} bytes`
    : itemCount(field) > 1
      ? `${field.type}[${itemCount(field)}]`
      : field.type;
const layouts = Object.entries(LAYOUTS) as [string, Layout][];

/** The C header: numbers only, so that it fits any compiler. */
export function headerText(): string {
  const lines: string[] = [];
  const define = (name: string, value: number | string, comment = ""): void => {
    const line = `#define BRINKMAP_${name}`.padEnd(42);
    lines.push(`${line} ${value}${comment === "" ? "" : ` /* ${comment} */`}`);
  };
  const list = (prefix: string, names: readonly string[]): void => {
    names.forEach((name, i) => {
      define(`${prefix}_${name.replaceAll(" ", "_").toUpperCase()}`, `${i}u`);
    });
    lines.push("");
  };
  const fields = (prefix: string, ofLayout: Readonly<Record<string, Field>>, start: number): void => {
    for (const { name, field, at } of offsetsOf(ofLayout, start)) {
      define(`${prefix}_${upper(name)}`, `${at}u`, `${typeOf(field)}: ${field.means.replaceAll("`", "")}`);
    }
    lines.push("");
  };
  lines.push(
    "/* Layouts of the frames between a head and a motor board. Made by `npm run lab -- layouts`: do not edit.",
    " * Offsets are bytes from the first one of the frame before stuffing. Numbers are little-endian. */",
    "#ifndef BRINKMAP_LAYOUTS_H",
    "#define BRINKMAP_LAYOUTS_H",
    "",
  );
  define("LAYOUT", `${LAYOUT_VERSION}u`, "version of the layouts");
  define("HEADER_SIZE", `${HEADER_SIZE}u`);
  define("CHECKSUM_SIZE", `${CHECKSUM_SIZE}u`, "CRC-32C of all bytes before it");
  define("LONGEST_FRAME", `${LONGEST_FRAME}u`, "with the checksum, before stuffing");
  define("IS_PLAYED", `${IS_PLAYED}u`, "bit of the flags");
  define("NO_CAUSE", `${NO_CAUSE}u`, "pace.cause: nothing limits the pace");
  define("NO_CHARGE", `${NO_CHARGE}u`, "battery.charge: not known");
  define("OLD_MS", `${1000 * WIRE_OLD}u`, "a frame or a pace older than this is not obeyed");
  define("ARCS", `${CURVATURES.length}u`);
  define(
    "CURVATURES",
    `{${CURVATURES.map((curvature) => 1000 * curvature).join(", ")}}`,
    "1/km, positive to the left",
  );
  lines.push("", "/* Every frame begins with these. */");
  fields("FRAME", HEADER, 0);
  for (const [kind, { code, from, means, fields: own }] of layouts) {
    lines.push(`/* From the ${from}. ${means.replaceAll("`", "")} */`);
    define(upper(kind), `${code}u`);
    define(
      `${upper(kind)}_SIZE`,
      `${HEADER_SIZE + sizeOf(own) + CHECKSUM_SIZE}u`,
      "with header and checksum",
    );
    fields(upper(kind), own, HEADER_SIZE);
  }
  lines.push("/* State of a reach. */");
  list("STATE", REACH_STATES);
  lines.push("/* Verdict of a finding. */");
  list("VERDICT", VERDICTS);
  lines.push("/* Direction of a waiver. */");
  list("DIRECTION", DIRECTIONS);
  lines.push("/* Why the board stands. */");
  list("STOP", BOARD_STOPS);
  lines.push("#endif");
  return `${lines.join("\n")}\n`;
}

/** A table in Markdown, its columns padded. */
function table(rows: readonly (readonly string[])[]): string[] {
  const widths = rows[0]!.map((_, col) => Math.max(...rows.map((row) => row[col]!.length)));
  const line = (cells: readonly string[]): string =>
    `| ${cells.map((cell, col) => cell.padEnd(widths[col]!)).join(" | ")} |`;
  return [line(rows[0]!), line(widths.map((width) => "-".repeat(width))), ...rows.slice(1).map(line)];
}

const rowsOf = (fields: Readonly<Record<string, Field>>, start: number): string[][] =>
  offsetsOf(fields, start).map(({ name, field, at }) => [`${at}`, typeOf(field), `\`${name}\``, field.means]);

/** The tables of docs/protocol.md, between their marks. */
export function tablesText(): string {
  const head = ["byte", "type", "field", "meaning"];
  const lines = [BEGIN, "", "Every frame begins with:", "", ...table([head, ...rowsOf(HEADER, 0)]), ""];
  for (const [kind, { code, from, means, fields }] of layouts) {
    lines.push(`**\`${kind}\`** (${code}, from the ${from}). ${means}`, "");
    lines.push(...table([head, ...rowsOf(fields, HEADER_SIZE)]), "");
  }
  const stops = BOARD_STOPS.map((name, i) => `${i} ${name}`).join(", ");
  lines.push(`\`state.stop\`: ${stops}.`, "", END);
  return lines.join("\n");
}

/** A document with its tables replaced. */
export function withTables(document: string): string {
  const [begin, end] = [document.indexOf(BEGIN), document.indexOf(END)];
  if (begin < 0 || end < begin) throw new RangeError(`${DOCUMENT} lacks "${BEGIN}" and "${END}"`);
  return document.slice(0, begin) + tablesText() + document.slice(end + END.length);
}

const inRepository = (path: string): string => {
  const up = import.meta.url.includes("/dist/") ? "../../../" : "../../";
  return fileURLToPath(new URL(up + path, import.meta.url));
};

export const main = programOf({
  name: "layouts",
  usage: "",
  about: `Writes ${HEADER_FILE} and the tables of frames in ${DOCUMENT}.`,
  options: {},
  run({ positionals }) {
    noneExpected(positionals);
    writeFileSync(inRepository(HEADER_FILE), headerText());
    const document = inRepository(DOCUMENT);
    writeFileSync(document, withTables(readFileSync(document, "utf8")));
    return 0;
  },
});

await runIfStarted(import.meta.url, main);
