import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { ScenarioError } from "../src/simulate/fields.ts";
import { provideDemo } from "./demo/recording.ts";
import { Progress } from "./frame/progress.ts";
import { drawHeights, drawMap, drawSlice } from "./output/map-pictures.ts";
import { encodeVoxels } from "./output/voxel-file.ts";
import { writeWholeFile } from "./output/whole-file.ts";
import { type Replay, replayRecording } from "./replay/run.ts";
import { describe } from "./replay.ts";
import { readScenario, STUDIO } from "./scenario-file.ts";

const HELP = `Usage: demo [options]    map the demo: render it if need be, fuse it, print a summary, write pictures
  -o, --out <folder>      where the recording and the pictures go (default out)
      --scenario <file>   drive through another scenario (default: the pottery studio)
  -h, --help              show this text
Exit codes: 0 done, 1 internal error, 2 wrong usage, 3 scenario missing or unfit, 4 the folder cannot be written`;
const options = {
  out: { type: "string", short: "o" },
  scenario: { type: "string" },
  help: { type: "boolean", short: "h" },
} as const;

const EXPLAINED = `What the lines say:
  recording   how long the drive was, what the sensors sent, and how many depth images went into the map
  speed       how much faster than the drive itself; a robot that maps as it drives needs more than 1
  map         seen: floor, free space or an obstacle is known there; blocked: too high to drive over, too low to
              pass under. Blocks hold the map's voxels, 5 cm cubes; kB/m2 is what a larger building will cost
  floor       how high the floor lies against where the drive began; ramps, platforms and pits widen the spread
  hash        a fingerprint of all that the head said: the same recording and settings always end with the same`;

const CAUTION =
  "This is not a safety device: keep an independent hardware stop, and read the cautions in README.md.";

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string) => {
    console.error(`demo: ${why}`);
    return code;
  };
  let isLoaded = false;
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (positionals.length > 0) return fail(2, `"${positionals[0]}" is not expected (see --help)`);
    const scenario = await readScenario(values.scenario ?? STUDIO);
    isLoaded = true;
    const folder = values.out ?? "out";
    const path = await provideDemo(scenario, folder);
    console.log(`Mapping ${path} ...`);
    const replay = await map(path);
    console.log(`${describe(replay.summary)}\n\n${EXPLAINED}\n`);
    for (const [file, what] of await writePictures(replay, scenario.name, folder)) {
      console.log(`wrote ${file.padEnd(folder.length + 17)} ${what}`);
    }
    console.log(`\n${CAUTION}`);
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    if (error instanceof ScenarioError) return fail(3, message);
    if (["ENOENT", "EACCES", "EISDIR", "EEXIST", "ENOTDIR", "ENOSPC", "EROFS"].includes(code)) {
      return fail(isLoaded ? 4 : 3, message);
    }
    throw error;
  }
}

async function map(path: string): Promise<Replay> {
  const progress = new Progress("mapping", "lines");
  try {
    return await replayRecording(path, { onProgress: (share) => progress.show(share) });
  } finally {
    progress.stop();
  }
}

/** @returns each file's path and what it shows */
async function writePictures(
  { head, path }: Replay,
  name: string,
  folder: string,
): Promise<[file: string, what: string][]> {
  const title = `${name[0]?.toUpperCase()}${name.slice(1)} (simulated)`;
  // Sliced where the drive went highest, since floors of several heights show there.
  let [y, top] = [0, Number.NEGATIVE_INFINITY];
  for (const { pose } of path) if (pose.position[2] > top) [, y, top] = pose.position;
  const pictures = [
    ["demo-map.png", "the map from above", drawMap(head, `${title}: map from above`, path)],
    ["demo-floor.png", "floor heights from above", drawHeights(head, `${title}: floor heights`, path)],
    ["demo-side.png", "an upright slice", drawSlice(head, title, path, y)],
  ] as const;
  const written: [string, string][] = [];
  for (const [file, what, picture] of pictures) {
    if (picture === null) continue;
    await writeWholeFile(join(folder, file), await picture.drawing.toPng());
    written.push([join(folder, file), what]);
  }
  const voxels = join(folder, "demo-voxels.ply");
  await writeWholeFile(voxels, encodeVoxels(head, "points"));
  return [...written, [voxels, "occupied voxels, for a viewer of point clouds"]];
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
