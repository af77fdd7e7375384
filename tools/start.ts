import { existsSync, renameSync } from "node:fs";
import { mkdir, rm, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { DecodeError } from "../src/record/bytes.ts";
import { openRecording } from "../src/record/file.ts";
import { drawFloor, drawKinds, drawSlice, encodeVoxels } from "./output/map.ts";
import { ProgressLine } from "./output/progress.ts";
import { type Replay, replayRecording } from "./replay/run.ts";
import { describe } from "./replay.ts";
import { main as simulate } from "./simulate.ts";

const HELP = `Usage: start [options]    map the demo: render it if need be, fuse it, print a summary, write pictures
  -o, --out <folder>  where the recording and the pictures go (default out)
  -h, --help          show this text
Exit codes: 0 done, 1 internal error, 2 wrong usage, 4 the folder cannot be written`;
const options = { out: { type: "string", short: "o" }, help: { type: "boolean", short: "h" } } as const;

/** From here and from dist/tools alike. */
const SCENARIO = ["../datasets/pottery-studio.json", "../../datasets/pottery-studio.json"]
  .map((path) => fileURLToPath(new URL(path, import.meta.url)))
  .find(existsSync)!;

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string) => {
    console.error(`start: ${why}`);
    return code;
  };
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (positionals.length > 0) return fail(2, `"${positionals[0]}" is not expected (see --help)`);
    const folder = values.out ?? "out";
    await mkdir(folder, { recursive: true });
    const path = join(folder, "demo.brk");
    if (!(await isWhole(path))) {
      console.log("Rendering the demo, a pottery studio seen by a supply trolley (once, under a minute) ...");
      const part = `${path}.part`;
      const code = await simulate([SCENARIO, part, "--force"]);
      if (code !== 0) return code;
      renameSync(part, path);
    }
    console.log(`Mapping ${path} ...`);
    const progress = new ProgressLine("mapping");
    let replay: Replay;
    try {
      replay = await replayRecording(path, { onProgress: (share) => progress.show(share) });
    } finally {
      progress.stop();
    }
    console.log(describe(replay.summary));
    console.log(`\n${EXPLAINED}\n`);
    for (const file of await writePictures(replay, folder)) console.log(`wrote ${file}`);
    console.log("\nNot a safety device: keep an independent hardware stop, and read the README's cautions.");
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    if (["EACCES", "EEXIST", "ENOTDIR", "ENOSPC", "EROFS"].includes(code)) return fail(4, message);
    throw error;
  }
}

const EXPLAINED = `"Seen" is floor, free space or an obstacle in a column of the map; "blocked" is what stands in this robot's way.
Replaying the same recording with the same settings always ends with the same hash.`;

/** A recording with its index at the end was closed by its writer. */
async function isWhole(path: string): Promise<boolean> {
  if (!existsSync(path)) return false;
  try {
    const recording = await openRecording(path);
    const whole = recording.hasIndex();
    recording.close();
    return whole;
  } catch (error) {
    if (!(error instanceof DecodeError)) throw error;
    await rm(path);
    return false;
  }
}

async function writePictures({ head, path }: Replay, folder: string): Promise<string[]> {
  const pictures = {
    "demo-map.png": drawKinds(head, "Pottery studio, from above", path),
    "demo-floor.png": drawFloor(head, "Pottery studio, floor heights", path),
    "demo-side.png": drawSlice(head, "Pottery studio, an upright slice: y from 3.2 to 3.8 m", 3.2, 3.8),
  };
  const written: string[] = [];
  for (const [name, picture] of Object.entries(pictures)) {
    if (picture === null) continue;
    await writeFile(join(folder, name), picture.toPng());
    written.push(join(folder, name));
  }
  const voxels = join(folder, "demo-voxels.ply");
  await writeFile(voxels, encodeVoxels(head, "points"));
  return [...written, voxels];
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
