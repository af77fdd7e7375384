import { existsSync } from "node:fs";
import { copyFile, mkdir, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { drawKinds, drawSlice } from "./output/map.ts";
import { replayRecording } from "./replay/run.ts";
import { main as start } from "./start.ts";

const HELP = `Usage: pictures [recordings]    make the pictures in docs/pictures anew
The folder (default out) holds demo.brk, made if absent, and what docs/importing.md makes:
living-room.brk, office.brk, corridor.brk. Those that are missing are named and left as they are.
Exit codes: 0 done, 1 internal error, 3 a recording is missing`;

const TO = fileURLToPath(new URL("../../docs/pictures/", import.meta.url));

/** The maps of open recordings. */
const MAPS = [
  {
    name: "living-room",
    title: "Living room, 211 rendered frames (Handa et al. 2014; Choi et al. 2015), 2.5 cm",
    settings: { "map.voxelSize": 0.025, "floor.stride": 4 },
    coarser: 1,
  },
  {
    name: "office",
    title: "Office, 50 real frames of a structured-light camera (3DMatch sample), 5 cm",
    settings: { "map.maxRange": 7.5 },
    coarser: 1,
  },
  {
    name: "corridor",
    title: "Killian Court, 3,873 laser scans over 1.9 km (M. Bosse, J. Leonard), 5 cm drawn at 20 cm",
    settings: {},
    coarser: 4,
  },
] as const;

export async function main(args: string[]): Promise<number> {
  if (args.includes("-h") || args.includes("--help")) {
    console.log(HELP);
    return 0;
  }
  const folder = args[0] ?? "out";
  await mkdir(TO, { recursive: true });
  const code = await start(["--out", folder]);
  if (code !== 0) return code;
  for (const name of ["demo-map.png", "demo-floor.png"]) await copyFile(join(folder, name), join(TO, name));
  let missing = 0;
  for (const { name, title, settings, coarser } of MAPS) {
    const recording = join(folder, `${name}.brk`);
    if (!existsSync(recording)) {
      console.error(`pictures: ${recording} is missing; docs/importing.md says how to make it`);
      missing++;
      continue;
    }
    const { head, path } = await replayRecording(recording, { settings });
    const picture = drawKinds(head, title, path, coarser);
    if (picture !== null) await writeFile(join(TO, `${name}-map.png`), picture.toPng());
    if (name === "living-room") {
      const slice = drawSlice(head, `${title}: an upright slice`, -0.3, 0.3);
      if (slice !== null) await writeFile(join(TO, `${name}-slice.png`), slice.toPng());
    }
  }
  return missing > 0 ? 3 : 0;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
