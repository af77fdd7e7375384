// Makes the package for boards: one file for all architectures that Debian's package tools install.
import { execFileSync } from "node:child_process";
import {
  chmodSync,
  cpSync,
  existsSync,
  lutimesSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  statSync,
  symlinkSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join, resolve } from "node:path";
import { parseArgs } from "node:util";
import { gzipSync } from "node:zlib";
import { bundleCommands } from "./bundle-commands.mjs";
import { LICENCE_RULE, licencesText } from "./licences.mjs";
import { manualPage } from "./manual-page.mjs";

const HELP = `Usage: npm run package [-- options]
Makes out/brinkmap_<version>_all.deb from the built program, with Debian's dpkg-deb.
  --out <folder>       folder of the package (default out)
  --version <version>  instead of the version in package.json; to try an upgrade
  -h, --help           show this text
The same sources give the same bytes: times in the package are SOURCE_DATE_EPOCH, or else that of the last commit.
Exit codes: 0 done, 1 failed`;

const ROOT = resolve(import.meta.dirname, "..");
const DEB = join(ROOT, "build/deb");

/** Seconds since 1970 for all files of the package. */
function epoch() {
  const given = process.env.SOURCE_DATE_EPOCH;
  if (given !== undefined) return Number(given);
  return Number(execFileSync("git", ["log", "-1", "--format=%ct"], { cwd: ROOT, encoding: "utf8" }));
}

/** Lays out everything that the package installs, below `tree`. */
async function layOut(tree) {
  const share = join(tree, "usr/share/brinkmap");
  const doc = join(tree, "usr/share/doc/brinkmap");
  const put = (to, content, mode = 0o644) => {
    mkdirSync(dirname(join(tree, to)), { recursive: true });
    writeFileSync(join(tree, to), content, { mode });
  };
  const copy = (from, to) => cpSync(join(ROOT, from), to, { recursive: true });

  const metafiles = await bundleCommands(ROOT, share);
  const command = join(share, "dist/tools/brinkmap.js");
  // Debian's own Node, also where another comes first on the path.
  writeFileSync(command, readFileSync(command, "utf8").replace(/^#!.*/, "#!/usr/bin/node"));
  chmodSync(command, 0o755);
  copy("dist/viewer", join(share, "dist/viewer"));
  for (const folder of ["datasets", "fonts", "motor-board"]) copy(folder, join(share, folder));
  const { name, version, type, license, description } = readPackage();
  put(
    "usr/share/brinkmap/package.json",
    `${JSON.stringify({ name, version, description, license, type, private: true }, null, 2)}\n`,
  );
  const says = (...args) => execFileSync(process.execPath, [command, ...args], { encoding: "utf8" });
  put("usr/share/brinkmap/head.schema.json", says("serve", "--schema"));
  mkdirSync(join(tree, "usr/bin"));
  symlinkSync("../share/brinkmap/dist/tools/brinkmap.js", join(tree, "usr/bin/brinkmap"));

  put("usr/share/man/man1/brinkmap.1.gz", gzipSync(manualPage(version, says), { level: 9 }));
  put(
    "usr/share/doc/brinkmap/changelog.gz",
    gzipSync(readFileSync(join(ROOT, "CHANGELOG.md")), { level: 9 }),
  );
  put(
    "usr/share/doc/brinkmap/copyright",
    [
      readFileSync(join(ROOT, "LICENSE"), "utf8"),
      `The font of pictures, ${readFileSync(join(ROOT, "fonts/LICENSE-DejaVuSans.txt"), "utf8")}`,
      readFileSync(join(ROOT, "dist/third-party-licences.txt"), "utf8"),
      licencesText(metafiles, ROOT),
    ].join(LICENCE_RULE),
  );
  for (const name of readdirSync(join(ROOT, "docs")).filter((name) => name.endsWith(".md"))) {
    cpSync(join(ROOT, "docs", name), join(doc, name));
  }

  put("etc/brinkmap/head.json", readFileSync(join(DEB, "head.json")));
  put("usr/lib/systemd/system/brinkmap.service", readFileSync(join(ROOT, "tools/serve/brinkmap.service")));
  put("usr/lib/udev/rules.d/60-brinkmap.rules", readFileSync(join(DEB, "60-brinkmap.rules")));
}

const readPackage = () => JSON.parse(readFileSync(join(ROOT, "package.json"), "utf8"));

/** Sets permissions and times below `folder`, and returns how many kilobytes of disk its files need. */
function settle(folder, seconds) {
  let size = 1;
  for (const entry of readdirSync(folder, { withFileTypes: true })) {
    const path = join(folder, entry.name);
    if (entry.isDirectory()) size += settle(path, seconds);
    else {
      if (entry.isFile()) {
        const isProgram = (statSync(path).mode & 0o100) !== 0;
        chmodSync(path, isProgram ? 0o755 : 0o644);
        size += Math.ceil(statSync(path).size / 1024);
      }
      lutimesSync(path, seconds, seconds);
    }
  }
  chmodSync(folder, 0o755);
  lutimesSync(folder, seconds, seconds);
  return size;
}

/** The package's control files: what it needs, and what runs at installation and removal. */
function writeControl(tree, version, size) {
  const folder = join(tree, "DEBIAN");
  mkdirSync(folder);
  const control = readFileSync(join(DEB, "control"), "utf8");
  writeFileSync(
    join(folder, "control"),
    control.replace("@VERSION@", version).replace("@INSTALLED_SIZE@", String(size)),
  );
  writeFileSync(join(folder, "conffiles"), readFileSync(join(DEB, "conffiles")));
  for (const script of ["postinst", "prerm", "postrm"]) {
    writeFileSync(join(folder, script), readFileSync(join(DEB, script)), { mode: 0o755 });
  }
}

async function main(args) {
  const { values } = parseArgs({
    args,
    options: {
      out: { type: "string", default: join(ROOT, "out") },
      version: { type: "string", default: readPackage().version },
      help: { type: "boolean", short: "h" },
    },
  });
  if (values.help) {
    console.log(HELP);
    return 0;
  }
  if (!existsSync(join(ROOT, "dist/viewer/index.html"))) {
    console.error("package: nothing is built; run npm run build first");
    return 1;
  }
  const tree = mkdtempSync(join(tmpdir(), "brinkmap-package-"));
  try {
    const seconds = epoch();
    await layOut(tree);
    writeControl(tree, values.version, settle(tree, seconds));
    settle(tree, seconds);
    mkdirSync(values.out, { recursive: true });
    const file = join(values.out, `brinkmap_${values.version}_all.deb`);
    // One thread: with more, the bytes depend on how many there are.
    const compression = ["-Zxz", "-z9", "--threads-max=1"];
    execFileSync("dpkg-deb", ["--root-owner-group", ...compression, "--build", tree, file], {
      env: { ...process.env, SOURCE_DATE_EPOCH: String(seconds) },
      stdio: ["ignore", "ignore", "inherit"],
    });
    console.log(`${file}: ${(statSync(file).size / 1e6).toFixed(2)} MB`);
    return 0;
  } finally {
    rmSync(tree, { recursive: true });
  }
}

process.exitCode = await main(process.argv.slice(2));
