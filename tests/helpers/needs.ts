import { spawnSync } from "node:child_process";
import { appendFileSync, existsSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { test } from "vitest";
import { PYTHON } from "./python.ts";

/** Says what is missing and how to get it ("<what>; <how>"), or null when nothing is. */
type Check = () => string | null;
/** Something outside the repository that a test cannot do without. */
export type Need = "open-data" | "compiler" | "python" | Check;

/** Where the open data sets are: BRINKMAP_DATA, else ../shared/data beside the repository; null when absent. */
export function sharedData(): string | null {
  const given = process.env["BRINKMAP_DATA"];
  if (given !== undefined) return existsSync(given) ? given : null;
  // From tests/helpers, and from its built copy in dist.
  const folders = ["../../../shared/data", "../../../../shared/data"];
  const found = folders.map((path) => fileURLToPath(new URL(path, import.meta.url))).find(existsSync);
  return found ?? null;
}

const PYTHON_MODULES = [
  "numpy",
  "scipy",
  "cv2",
  "PIL",
  "crcmod",
  "msgpack",
  "vtkmodules",
  "mpmath",
  "websockets",
  "jsonschema",
  "prometheus_client",
  "zeroconf",
];
const runs = (command: string, args: string[]) => spawnSync(command, args, { stdio: "ignore" }).status === 0;

/** One answer per test file is enough: nothing is installed while tests run. */
const remember = (check: Check): Check => {
  let answer: string | null | undefined;
  return () => {
    answer = answer === undefined ? check() : answer;
    return answer;
  };
};

const checks: Record<"open-data" | "compiler" | "python", Check> = {
  "open-data": remember(() =>
    sharedData() === null ? "the open data sets; set BRINKMAP_DATA to their folder (see datasets/)" : null,
  ),
  compiler: remember(() => (runs("g++", ["--version"]) ? null : "g++; apt-get install g++")),
  python: remember(() =>
    runs(PYTHON, [
      "-c",
      `import sys, importlib.util as u; sys.exit(any(u.find_spec(m) is None for m in ${JSON.stringify(PYTHON_MODULES)}))`,
    ])
      ? null
      : `${PYTHON} with ${PYTHON_MODULES.join(", ")}; on Debian: npm run test:setup installs them`,
  ),
};

/**
 * Registers a test that needs something from outside the repository. When that is missing, one line
 * "NOT RUN: <name>: needs <what>; <how to get it>" is printed (and collected by build/tests.mjs) and the
 * test is skipped; with BRINKMAP_NO_SKIP=1 it fails instead. The fast tier skips it without a word.
 */
export function testWith(need: Need, name: string, fn: () => void | Promise<void>, timeout?: number): void {
  // The fast tier runs on Node alone; npm test runs these.
  if (process.env["BRINKMAP_FAST"] === "1") {
    test.skip(name, fn);
    return;
  }
  const missing = (typeof need === "function" ? need : checks[need])();
  if (missing === null) {
    test(name, fn, timeout);
    return;
  }
  const line = `NOT RUN: ${name}: needs ${missing}`;
  if (process.env["BRINKMAP_NO_SKIP"] === "1") {
    test(name, () => {
      throw new Error(line);
    });
    return;
  }
  console.log(line);
  const list = process.env["BRINKMAP_NOT_RUN_LIST"];
  if (list) appendFileSync(list, `${line}\n`);
  test.skip(name, fn);
}
