// Installs the Debian packages that independent checks need; `npm test` calls it first. This is the only step of the
// tests that changes the machine. Plain JavaScript on Node alone, so that it works before anything is built.
import { spawnSync } from "node:child_process";

const HELP = `Usage: npm run test:setup [-- --list]
Installs the Debian packages that npm test checks against and that are missing: as root, or with a sudo that asks for no password.
  --list       print the packages, and install nothing
  -h, --help   show this text
Exit codes: 0 all are there, 2 some are missing and could not be installed`;

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
  "g++",
];

const succeeds = (command, args) => spawnSync(command, args, { stdio: "ignore" }).status === 0;

function isInstalled(name) {
  // biome-ignore lint/suspicious/noTemplateCurlyInString: the braces are dpkg-query's own format
  const query = spawnSync("dpkg-query", ["-W", "-f=${Status}", name], { encoding: "utf8" });
  return query.status === 0 && query.stdout.startsWith("install ok installed");
}

/** Runs apt-get as root, or through sudo without a password. Null when neither works. */
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
    console.error(`test:setup: no Debian package manager here. Tests that need one of these programs or Python
modules are listed as NOT RUN: ${PACKAGES.join(" ")}`);
    return true;
  }
  const missing = PACKAGES.filter((name) => !isInstalled(name));
  if (missing.length === 0) return true;
  const command = `apt-get update && apt-get install --no-install-recommends -y ${missing.join(" ")}`;
  const apt = aptGet();
  if (apt === null) {
    console.error(`test:setup: these packages are missing; as root, run\n  ${command}`);
    return false;
  }
  console.error(`test:setup: installing ${missing.join(" ")}`);
  // A failed update alone is no reason to stop: the present lists may suffice.
  apt("update", "-q");
  if (apt("install", "--no-install-recommends", "-y", "-q", ...missing)) return true;
  console.error(`test:setup: apt-get failed; what the tests need is\n  ${command}`);
  return false;
}

function main(args) {
  if (args.includes("-h") || args.includes("--help")) {
    console.log(HELP);
    return 0;
  }
  if (args.includes("--list")) {
    console.log(PACKAGES.join(" "));
    return 0;
  }
  return provide() ? 0 : 2;
}

process.exitCode = main(process.argv.slice(2));
