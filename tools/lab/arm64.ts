import { spawn, spawnSync } from "node:child_process";
import { createHash } from "node:crypto";
import { mkdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { basename, join, resolve } from "node:path";
import { fileURLToPath } from "node:url";
import { mainOf, runIfStarted } from "../frame/command.ts";
import { UsageError } from "../frame/errors.ts";

/** From dist/tools/lab: the package's root. */
const ROOT = fileURLToPath(new URL("../../../", import.meta.url));
const MACHINE = join(ROOT, "tools/lab/arm64-machine.sh");

/** What one machine makes of the same work. */
interface Row {
  readonly what: string;
  readonly here: string;
  readonly arm64: string;
}

export const main = mainOf({
  name: "arm64",
  within: "npm run lab --",
  usage: "[options] [recording...]",
  about:
    "Replays recordings here and on an emulated arm64 machine, and compares the hashes of outputs and maps.",
  options: {
    machine: {
      type: "string",
      value: "<folder>",
      default: join(tmpdir(), "brinkmap-arm64"),
      help: "folder for Debian's arm64 Node and the emulator; kept for the next run",
    },
    package: {
      type: "string",
      value: "<deb>",
      help: "the emulated machine runs the package for boards, and serves its page, instead of the built program",
    },
    pose: {
      type: "string",
      value: "<source>",
      help: "pose.source of the replays; the recording's own by default",
    },
    scenario: {
      type: "string",
      value: "<file>",
      help: "also simulate this scenario on both machines, and compare and replay the recordings",
    },
    set: {
      type: "string",
      multiple: true,
      value: "<field>=<value>",
      help: "as for simulate: sensors.0.rate=0.5 renders few frames",
    },
  },
  notes:
    "The packages come from Debian by apt; nothing is installed. A replay takes about thirty times as long as here.",
  exits: { 3: "recording or packages missing", 4: "the machines differ" },
  run: async ({ values, positionals }) => {
    if (positionals.length === 0 && values.scenario === undefined) {
      throw new UsageError("give recordings, or a --scenario to simulate");
    }
    const node = commandOf(values.machine!);
    if (node === null) return 3;
    const built: Program = (name) => [process.execPath, join(ROOT, "dist/tools", `${name}.js`)];
    const unpacked = join(values.machine!, "package");
    rmSync(unpacked, { recursive: true, force: true });
    if (values.package !== undefined) unpack(values.package, unpacked);
    const tools = values.package === undefined ? ROOT : join(unpacked, "usr/share/brinkmap");
    const arm: Program = (name) =>
      values.package === undefined
        ? [...node, join(tools, "dist/tools", `${name}.js`)]
        : [...node, join(tools, "dist/tools/brinkmap.js"), name];
    if (values.package !== undefined) {
      await servesPage([...node, join(tools, "dist/tools/serve.js"), "--port", "0"]);
      console.log("the package's head serves its page");
    }
    const rows: Row[] = [];
    const recordings = positionals.map((path) => resolve(path));
    const folder = join(values.machine!, "simulated");
    if (values.scenario !== undefined) {
      mkdirSync(folder, { recursive: true });
      const [here, there] = [join(folder, "here.brk"), join(folder, "arm64.brk")];
      const fields = (values.set ?? []).flatMap((field) => ["--set", field]);
      run(built, "simulate", [resolve(values.scenario), here, "--force", ...fields]);
      run(arm, "simulate", [resolve(values.scenario), there, "--force", ...fields]);
      rows.push({
        what: `${basename(values.scenario)} simulated`,
        here: digestOf(here),
        arm64: digestOf(there),
      });
      recordings.push(here);
    }
    const options = values.pose === undefined ? [] : ["--pose", values.pose];
    for (const path of recordings) {
      const [here, there] = [built, arm].map(
        (command) => /"hash": "([0-9a-f]+)"/.exec(run(command, "replay", [path, ...options, "--json"]))?.[1],
      );
      rows.push({
        what: `${basename(path)} replayed`,
        here: here ?? "no hash",
        arm64: there ?? "none either",
      });
    }
    rmSync(folder, { recursive: true, force: true });
    for (const { what, here, arm64 } of rows) {
      const verdict = here === arm64 ? "same" : "DIFFERENT";
      console.log(`${what.padEnd(40)} ${here.slice(0, 16)}  ${arm64.slice(0, 16)}  ${verdict}`);
    }
    return rows.every(({ here, arm64 }) => here === arm64) ? 0 : 4;
  },
});

/** The command that runs arm64 Node; null, said on standard error, when it cannot be had. */
function commandOf(folder: string): string[] | null {
  const made = spawnSync("bash", [MACHINE, folder], { encoding: "utf8" });
  if (made.status === 0) return made.stdout.trim().split(/\s+/);
  console.error(`arm64: no emulated machine: ${made.stderr.trim().split("\n").at(-1)}`);
  return null;
}

/** The words that start one of the product's commands. */
type Program = (name: string) => readonly string[];

/** Runs one of the product's commands. @throws {Error} when it fails */
function run(program: Program, name: string, args: readonly string[]): string {
  const [node, ...first] = program(name) as [string, ...string[]];
  const done = spawnSync(node, [...first, ...args], { encoding: "utf8", maxBuffer: 1 << 28 });
  if (done.status !== 0) throw new Error(`${name} ended with ${done.status}: ${done.stderr}`);
  return done.stdout;
}

function unpack(deb: string, folder: string): void {
  const done = spawnSync("dpkg-deb", ["--extract", deb, folder], { encoding: "utf8" });
  if (done.status !== 0) throw new Error(`dpkg-deb ended with ${done.status}: ${done.stderr}`);
}

/** Starts a head, and waits for its page. @throws {Error} when none comes */
async function servesPage(command: readonly string[]): Promise<void> {
  const head = spawn(command[0]!, command.slice(1), { stdio: ["ignore", "pipe", "ignore"] });
  try {
    let said = "";
    for await (const chunk of head.stdout) {
      said += String(chunk);
      const [address] = /http:\/\/\S+/.exec(said) ?? [];
      if (address === undefined) continue;
      if (!(await (await fetch(address)).text()).includes("<script")) break;
      return;
    }
    throw new Error(`the head serves no page: ${said}`);
  } finally {
    head.kill("SIGTERM");
  }
}

const digestOf = (path: string): string => createHash("sha256").update(readFileSync(path)).digest("hex");

await runIfStarted(import.meta.url, main);
