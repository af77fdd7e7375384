import { execFileSync, spawn, spawnSync } from "node:child_process";
import { lstatSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { build } from "esbuild";
import { afterAll, describe, expect } from "vitest";
import { QUEUE_PACKAGES } from "../../tools/queue/load.ts";
import { testWith } from "../helpers/needs.ts";

// The package as it is given away: packed, and installed by npm into an empty folder.

const root = fileURLToPath(new URL("../..", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "brinkmap-pack-"));
const modules = join(folder, "node_modules");
const scenario = join(modules, "brinkmap/datasets/yard-room.json");
/** Megabytes of disk that the installed package may take, with all that it depends on. */
const MOST_SIZE = 25;

const npm = (...args: string[]) => spawnSync("npm", args, { cwd: folder, encoding: "utf8" });
/** Installs once, at the first call. */
let installed: { readonly status: number | null; readonly stderr: string } | null = null;
function install(): string | null {
  if (installed === null) {
    execFileSync("npm", ["pack", "--silent", "--ignore-scripts", "--pack-destination", folder], {
      cwd: root,
    });
    const tarball = readdirSync(folder).find((name) => name.endsWith(".tgz"))!;
    writeFileSync(join(folder, "package.json"), '{ "type": "module", "private": true }\n');
    const quiet = ["--prefer-offline", "--no-audit", "--no-fund", "--ignore-scripts"];
    installed = npm("install", ...quiet, `./${tarball}`);
  }
  const isUnreachable = /ENOTCACHED|ENOTFOUND|EAI_AGAIN|ECONNREFUSED|ETIMEDOUT/.test(installed.stderr);
  return installed.status !== 0 && isUnreachable ? "npm's registry, or a cache of it" : null;
}

const command = join(modules, "brinkmap/dist/tools/brinkmap.js");
const run = (...args: string[]) =>
  spawnSync(process.execPath, [command, ...args], { cwd: folder, encoding: "utf8" });

afterAll(() => rmSync(folder, { recursive: true }));

/** Bytes of disk that a folder takes. */
function sizeOf(path: string): number {
  const about = lstatSync(path);
  const own = 512 * about.blocks;
  if (!about.isDirectory()) return own;
  return readdirSync(path).reduce((sum, name) => sum + sizeOf(join(path, name)), own);
}

describe("the installed package", () => {
  testWith(install, "installs, and takes at most 25 MB with all that it depends on", () => {
    expect(installed).toMatchObject({ status: 0, stderr: "" });
    const size = sizeOf(modules) / 2 ** 20;
    console.log(`installed size: ${size.toFixed(1)} MB`);
    expect(size).toBeLessThanOrEqual(MOST_SIZE);
  });

  testWith(install, "holds commands, page, demo, docs and licences, and nothing for developers", () => {
    const all = readdirSync(join(modules, "brinkmap"), { recursive: true, encoding: "utf8" });
    expect(all).toEqual(
      expect.arrayContaining([
        "README.md",
        "LICENSE",
        "docs/protocol.md",
        "dist/viewer/index.html",
        "dist/third-party-licences.txt",
        "datasets/pottery-studio.json",
        "fonts/LICENSE-DejaVuSans.txt",
      ]),
    );
    expect(all.filter((path) => /(^|\/)(tests|lab)(\/|$)|\.brk$|tsbuildinfo/.test(path))).toEqual([]);
    const licences = readFileSync(join(modules, "brinkmap/dist/third-party-licences.txt"), "utf8");
    for (const name of ["three", "echarts", "zrender", "prom-client"]) {
      expect(licences).toMatch(new RegExp(`^${name} \\d`, "m"));
    }
  });

  testWith(
    install,
    "its commands run from a folder of the user's",
    () => {
      expect(run("--help").stdout).toContain("serve");
      expect(run("serve", "--help").stdout).toContain("serve [options]");
      const sets = ["rate=2", "optics.width=80", "optics.height=60"].flatMap((set) => [
        "--set",
        `sensors.0.${set}`,
      ]);
      run("simulate", scenario, "room.brk", ...sets);
      // Two recordings, since the charts of a report begin with two.
      run("simulate", scenario, "again.brk", ...sets, "--set", "seed=5");
      expect(run("replay", "room.brk").stdout).toMatch(/frames/);
      const compared = ["compare", "room.brk", "again.brk", "-a", "evidence.sigma0=0.02"];
      expect(run(...compared, "--report", "room.html").status).toBe(0);
      expect(readFileSync(join(folder, "room.html"), "utf8")).toContain("<svg");
    },
    240_000,
  );

  testWith(install, "a queue names the command that installs its packages", () => {
    const { peerDependencies } = JSON.parse(readFileSync(join(root, "package.json"), "utf8"));
    const names = Object.entries<string>(peerDependencies).map(
      ([name, range]) => `${name}@${/\d+/.exec(range)![0]}`,
    );
    expect(QUEUE_PACKAGES).toBe(names.join(" "));
    const lend = run("lend", "redis://127.0.0.1:6379");
    expect(lend.status).toBe(6);
    expect(lend.stderr).toBe(
      "lend: a queue needs two packages that are not installed: npm install bullmq@6 ioredis@5 (with -g if brinkmap is installed with -g)\n",
    );
  });

  testWith(
    install,
    "the head serves its page and its metrics, and ends on a signal",
    async () => {
      const head = spawn(process.execPath, [command, "serve", "--scenario", scenario, "--port", "0"], {
        cwd: folder,
        stdio: ["ignore", "pipe", "ignore"],
      });
      try {
        const url = await new Promise<string>((resolve, reject) => {
          let said = "";
          head.stdout.on("data", (chunk: Buffer) => {
            said += chunk.toString();
            const found = /http:\/\/\S+/.exec(said);
            if (found !== null) resolve(found[0]);
          });
          head.on("close", (code) => reject(new Error(`ended with ${code}: ${said}`)));
        });
        const page = await fetch(url);
        expect(page.status).toBe(200);
        expect(await page.text()).toContain("<script");
        expect(await (await fetch(`${url}metrics`)).text()).toContain("brinkmap_frames");
      } finally {
        const ended = new Promise((resolve) => head.on("close", resolve));
        head.kill("SIGTERM");
        await ended;
      }
      expect(head.exitCode).toBe(0);
    },
    60_000,
  );
});

/** A program of its own for each entry of the library, as a user would write it; each prints one line. */
const CONSUMERS: Readonly<Record<string, { readonly program: string; readonly prints: RegExp }>> = {
  brinkmap: {
    program: `
import { readFileSync } from "node:fs";
import { Head, type HeadEvent, type HeadOutput, resolveSettings, type Settings } from "brinkmap";
import { loadScenario, simulateEvents } from "brinkmap/simulate";

const scenario = loadScenario({ ...JSON.parse(readFileSync(process.argv[2]!, "utf8")), duration: 0.5 });
const settings: Settings = resolveSettings({ "body.height": 0.4 });
const head = new Head(scenario.setup, settings);
const outputs: HeadOutput[] = [];
for (const event of simulateEvents(scenario) as Iterable<HeadEvent>) outputs.push(...head.take(event));
outputs.push(...head.finish());
const paces = outputs.flatMap((output) => (output.kind === "reach" ? [output.pace.forward] : []));
const metres: number = head.place?.worldFromBase.position[0] ?? Number.NaN;
console.log(paces.length, "paces,", head.grid.count, "blocks, x", metres.toFixed(1));
`,
    prints: /^[1-9]\d* paces, [1-9]\d* blocks, x -?\d+\.\d\n$/,
  },
  "brinkmap/recording": {
    program: `
import { type HeadEvent, IDENTITY } from "brinkmap";
import { createRecording, DecodeError, openRecording, type RecordingHeader } from "brinkmap/recording";

const setup = { sensors: [], baseFromHead: IDENTITY, headFromImu: IDENTITY };
const header: RecordingHeader = { setup, settings: {}, about: "a mark", software: "consumer" };
const mark: HeadEvent = { kind: "mark", time: 1, text: "here" };
const writer = await createRecording("mark.brk", header, { overwrite: true });
writer.write(mark);
await writer.close();
const recording = await openRecording("mark.brk");
const kinds = [...recording.events()].map(({ kind }) => kind);
recording.close();
const failed = await openRecording("package.json").catch((error: unknown) => error);
console.log(kinds.join(), recording.header.about, failed instanceof DecodeError);
`,
    prints: /^mark a mark true\n$/,
  },
  "brinkmap/simulate": {
    program: `
import { readFileSync } from "node:fs";
import { loadScenario, recordScenario, type Scenario, ScenarioError, simulateEvents } from "brinkmap/simulate";

const json = JSON.parse(readFileSync(process.argv[2]!, "utf8"));
const scenario: Scenario = loadScenario({ ...json, duration: 0.3 }, { exact: true });
const poses = [...simulateEvents(scenario)].filter(({ kind }) => kind === "reference");
const frames = await recordScenario(scenario, "exact.brk", { overwrite: true });
let field = "";
try {
  loadScenario({ ...json, seed: -1 });
} catch (error) {
  if (error instanceof ScenarioError) field = error.message.split(":")[0]!;
}
console.log(poses.length === frames, scenario.scene.solids.length > 0, field);
`,
    prints: /^true true seed\n$/,
  },
  "brinkmap/client": {
    program: `
import { type ClientOptions, END, type FromServer, HeadClient, type Socket } from "brinkmap/client";

let asked = "";
const makeSocket: ClientOptions["makeSocket"] = (url, protocol): Socket => {
  asked = \`\${protocol} \${url}\`;
  return { binaryType: "", bufferedAmount: 0, onopen: null, onmessage: null, onclose: null, onerror: null, send() {}, close() {} };
};
const head = new HeadClient({ url: "ws://127.0.0.1:4917/live", role: "base", topics: { reach: 30 }, makeSocket });
const limit = (reach: FromServer<"reach">): number => reach.pace?.forward ?? 0;
const off = head.on("reach", (reach) => console.log(limit(reach)));
off();
head.close();
console.log(asked, head.mirror.blocks.size, END.brink);
`,
    prints: /^brinkmap\.1 ws:\/\/127\.0\.0\.1:4917\/live 0 2\n$/,
  },
};

describe("a program that imports", () => {
  for (const [entry, { program, prints }] of Object.entries(CONSUMERS)) {
    testWith(install, `${entry} compiles against its types and runs`, () => {
      const name = entry.replace("/", "-");
      writeFileSync(join(folder, `${name}.ts`), program);
      const flags = ["--target", "es2023", "--module", "nodenext", "--strict", "--outDir", "out"];
      // Declarations of the library are checked, too: nothing is skipped.
      const tsc = [join(root, "node_modules/typescript/bin/tsc"), ...flags, "--typeRoots", join(root, "node_modules/@types"), "--types", "node", `${name}.ts`]; // biome-ignore format: one line
      const compiled = spawnSync(process.execPath, tsc, { cwd: folder, encoding: "utf8" });
      expect(compiled.stdout + compiled.stderr).toBe("");
      const ran = spawnSync(process.execPath, [`out/${name}.js`, scenario], {
        cwd: folder,
        encoding: "utf8",
      });
      expect(ran.stderr).toBe("");
      expect(ran.stdout).toMatch(prints);
    });
  }

  testWith(install, "brinkmap/client can be bundled for a browser, without anything of Node", async () => {
    const contents = 'import { HeadClient } from "brinkmap/client"; globalThis.HeadClient = HeadClient;';
    const { errors, outputFiles, metafile } = await build({
      stdin: { contents, resolveDir: folder },
      bundle: true,
      platform: "browser",
      format: "esm",
      minify: true,
      metafile: true,
      write: false,
      logLevel: "silent",
    });
    expect(errors).toEqual([]);
    expect(outputFiles[0]!.contents.length).toBeGreaterThan(10_000);
    expect(
      Object.keys(metafile.inputs).filter((name) => /dist\/src\/(service|record|head)\/|^node:/.test(name)),
    ).toEqual([]);
  });
});

testWith(install, "every import of the package that the docs name is there", () => {
  const { exports } = JSON.parse(readFileSync(join(modules, "brinkmap/package.json"), "utf8"));
  const docs = ["README.md", ...readdirSync(join(root, "docs")).map((name) => `docs/${name}`)].filter(
    (name) => name.endsWith(".md"),
  );
  const named: string[] = [];
  for (const file of docs) {
    const text = readFileSync(join(root, file), "utf8");
    for (const [, what] of text.matchAll(/from "((?:brinkmap|\.{1,2}\/)[^"]*)"/g))
      named.push(`${file}: ${what}`);
  }
  expect(named.length).toBeGreaterThan(0);
  const isThere = (line: string) => Object.hasOwn(exports, line.split(": ")[1]!.replace(/^brinkmap/, "."));
  expect(named.filter((line) => !isThere(line))).toEqual([]);
});
