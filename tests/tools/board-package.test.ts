import { execFileSync, spawn, spawnSync } from "node:child_process";
import { lstatSync, mkdirSync, mkdtempSync, readdirSync, readFileSync, realpathSync, rmSync, statSync } from "node:fs"; // biome-ignore format: one line
import { homedir, tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { gunzipSync } from "node:zlib";
import { afterAll, describe, expect } from "vitest";
import { testWith } from "../helpers/needs.ts";

// The package for boards, unpacked as a board's package tools do; build/try-package.sh installs it in a fresh Debian.

const ROOT = fileURLToPath(new URL("../..", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "brinkmap-board-package-"));
const tree = join(folder, "tree");
const share = join(tree, "usr/share/brinkmap");
/** A folder of the user's, in which the commands are started. */
const home = join(folder, "home");
/** Bytes that the package may have. */
const MOST_BYTES = 4e6;

const makePackage = (to: string): string => {
  execFileSync(process.execPath, [join(ROOT, "build/package.mjs"), "--out", to], { stdio: "ignore" });
  return join(to, readdirSync(to).find((name) => name.endsWith(".deb"))!);
};

let made: string | null = null;
/** Makes and unpacks the package once, at the first call. */
function make(): string | null {
  if (spawnSync("dpkg-deb", ["--version"]).status !== 0) return "dpkg-deb (Debian's dpkg)";
  if (made === null) {
    made = makePackage(folder);
    execFileSync("dpkg-deb", ["--raw-extract", made, tree]);
    mkdirSync(home);
  }
  return null;
}
const canAnalyze = (): string | null =>
  spawnSync("systemd-analyze", ["verify", "--help"]).status === 0
    ? make()
    : "systemd-analyze (Debian's systemd)";

afterAll(() => rmSync(folder, { recursive: true }));

const files = (): string[] =>
  readdirSync(tree, { recursive: true, encoding: "utf8" })
    .filter((name) => lstatSync(join(tree, name)).isFile())
    .sort();
const control = (name: string) => readFileSync(join(tree, "DEBIAN", name), "utf8");

const command = join(share, "dist/tools/brinkmap.js");
const run = (...args: string[]) =>
  spawnSync(process.execPath, [command, ...args], { cwd: home, encoding: "utf8", maxBuffer: 1 << 26 });

describe("the package for boards", () => {
  testWith(make, "has at most 4 MB, and says what it needs", () => {
    const size = statSync(made!).size;
    console.log(`package for boards: ${(size / 1e6).toFixed(2)} MB`);
    expect(size).toBeLessThanOrEqual(MOST_BYTES);
    const { version } = JSON.parse(readFileSync(join(ROOT, "package.json"), "utf8"));
    const fields = Object.fromEntries(
      control("control")
        .split(/\n(?! )/)
        .filter(Boolean)
        .map((line) => line.split(/: /, 2)),
    );
    expect(fields).toMatchObject({
      Package: "brinkmap",
      Version: version,
      Architecture: "all",
      Depends: "nodejs (>= 20), adduser",
    });
    // Source: Debian Policy 5.6.20: kilobytes of the installed files, about.
    const kilobytes = Number(execFileSync("du", ["-sk", "--apparent-size", tree], { encoding: "utf8" }).split("\t")[0]); // biome-ignore format: one line
    expect(Number(fields["Installed-Size"])).toBeGreaterThan(0.9 * kilobytes);
    expect(Number(fields["Installed-Size"])).toBeLessThan(1.2 * kilobytes);
  });

  testWith(
    make,
    "has the same bytes when it is made again",
    () => {
      const again = join(folder, "again");
      expect(readFileSync(makePackage(again)).equals(readFileSync(made!))).toBe(true);
    },
    120_000,
  );

  testWith(make, "belongs to root, who alone may write it, and its scripts are sound shell", () => {
    // Source: Debian Policy 10.9: files are owned by root:root and are mode 0644 or 0755.
    const listed = execFileSync("dpkg-deb", ["--contents", made!], { encoding: "utf8" }).trim().split("\n");
    const odd = listed.filter(
      (line) => !/^(-rw-r--r--|-rwxr-xr-x|drwxr-xr-x|lrwxrwxrwx) root\/root /.test(line),
    );
    expect(odd).toEqual([]);
    const programs = files().filter((name) => (statSync(join(tree, name)).mode & 0o111) !== 0);
    for (const name of programs)
      expect(readFileSync(join(tree, name), "latin1"), name).toMatch(/^#!\/(bin\/sh|usr\/bin\/node)\n/);
    for (const script of ["postinst", "prerm", "postrm"]) {
      expect(spawnSync("sh", ["-n", join(tree, "DEBIAN", script)]).status).toBe(0);
      expect(control(script)).toMatch(/^set -e$/m);
    }
    expect(realpathSync(join(tree, "usr/bin/brinkmap"))).toBe(realpathSync(command));
    // Source: Debian Policy 10.7.3: every file below /etc is a configuration file, so that changes are kept.
    const inEtc = files().filter((name) => name.startsWith("etc/"));
    expect(control("conffiles").trim().split("\n")).toEqual(inEtc.map((name) => `/${name}`));
  });

  testWith(make, "tells no path of the machine that made it, and needs no folder of modules", () => {
    const places = [ROOT, homedir(), tmpdir(), "../main/"].filter((path) => path.length > 5);
    const telling = files().filter((name) => {
      const text = readFileSync(join(tree, name), "latin1");
      return places.some((place) => text.includes(place.replace(/\/$/, "/")));
    });
    expect(telling).toEqual([]);
    expect(files().filter((name) => /node_modules|\.d\.ts$|\.(node|so)$/.test(name))).toEqual([]);
  });

  testWith(
    make,
    "has a manual page, licences of all that is bundled, documents, schema and udev rules",
    () => {
      const manual = gunzipSync(readFileSync(join(tree, "usr/share/man/man1/brinkmap.1.gz"))).toString();
      for (const section of ["NAME", "SYNOPSIS", "CAUTION", "BRINKMAP SERVE", "BRINKMAP MOUNT", "FILES"])
        expect(manual).toContain(`\n.SH ${section}\n`);
      const licences = readFileSync(join(tree, "usr/share/doc/brinkmap/copyright"), "utf8");
      for (const name of ["three", "echarts", "ws", "pino", "msgpackr", "@resvg/resvg-wasm"])
        expect(licences).toMatch(new RegExp(`^${name} \\d`, "m"));
      const schema = JSON.parse(readFileSync(join(share, "head.schema.json"), "utf8"));
      expect(Object.keys(schema.properties)).toContain("depth");
      const rules = readFileSync(join(tree, "usr/lib/udev/rules.d/60-brinkmap.rules"), "utf8");
      for (const subsystem of ["video4linux", "iio", "tty"])
        expect(rules).toMatch(new RegExp(`^SUBSYSTEM=="${subsystem}",.* GROUP="`, "m"));
    },
  );

  testWith(canAnalyze, "its unit starts a program of the package, and systemd finds no fault in it", () => {
    const unit = join(tree, "usr/lib/systemd/system/brinkmap.service");
    const [, program] = /^ExecStart=\/usr\/bin\/node .*?(\/usr\/share\/\S+)/m.exec(
      readFileSync(unit, "utf8"),
    )!;
    expect(files()).toContain(program!.slice(1));
    const { stderr } = spawnSync("systemd-analyze", ["verify", "--man=no", unit], { encoding: "utf8" });
    expect(stderr.split("\n").filter((line) => line.includes("brinkmap"))).toEqual([]);
  });
});

describe("the unpacked package", () => {
  testWith(
    make,
    "simulates, replays to the same map as the built program, and compares in threads",
    () => {
      const scenario = join(share, "datasets/yard-room.json");
      const sets = ["rate=2", "optics.width=80", "optics.height=60"].flatMap((set) => [
        "--set",
        `sensors.0.${set}`,
      ]);
      run("simulate", scenario, "room.brk", ...sets);
      run("simulate", scenario, "again.brk", ...sets, "--set", "seed=5");
      const hashOf = ({ stdout }: { readonly stdout: string }) => /"hash": "([0-9a-f]+)"/.exec(stdout)?.[1];
      const built = spawnSync(
        process.execPath,
        [join(ROOT, "dist/tools/replay.js"), "room.brk", "--json"],
        { cwd: home, encoding: "utf8" }, // biome-ignore format: one line
      );
      expect(hashOf(built)).toMatch(/^[0-9a-f]{64}$/);
      expect(hashOf(run("replay", "room.brk", "--json"))).toBe(hashOf(built));
      expect(run("compare", "room.brk", "again.brk", "-a", "evidence.sigma0=0.02")).toMatchObject({
        status: 0,
      });
      expect(run("lend", "redis://127.0.0.1:6379").stderr).toBe(
        "lend: the package for boards has no queue: install brinkmap with npm on this machine\n",
      );
    },
    240_000,
  );

  testWith(
    make,
    "serves its page and pictures of the map, with the settings file that it brings",
    async () => {
      const serve = join(share, "dist/tools/serve.js");
      const config = ["--config", join(tree, "etc/brinkmap/head.json"), "--map", join(home, "map")];
      const scenario = ["--scenario", join(share, "datasets/yard-room.json"), "--port", "0"];
      const head = spawn(process.execPath, [serve, ...config, ...scenario], {
        cwd: home,
        stdio: ["ignore", "pipe", "pipe"],
      });
      try {
        const url = await new Promise<string>((resolve, reject) => {
          let said = "";
          head.stdout.on("data", (chunk: Buffer) => {
            said += chunk.toString();
            const found = /http:\/\/\S+/.exec(said);
            if (found !== null) resolve(found[0]);
          });
          head.stderr.on("data", (chunk: Buffer) => {
            said += chunk.toString();
          });
          head.on("close", (code) => reject(new Error(`ended with ${code}: ${said}`)));
        });
        expect(await (await fetch(url)).text()).toContain("<script");
        expect(await (await fetch(`${url}metrics`)).text()).toContain("brinkmap_frames");
        // The first frames are mapped meanwhile.
        const picture = async () => await fetch(`${url}map.png`);
        await expect.poll(async () => (await picture()).status, { timeout: 30_000 }).toBe(200);
        const bytes = new Uint8Array(await (await picture()).arrayBuffer());
        // Source: ISO/IEC 15948 (PNG), 5.2: the signature.
        expect([...bytes.subarray(0, 4)]).toEqual([0x89, 0x50, 0x4e, 0x47]);
      } finally {
        const ended = new Promise((resolve) => head.on("close", resolve));
        head.kill("SIGTERM");
        await ended;
      }
      expect(head.exitCode).toBe(0);
    },
    90_000,
  );
});
