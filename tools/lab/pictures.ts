import { existsSync } from "node:fs";
import { copyFile, mkdir, writeFile } from "node:fs/promises";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { main as drawDemo } from "../demo.ts";
import { main as importData } from "../import.ts";
import { drawFooting, drawMap } from "../output/map-pictures.ts";
import { replayRecording } from "../replay/run.ts";
import { programOf } from "./program.ts";

/** From the source and from dist/ alike. */
const DOCS = ["../../docs", "../../../docs"]
  .map((path) => fileURLToPath(new URL(path, import.meta.url)))
  .find(existsSync)!;

/** Where the open data sets are: as for tests, BRINKMAP_DATA, else ../shared/data beside the repository. */
const DATA = process.env["BRINKMAP_DATA"] ?? join(DOCS, "../../shared/data");

interface OpenMap {
  readonly name: string;
  readonly title: string;
  readonly settings: Readonly<Record<string, unknown>>;
  /** Columns along one side of what is drawn as one. */
  readonly coarser: number;
  /** Arguments of `import` but for -o, as in docs/importing.md. */
  readonly source: (data: string) => string[];
}

const MAPS: readonly OpenMap[] = [
  {
    name: "living-room",
    title:
      "Living room, 211 ray-traced frames, cells of 2.5 cm (Handa et al. 2014; Choi, Zhou & Koltun 2015)",
    settings: { "map.voxelSize": 0.025 },
    coarser: 1,
    source: (data) => [
      "png",
      `${data}/depth-living-room/depth`,
      ..."--fx 525 --fy 525 --cx 319.5 --cy 239.5 --floor 0.134 --far 5".split(" "),
      "--poses",
      `${data}/depth-living-room/poses_refined_zup.csv`,
      "--about",
      "Augmented ICL-NUIM living room 1, Handa et al. 2014, Choi et al. 2015",
    ],
  },
  {
    name: "office",
    title:
      "Office, 50 real structured-light frames, cells of 2.5 cm (sample of the 3DMatch toolbox, Princeton)",
    settings: { "map.voxelSize": 0.025, "map.maxRange": 7.5, "floor.stride": 2 },
    coarser: 1,
    source: (data) => [
      "png",
      `${data}/depth-office/frames`,
      ..."--files frame-{n}.depth.png --fx 570.342205 --fy 570.342205 --cx 320 --cy 240".split(" "),
      ..."--up y --floor=-0.39".split(" "),
      "--poses",
      `${data}/depth-office/frames/frame-{n}.pose.txt`,
    ],
  },
  {
    name: "corridor",
    title: "Killian Court, MIT: 3,873 laser scans over 1.9 km (recorded by M. Bosse and J. Leonard)",
    settings: {},
    coarser: 5,
    source: (data) => [
      "scans",
      `${data}/range-corridor/scans.csv.gz`,
      ..."--no-return 50 --height 0.3".split(" "),
      "--about",
      "Killian Court, M. Bosse and J. Leonard, MIT",
    ],
  },
];

export const main = programOf({
  name: "pictures",
  usage: "[folder]",
  about:
    "Makes the pictures in docs/pictures. The folder (default out) holds demo.brk, living-room.brk, office.brk and corridor.brk. Missing ones are made: the demo from its scenario, the others from open data in the folder BRINKMAP_DATA (see docs/importing.md).",
  options: {},
  exits: { 3: "the open data are missing or invalid" },
  run: ({ positionals: [folder = "out"] }) => drawAll(folder),
});

/** @returns the exit code */
async function drawAll(folder: string): Promise<number> {
  const to = join(DOCS, "pictures");
  await mkdir(to, { recursive: true });
  const code = await drawDemo(["--out", folder]);
  if (code !== 0) return code;
  for (const name of ["demo-map.png", "demo-floor.png", "demo-side.png"]) {
    await copyFile(join(folder, name), join(to, name));
  }
  for (const map of MAPS) {
    const code = await drawOpenMap(map, folder, to);
    if (code !== 0) return code;
  }
  return 0;
}

/** Draws a map of open data, and its footing. @returns the exit code */
async function drawOpenMap(
  { name, title, settings, coarser, source }: OpenMap,
  folder: string,
  to: string,
): Promise<number> {
  const recording = join(folder, `${name}.brk`);
  if (!existsSync(recording)) {
    if (!existsSync(DATA)) {
      console.error(`pictures: ${recording} needs the open data; set BRINKMAP_DATA to their folder`);
      return 3;
    }
    const code = await importData([...source(DATA), "-o", recording]);
    if (code !== 0) return code;
  }
  const { head, path } = await replayRecording(recording, { settings });
  const picture = drawMap(head, title, path, coarser);
  if (picture === null) {
    console.error(`pictures: nothing was mapped from ${recording}`);
    return 3;
  }
  await writeFile(join(to, `${name}-map.png`), await picture.drawing.toPng());
  console.log(`wrote ${join(to, `${name}-map.png`)}`);
  // Planar scans see no floor.
  if (name === "corridor") return 0;
  // At 2.5 cm the pixels of a frame leave holes in the footing: it is drawn at 5 cm.
  const { head: coarse, path: coarsePath } = await replayRecording(recording, {
    settings: { "map.maxRange": 5 },
  });
  const footing = drawFooting(coarse, `Footing. ${title.replace("of 2.5 cm", "of 5 cm")}`, coarsePath);
  if (footing !== null) await writeFile(join(to, `${name}-footing.png`), await footing.drawing.toPng());
  return 0;
}
