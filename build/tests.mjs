// The entry of `npm test`: everything. Sets the machine up, runs vitest, and lists what could not be run.
// Plain JavaScript on Node alone, so that it works before anything is built.
import { spawnSync } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

const HELP = `Usage: npm test [-- [--no-skips] [vitest arguments]]
  --no-skips   a test whose needs are missing fails instead of being listed as NOT RUN
  -h, --help   show this text
It calls npm run test:setup first. Without it: npm run test:fast, or npx vitest run <files>.
Exit codes: 0 all passed, 1 a test failed, 2 packages are missing and could not be installed`;

function main(args) {
  if (args.includes("-h") || args.includes("--help")) {
    console.log(HELP);
    return 0;
  }
  const vitest = fileURLToPath(new URL("../node_modules/vitest/vitest.mjs", import.meta.url));
  if (!existsSync(vitest)) {
    console.error("npm test: vitest is not installed; run `npm ci` first");
    return 2;
  }
  const setup = fileURLToPath(new URL("test-setup.mjs", import.meta.url));
  console.log("npm test: first npm run test:setup, which installs Debian packages that are missing");
  if (spawnSync(process.execPath, [setup], { stdio: "inherit" }).status !== 0) return 2;

  const folder = mkdtempSync(join(tmpdir(), "brinkmap-tests-"));
  const list = join(folder, "not-run.txt");
  writeFileSync(list, "");
  const env = { ...process.env, BRINKMAP_NOT_RUN_LIST: list };
  if (args.includes("--no-skips")) env.BRINKMAP_NO_SKIP = "1";
  const rest = args.filter((arg) => arg !== "--no-skips");
  const report = join(folder, "report.json");
  const reporters = ["--reporter=default", "--reporter=json", `--outputFile.json=${report}`];
  const run = spawnSync(process.execPath, [vitest, "run", ...reporters, ...rest], { stdio: "inherit", env });
  const counts = existsSync(report) ? JSON.parse(readFileSync(report, "utf8")) : null;
  const lines = readFileSync(list, "utf8").split("\n").filter(Boolean).sort();
  rmSync(folder, { recursive: true });
  console.log(
    lines.length === 0 ? "Every test was run." : `NOT RUN, ${lines.length} in all:\n${lines.join("\n")}`,
  );
  if (counts !== null) {
    const skipped = counts.numPendingTests > 0 ? `, ${counts.numPendingTests} skipped` : "";
    console.log(`${counts.numPassedTests} passed, ${counts.numFailedTests} failed${skipped}`);
  }
  return run.status === 0 ? 0 : 1;
}

process.exitCode = main(process.argv.slice(2));
