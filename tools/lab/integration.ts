import { execFileSync, spawnSync } from "node:child_process";
import { existsSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { evidenceTable } from "../../src/map/evidence.ts";
import { BlockGrid } from "../../src/map/grid.ts";
import { Integrator } from "../../src/map/integrate.ts";
import { sharedData } from "../../tests/helpers/needs.ts";
import { PerRayMap } from "../../tests/helpers/per-ray.ts";
import { dumpDense, readYardFrames, type YardFrames } from "../../tests/helpers/yardstick.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { programOf } from "./program.ts";

const RUNS = 4;

/** Per frame the fastest of `RUNS` runs, ms, and the last run's map. */
function time(
  seq: YardFrames,
  make: () => { add: (n: number) => void; dump: () => Uint8Array; size: () => number },
) {
  const best = new Float64Array(seq.frames.length).fill(Number.POSITIVE_INFINITY);
  let mapper = make();
  for (let run = 0; run <= RUNS; run++) {
    mapper = make();
    for (let n = 0; n < seq.frames.length; n++) {
      const start = performance.now();
      mapper.add(n);
      const taken = performance.now() - start;
      if (run > 0) best[n] = Math.min(best[n]!, taken);
    }
  }
  const sorted = best.slice().sort();
  const at = (share: number) => sorted[Math.floor(share * (sorted.length - 1))]!;
  return { median: at(0.5), p99: at(0.99), dump: mapper.dump(), size: mapper.size() };
}

function ours(seq: YardFrames) {
  const grid = new BlockGrid(0.05);
  const model = { sigma0: 0.01, sigma2: 0, outlierShare: 0.02, independence: 0.7, framesToClear: 14 };
  const view = { ...seq, unitsPerMetre: 1000, maxRange: 4 };
  const integrator = new Integrator(grid, view, evidenceTable(model, 0.05, 4, 2), 2);
  return {
    add: (n: number) => {
      const { depth, rotation, position } = seq.frames[n]!;
      grid.frame++;
      integrator.integrate(depth, rotation, position);
    },
    dump: () => dumpDense(grid),
    size: () => grid.byteSize,
  };
}

export const main = programOf({
  name: "integration",
  usage: "[options]",
  about: "Integration of 240x180 frames beside textbook methods, in one run.",
  options: {
    rounds: {
      type: "string",
      short: "r",
      value: "<n>",
      default: "3",
      help: "passes over all frames (default 3)",
    },
  },
  notes:
    "The yardsticks, small C++ programs, stand beside the open data ($BRINKMAP_DATA/../yardstick); they and a g++ are needed.",
  exits: { 3: "no yardstick or no compiler" },
  run: ({ values, positionals }) => {
    noneExpected(positionals);
    return measure(wholeOption(values, "rounds", 1));
  },
});

function measure(rounds: number): number {
  const data = sharedData();
  const source = data === null ? "" : join(dirname(data), "yardstick");
  if (!existsSync(source) || spawnSync("g++", ["--version"]).status !== 0) {
    console.error("integration: NOT RUN: the yardsticks need their sources beside the open data and a g++");
    return 3;
  }
  const folder = mkdtempSync(join(tmpdir(), "brinkmap-bench-"));
  try {
    for (const name of ["gen", "yard"]) {
      execFileSync("g++", ["-O3", "-march=native", join(source, `${name}.cpp`), "-o", join(folder, name)]);
    }
    execFileSync(join(folder, "gen"), ["frames.bin", "truth.bin", "200", "0.02"], {
      cwd: folder,
      stdio: "ignore",
    });
    const seq = readYardFrames(join(folder, "frames.bin"));
    const medians: Record<string, number[]> = {};
    const note = (name: string, median: number, p99: number) => {
      medians[name] ??= [];
      medians[name].push(median);
      console.log(
        `${name.padEnd(30)} median ${median.toFixed(3)} ms${Number.isNaN(p99) ? "" : `, p99 ${p99.toFixed(3)} ms`}`,
      );
    };
    let mine = time(seq, () => ours(seq));
    for (let round = 0; round < rounds; round++) {
      mine = time(seq, () => ours(seq));
      note("ours", mine.median, mine.p99);
      const out = execFileSync(join(folder, "yard"), ["frames.bin", "1", "."], {
        cwd: folder,
        encoding: "utf8",
      });
      for (const line of out.trim().split("\n")) {
        const row = JSON.parse(line) as { name: string; median: number; p99: number };
        if (row.name === "yardC-i-16") note("(i) per ray, C++", row.median, row.p99);
        if (row.name.startsWith("yardC-iii")) note("(iii) a ray per end voxel, C++", row.median, row.p99);
      }
    }
    const plain = new PerRayMap(false);
    const start = performance.now();
    for (const frame of seq.frames) plain.integrate(frame, seq);
    note("(i) per ray, TypeScript", (performance.now() - start) / seq.frames.length, Number.NaN);
    const dedup = new PerRayMap(true);
    for (const frame of seq.frames) dedup.integrate(frame, seq);
    const theirs = dedup.dump();
    const free = theirs.reduce((sum, state) => sum + (state === 1 ? 1 : 0), 0);
    const found = theirs.reduce((sum, state, n) => sum + (state === 1 && mine.dump[n] === 1 ? 1 : 0), 0);
    const best = (name: string) => Math.min(...medians[name]!);
    for (const name of Object.keys(medians).filter((each) => each !== "ours")) {
      console.log(`${name.padEnd(30)} takes ${(best(name) / best("ours")).toFixed(2)} times as long as ours`);
    }
    console.log(
      `map ${(mine.size / 1000).toFixed(0)} kB, ${(mine.size / 48_000).toFixed(1)} kB/m2 of the room's 48 m2; ` +
        `free space found: ${((100 * found) / free).toFixed(1)} % of what the de-duplicated per-ray map finds`,
    );
    return 0;
  } finally {
    rmSync(folder, { recursive: true });
  }
}
