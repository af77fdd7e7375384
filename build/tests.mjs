// The entry of `npm test`: brings the Debian packages that the outside checks run against, then runs vitest.
// Plain JavaScript on Node alone, so that it works before anything else does.
import { spawnSync } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

const _HELP = `Usage: npm test [-- [--no-skips] [vitest arguments]]
  --no-skips   a test whose needs are missing fails instead of being listed as NOT RUN
  -h, --help   show this text
Exit codes: 0 all passed, 1 a test failed, 2 packages are missing and could not be installed`;

const PACKAGES = [
  "python3",
  "python3-numpy",
  "python3-scipy",
  "python3-opencv",
  "python3-pil",
  "python3-crcmod",
  "python3-msgpack",
  "python3-websockets",
  "python3-jsonschema",
  "python3-prometheus-client",
  "python3-zeroconf",
  "python3-vtk9",
  "python3-mpmath",
  "pngcheck",
  "visp-images-data",
  "chromium",
  "redis-server",
  "openssl",
  "git",
];
// Tests that compile something say so themselves when it is missing.
const OPTIONAL = ["g++"];

const succeeds = (command, args) => spawnSync(command, args, { stdio: "ignore" }).status === 0;

function isInstalled(name) {
  // biome-ignore lint/suspicious/noTemplateCurlyInString: the braces are dpkg-query's own format
  const query = spawnSync("dpkg-query", ["-W", "-f=${Status}", name], { encoding: "utf8" });
  return query.status === 0 && query.stdout.startsWith("install ok installed");
}

/** Runs apt-get as root, or through sudo when that asks for no password. Null when neither works. */
function aptGet() {
  const prefix = process.getuid?.() === 0 ? [] : succeeds("sudo", ["-n", "true"]) ? ["sudo", "-n"] : null;
  if (prefix === null) return null;
  return (...args) => {
    const [command, ...rest] = [...prefix, "env", "DEBIAN_FRONTEND=noninteractive", "apt-get", ...args];
    return spawnSync(command, rest, { stdio: ["ignore", "inherit", "inherit"] }).status === 0;
  };
}

/** True when every package is there, or could be installed, or this is no Debian (then tests say what they lack). */
function provide() {
  if (!succeeds("dpkg-query", ["--version"])) {
    console.error(`tests: no Debian package manager here. Tests that need one of these programs or Python
modules are listed as NOT RUN: ${[...PACKAGES, ...OPTIONAL].join(" ")}`);
    return true;
  }
  const missing = PACKAGES.filter((name) => !isInstalled(name));
  if (missing.length === 0) return true;
  const command = `apt-get update && apt-get install --no-install-recommends -y ${missing.join(" ")}`;
  const apt = aptGet();
  if (apt === null) {
    console.error(`tests: these packages are missing; as root, run\n  ${command}`);
    return false;
  }
  console.error(`tests: installing ${missing.join(" ")}`);
  // A failed update alone is no reason to stop: the lists already there may do.
  apt("update", "-q");
  if (apt("install", "--no-install-recommends", "-y", "-q", ...missing)) return true;
  console.error(`tests: apt-get failed; what the tests need is\n  ${command}`);
  return false;
}

function main(args) {
  if (args.includes("-h") || args.includes("--help")) {
    return 0;
  }
  const vitest = fileURLToPath(new URL("../node_modules/vitest/vitest.mjs", import.meta.url));
  if (!existsSync(vitest)) {
    console.error("tests: vitest is not installed; run `npm ci` first");
    return 2;
  }
  if (!provide()) return 2;

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
  const _lines = readFileSync(list, "utf8").split("\n").filter(Boolean).sort();
  rmSync(folder, { recursive: true });
  if (counts !== null) {
    const _skipped = counts.numPendingTests > 0 ? `, ${counts.numPendingTests} skipped` : "";
  }
  return run.status === 0 ? 0 : 1;
}

process.exitCode = main(process.argv.slice(2));
