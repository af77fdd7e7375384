import { execFileSync, spawn } from "node:child_process";
import { existsSync, mkdirSync, mkdtempSync, readdirSync, rmSync, symlinkSync } from "node:fs";
import { tmpdir } from "node:os";
import { basename, dirname, join, relative } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, beforeAll, expect, test } from "vitest";

// The package as it is given away: unpacked in an empty folder, beside what it depends on and nothing else.

const root = fileURLToPath(new URL("../..", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "brinkmap-pack-"));
const modules = join(folder, "node_modules");
const run = (...args: string[]): string =>
  execFileSync(process.execPath, [join(modules, "brinkmap", "dist/tools/brinkmap.js"), ...args], {
    ...{ cwd: folder, encoding: "utf8", stdio: ["ignore", "pipe", "pipe"] },
  });

beforeAll(() => {
  execFileSync("npm", ["pack", "--silent", "--ignore-scripts", "--pack-destination", folder], { cwd: root });
  const packed = readdirSync(folder).find((name) => name.endsWith(".tgz"))!;
  mkdirSync(join(modules, "brinkmap"), { recursive: true });
  execFileSync("tar", ["-xzf", packed, "-C", join(modules, "brinkmap"), "--strip-components=1"], {
    cwd: folder,
  });
  const listed = execFileSync("npm", ["ls", "--omit=dev", "--all", "--parseable"], {
    cwd: root,
    encoding: "utf8",
  });
  const base = join(root, "node_modules");
  for (const path of listed.trim().split("\n").slice(1)) {
    const name = relative(base, path);
    if (name.startsWith("..") || name.includes("node_modules")) continue; // nested ones come with their parent
    const link = join(modules, name);
    mkdirSync(dirname(link), { recursive: true });
    if (!existsSync(link)) symlinkSync(path, link);
  }
}, 120_000);
afterAll(() => rmSync(folder, { recursive: true }));

test("holds programs, page, demo and docs, and no tests", () => {
  const all = readdirSync(join(modules, "brinkmap"), { recursive: true, encoding: "utf8" });
  expect(all).toEqual(
    expect.arrayContaining(["README.md", "LICENSE", "docs/protocol.md", "dist/viewer/index.html"]),
  );
  expect(all.filter((path) => /(^|\/)tests(\/|$)|\.brk$|tsbuildinfo/.test(path))).toEqual([]);
});

test("its tools run from a folder of the user's", () => {
  expect(run("--help")).toContain("serve");
  expect(run("serve", "--help")).toContain("Usage: serve");
  const set = [
    "--set",
    "sensors.0.rate=2",
    "--set",
    "sensors.0.optics.width=80",
    "--set",
    "sensors.0.optics.height=60",
  ];
  const scenario = join(modules, "brinkmap/datasets/yard-room.json");
  run("simulate", scenario, "room.brk", ...set);
  expect(run("replay", "room.brk")).toMatch(/frames/);
  expect(readdirSync(folder).map((name) => basename(name))).toContain("room.brk");
}, 120_000);

test("the head serves its page, and ends on a signal", async () => {
  const scenario = join(modules, "brinkmap/datasets/yard-room.json");
  const head = spawn(
    process.execPath,
    [join(modules, "brinkmap", "dist/tools/brinkmap.js"), "serve", "--scenario", scenario, "--port", "0"],
    { cwd: folder, stdio: ["ignore", "pipe", "ignore"] },
  );
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
  } finally {
    const ended = new Promise((resolve) => head.on("close", resolve));
    head.kill("SIGTERM");
    await ended;
  }
  expect(head.exitCode).toBe(0);
}, 60_000);
