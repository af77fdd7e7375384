import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { expect, test } from "vitest";
import { testWith } from "./needs.ts";
import { runPython } from "./python.ts";

const root = fileURLToPath(new URL("../..", import.meta.url));
const INNER = process.env["BRINKMAP_INNER_RUN"] === "1";

if (INNER) {
  // Seen only by the run that the test below starts.
  testWith(
    () => "the moon; wait for the night",
    "needs the moon",
    () => {},
  );
} else {
  const inner = (extra: Record<string, string>) => {
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-needs-"));
    const list = join(folder, "list.txt");
    writeFileSync(list, "");
    const vitest = join(root, "node_modules/vitest/vitest.mjs");
    const run = spawnSync(process.execPath, [vitest, "run", "tests/helpers/needs.test.ts"], {
      cwd: root,
      encoding: "utf8",
      env: {
        ...process.env,
        BRINKMAP_INNER_RUN: "1",
        BRINKMAP_NO_SKIP: "",
        BRINKMAP_NOT_RUN_LIST: list,
        ...extra,
      },
    });
    const lines = readFileSync(list, "utf8");
    rmSync(folder, { recursive: true });
    return { ...run, lines };
  };

  test("a test whose need is missing is named in one NOT RUN line and does not fail the run", () => {
    const run = inner({});
    expect(run.lines).toBe("NOT RUN: needs the moon: needs the moon; wait for the night\n");
    expect(run.stdout).toContain("NOT RUN: needs the moon: needs the moon; wait for the night");
    expect(run.status).toBe(0);
  });

  test("with BRINKMAP_NO_SKIP=1 a missing need fails the run", () => {
    const run = inner({ BRINKMAP_NO_SKIP: "1" });
    expect(run.lines).toBe("");
    expect(run.status).toBe(1);
  });

  test("npm test explains its use, and that it sets the machine up first", () => {
    const run = spawnSync(process.execPath, ["build/tests.mjs", "--help"], { cwd: root, encoding: "utf8" });
    expect(run.status).toBe(0);
    expect(run.stdout).toMatch(/^Usage: npm test /);
    expect(run.stdout).toContain("It calls npm run test:setup first.");
    const list = ["build/test-setup.mjs", "--list"];
    const packages = spawnSync(process.execPath, list, { cwd: root, encoding: "utf8" }).stdout;
    expect(packages.split(" ")).toEqual(expect.arrayContaining(["chromium", "python3", "redis-server"]));
  });

  test("npm test ends with the list of what was not run, and with the counts", () => {
    const run = spawnSync(process.execPath, ["build/tests.mjs", "tests/helpers/needs.test.ts"], {
      cwd: root,
      encoding: "utf8",
      env: { ...process.env, BRINKMAP_INNER_RUN: "1", BRINKMAP_NO_SKIP: "" },
    });
    expect(run.stdout).toContain(
      "NOT RUN, 1 in all:\nNOT RUN: needs the moon: needs the moon; wait for the night\n",
    );
    expect(run.stdout).toContain("0 passed, 0 failed, 1 skipped");
  });

  testWith(
    "python",
    "a Python reference gets arguments and input, and its failure is reported in its own words",
    () => {
      expect(runPython("import sys; print(sys.argv[1], sys.stdin.read())", ["a"], "b")).toBe("a b\n");
      expect(() => runPython("raise ValueError('no such lens')")).toThrow(/no such lens/);
    },
  );
}
