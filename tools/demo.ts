import { join } from "node:path";
import { provideDemo } from "./demo/recording.ts";
import { CAUTION, mainOf, runIfStarted } from "./frame/command.ts";
import { writing } from "./frame/errors.ts";
import { Progress } from "./frame/progress.ts";
import { noneExpected } from "./frame/values.ts";
import { drawHeights, drawMap, drawSlice } from "./output/map-pictures.ts";
import { encodeVoxels } from "./output/voxel-file.ts";
import { writeWholeFile } from "./output/whole-file.ts";
import { type Replay, replayRecording } from "./replay/run.ts";
import { describe } from "./replay/summary-text.ts";
import { readScenario, STUDIO } from "./scenario-file.ts";

const EXPLAINED = `What the lines say:
  recording   how long the drive was, what the sensors sent, and how many depth images went into the map
  speed       how much faster than the drive itself; a robot that maps as it drives needs more than 1
  map         seen: floor, free space or an obstacle is known there; blocked: too high to drive over, too low to
              pass under. Blocks hold the map's voxels, 5 cm cubes; kB/m2 is what a larger building will cost
  floor       how high the floor lies against where the drive began; ramps, platforms and pits widen the spread
  hash        a fingerprint of all that the head said: the same recording and settings always end with the same`;

export const main = mainOf({
  name: "demo",
  usage: "[options]",
  about: "Renders the demo if necessary, maps it, prints a summary and writes pictures.",
  options: {
    out: {
      type: "string",
      short: "o",
      value: "<folder>",
      default: "out",
      help: "folder for the recording and the pictures (default out)",
    },
    scenario: {
      type: "string",
      value: "<file>",
      default: STUDIO,
      help: "drive through another scenario (default: the pottery studio)",
    },
  },
  exits: { 3: "scenario missing or unfit", 4: "the folder cannot be written" },
  async run({ values: { out, scenario: file }, positionals }) {
    noneExpected(positionals);
    const scenario = await readScenario(file);
    const path = await writing(out, () => provideDemo(scenario, out));
    console.log(`Mapping ${path} ...`);
    const replay = await map(path);
    console.log(`${describe(replay.summary)}\n\n${EXPLAINED}\n`);
    for (const [name, what] of await writing(out, () => writePictures(replay, scenario.name, out))) {
      console.log(`wrote ${name.padEnd(out.length + 17)} ${what}`);
    }
    console.log(`\n${CAUTION}`);
    return 0;
  },
});

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

await runIfStarted(import.meta.url, main);
