import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { readFile } from "node:fs/promises";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeEach, describe, expect, test, vi } from "vitest";
import { main as brinkmap } from "../../tools/brinkmap.ts";
import { mainOf } from "../../tools/frame/command.ts";
import { reading, systemMessage, UsageError, writing } from "../../tools/frame/errors.ts";
import { roughTime, TimeLeft } from "../../tools/frame/progress.ts";
import { main as lab } from "../../tools/lab/lab.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-frame-"));
afterAll(() => rmSync(folder, { recursive: true }));

const printed = { out: "", trouble: "" };
beforeEach(() => {
  printed.out = "";
  printed.trouble = "";
  vi.spyOn(console, "log").mockImplementation((line: unknown) => {
    printed.out += `${line}\n`;
  });
  vi.spyOn(console, "error").mockImplementation((line: unknown) => {
    printed.trouble += `${line}\n`;
  });
});
afterEach(() => {
  vi.restoreAllMocks();
});

const COMMANDS = [
  "start",
  "demo",
  "serve",
  "mount",
  "inspect",
  "replay",
  "export",
  "import",
  "simulate",
  "tune",
  "lend",
  "measure",
  "setup",
  "compare",
];

describe("every command", () => {
  test("is listed, and tools holds no other", async () => {
    expect(await brinkmap(["--help"])).toBe(0);
    for (const name of COMMANDS) expect(printed.out).toMatch(new RegExp(`^ {2}${name} `, "m"));
    const files = readdirSync(new URL("../../tools", import.meta.url))
      .filter((name) => name.endsWith(".ts"))
      .map((name) => name.slice(0, -3));
    expect(files.sort()).toEqual([...COMMANDS, "brinkmap", "scenario-file"].sort());
  });

  test.each(COMMANDS)("%s has --help within 110 columns, and --version", async (name) => {
    expect(await brinkmap([name, "--help"])).toBe(0);
    expect(printed.out).toContain(`Usage: brinkmap ${name} `);
    for (const line of printed.out.split("\n")) expect(line.length, line).toBeLessThanOrEqual(110);
    printed.out = "";
    expect(await brinkmap([name, "--version"])).toBe(0);
    expect(printed.out).toMatch(/^brinkmap \d+\.\d+\.\d+\n$/);
  });

  test.each(COMMANDS)("%s says in one line what is wrong with an unknown option", async (name) => {
    const args = name === "import" ? [name, "png", "--nonsense"] : [name, "--nonsense"];
    expect(await brinkmap(args)).toBe(2);
    expect(printed.trouble).toMatch(/^[a-z ]+: there is no option --nonsense \(see --help\)\n$/);
  });

  test.each(["inspect", "replay", "mount", "export"])(
    "%s names a missing file without the system's code",
    async (name) => {
      const missing = join(folder, "nowhere.brk");
      expect(await brinkmap([name, missing, ...(name === "export" ? ["-o", folder] : [])])).toBe(3);
      expect(printed.trouble).toBe(`${name}: ${missing}: there is no such file or folder\n`);
    },
  );
});

test("a misspelt command suggests the right one", async () => {
  expect(await brinkmap(["server"])).toBe(2);
  expect(printed.trouble).toBe('brinkmap: there is no command "server"; did you mean "serve"?\n');
  expect(await brinkmap(["knit"])).toBe(2);
  expect(printed.trouble).toContain("there are start, demo, serve");
});

test("the lab lists its programs with a line each, all of them", async () => {
  expect(await lab(["--help"])).toBe(0);
  const listed = [...printed.out.matchAll(/^ {2}([\w-]+) {2,}\S/gm)].map(([, name]) => name!);
  const folder = new URL("../../tools/lab/", import.meta.url);
  for (const name of listed) expect(existsSync(new URL(`${name}.ts`, folder)), name).toBe(true);
  const programs = readdirSync(folder).filter(
    (name) =>
      name.endsWith(".ts") &&
      /export (async )?function main\b|export const main\b/.test(readFileSync(new URL(name, folder), "utf8")),
  );
  expect(programs.map((name) => name.slice(0, -3)).sort()).toEqual([...listed, "lab"].sort());
});

test("each program of the lab has a help, and says in one line what is wrong with an unknown option", async () => {
  await lab(["--help"]);
  const names = [...printed.out.matchAll(/^ {2}([\w-]+) {2,}\S/gm)].map(([, name]) => name!);
  for (const name of names) {
    printed.out = printed.trouble = "";
    expect(await lab([name, "--help"]), name).toBe(0);
    expect(printed.out).toContain(`Usage: npm run lab -- ${name}`);
    for (const line of printed.out.split("\n")) expect(line.length, line).toBeLessThanOrEqual(110);
    expect(await lab([name, "--nonsense"]), name).toBe(2);
    expect(printed.trouble).toBe(`${name}: there is no option --nonsense (see --help)\n`);
  }
}, 120_000);

test("package.json keeps few scripts", () => {
  const { scripts } = JSON.parse(readFileSync(new URL("../../package.json", import.meta.url), "utf8"));
  expect(Object.keys(scripts).length).toBeLessThanOrEqual(16);
});

describe("errors of the system", () => {
  test("are described in words", async () => {
    const trouble = async (body: () => Promise<unknown>) =>
      systemMessage(await body().catch((error) => error));
    expect(await trouble(() => reading(folder, () => readFile(folder)))).toBe(
      `${folder} is a folder; a file is needed`,
    );
    const first = createServer().listen(0, "127.0.0.1");
    await new Promise((resolve) => first.once("listening", resolve));
    const { port } = first.address() as { port: number };
    const second = createServer();
    const taken = await new Promise((resolve) => second.once("error", resolve).listen(port, "127.0.0.1"));
    first.close();
    expect(systemMessage(taken)).toBe(
      `another program listens at 127.0.0.1:${port} already; --port 0 takes any port that is free`,
    );
  });

  test("in what is written end with 4, in what is read with 3; wrong use ends with 2", async () => {
    const code = (run: () => Promise<number>) =>
      mainOf({ name: "test", usage: "", about: "", options: {}, run })([]);
    const missing = join(folder, "no/where");
    const read = async () => (await readFile(missing)).length;
    expect(await code(read)).toBe(3);
    expect(await code(() => writing(missing, read))).toBe(4);
    expect(await code(() => Promise.reject(new UsageError("no")))).toBe(2);
  });

  test("an internal error keeps its stack", async () => {
    const bug = new TypeError("undefined is not a map");
    const run = () => Promise.reject(bug);
    await expect(mainOf({ name: "test", usage: "", about: "", options: {}, run })([])).rejects.toBe(bug);
  });
});

describe("time left", () => {
  test("follows the pace of the last 20 s, not of the whole", () => {
    const left = new TimeLeft(0);
    // 50 % in 10 s, then a tenth of that pace: 0.5 % a second.
    for (let time = 1; time <= 10; time++) left.note(time, 0.05 * time);
    for (let time = 11; time <= 60; time++) left.note(time, 0.5 + 0.005 * (time - 10));
    // A quarter is left, at 0.5 % a second: 50 s. By the mean pace of 1.25 % a second it would be 20 s.
    expect(left.after(60, 0.75)).toBeCloseTo(50, 0);
  });

  test("gives no estimate before there is data", () => {
    const left = new TimeLeft(0);
    left.note(1, 0.5);
    expect(left.after(1, 0.5)).toBeNull(); // after one second
    expect(new TimeLeft(0).after(60, 0.01)).toBeNull(); // one percent done
  });

  test.each([
    [0.2, "1 s"],
    [19.5, "20 s"],
    [61, "65 s"],
    [125, "3 min"],
    [4000, "1 h"],
    [4300, "1 h 10 min"],
  ])("%d s are told as %s", (seconds, text) => {
    expect(roughTime(seconds)).toBe(text);
  });
});

describe("trouble with files is said before the work, in plain words", () => {
  const recording = join(folder, "small.brk");
  const scenario = new URL("../../datasets/mounting-drive.json", import.meta.url).pathname;

  test("export refuses a folder in which the system makes no files, at once", async () => {
    writeFileSync(recording, "no recording");
    // Which of the two depends on the user: root may enter /proc.
    expect(await brinkmap(["export", recording, "-o", "/proc/brinkmap"])).toBe(4);
    expect(printed.trouble).toMatch(
      /^export: \/proc: (no files can be made in this folder|this user may not)/,
    );
  });

  test("compare and tune check the folder of their report before they replay", async () => {
    const report = join(folder, "absent", "report.html");
    const results = join(folder, "results.jsonl");
    const more = ["--report", report, "--results", results];
    expect(await brinkmap(["compare", recording, "-a", "guard.topSpeed=0.2", ...more])).toBe(4);
    expect(await brinkmap(["tune", recording, "--try", "guard.topSpeed=0.2", ...more])).toBe(4);
    expect(printed.trouble).toBe(
      `compare: ${join(folder, "absent")}: there is no such folder\ntune: ${join(folder, "absent")}: there is no such folder\n`,
    );
  });

  test("a settings file that is missing, or a folder", async () => {
    expect(await brinkmap(["serve", "--config", join(folder, "absent.json")])).toBe(3);
    expect(await brinkmap(["serve", "--config", folder])).toBe(3);
    expect(printed.trouble).toBe(
      `serve: ${join(folder, "absent.json")}: there is no such file or folder\nserve: ${folder} is a folder; a file is needed\n`,
    );
  });

  test("a file that is no recording is named", async () => {
    writeFileSync(recording, "no recording");
    expect(await brinkmap(["replay", recording])).toBe(3);
    expect(printed.trouble).toContain(`replay: ${recording}: no recording`);
  });

  test("a scenario is not rendered into a folder that is absent", async () => {
    const to = join(folder, "absent", "x.brk");
    expect(await brinkmap(["simulate", scenario, to])).toBe(4);
    expect(printed.trouble).toBe(`simulate: ${to}: there is no such file or folder\n`);
  });
});
