import { mkdir } from "node:fs/promises";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { DecodeError } from "../src/coding/decode-error.ts";
import { SettingError } from "../src/head/settings.ts";
import { COLUMN } from "../src/map/layers.ts";
import { Progress } from "./frame/progress.ts";
import { encodeTrajectory } from "./output/csv.ts";
import { drawHeights, drawMap } from "./output/map-pictures.ts";
import { encodeNpyView } from "./output/npy.ts";
import { encodeVoxels } from "./output/voxel-file.ts";
import { writeWholeFile } from "./output/whole-file.ts";
import { type Replay, replayRecording } from "./replay/run.ts";
import { settingsFrom } from "./replay.ts";

const PARTS = ["voxels", "layers", "pictures", "trajectory"] as const;
type Part = (typeof PARTS)[number];

const HELP = `Usage: export [options] <recording> -o <folder>    map a recording and write the map for other software
  -o, --out <folder>    where to; made if it is not there
      --only <parts>    of ${PARTS.join(", ")}: those, joined by commas (default all)
      --voxels <form>   points (voxel centres with log-odds) or faces (their outer sides) (default points)
      --coarser <n>     in pictures, n by n columns as one; what blocks is kept (default: by the map's size)
      --pose <source>   where poses come from: reference, odometry or tracked
      --set <name=value>, --settings <file>   as for replay
  -h, --help            show this text
Writes voxels.ply; kind, headroom, floor and clearance .npy with layers.json; map.png and floor.png; trajectory.csv; summary.json
Exit codes: 0 done, 1 internal error, 2 wrong usage, 3 recording missing or unreadable, 4 the folder cannot be written`;
const options = {
  out: { type: "string", short: "o" },
  only: { type: "string" },
  voxels: { type: "string" },
  coarser: { type: "string" },
  pose: { type: "string" },
  set: { type: "string", multiple: true },
  settings: { type: "string" },
  help: { type: "boolean", short: "h" },
} as const;

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string) => {
    console.error(`export: ${why}`);
    return code;
  };
  let isMapped = false;
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (positionals.length !== 1 || values.out === undefined) {
      return fail(2, "expected one recording and -o <folder> (see --help)");
    }
    const parts = (values.only ?? PARTS.join(",")).split(",");
    const wrong = parts.find((part) => !PARTS.includes(part as Part));
    if (wrong !== undefined) return fail(2, `--only takes ${PARTS.join(", ")}, got "${wrong}"`);
    const form = values.voxels ?? "points";
    if (form !== "points" && form !== "faces") return fail(2, `--voxels is points or faces, got "${form}"`);
    const coarser = values.coarser === undefined ? undefined : Number(values.coarser);
    if (coarser !== undefined && !(Number.isInteger(coarser) && coarser >= 1 && coarser <= 100)) {
      return fail(2, `--coarser is a whole number from 1 to 100, got "${values.coarser}"`);
    }
    const settings = await settingsFrom(values.settings, values.set ?? []);
    if (values.pose !== undefined) settings["pose.source"] = values.pose;
    const progress = new Progress("mapping");
    let replay: Replay;
    try {
      replay = await replayRecording(positionals[0]!, {
        settings,
        onProgress: (share) => progress.show(share),
      });
    } finally {
      progress.stop();
    }
    isMapped = true;
    await mkdir(values.out, { recursive: true });
    for (const [name, bytes] of Object.entries(await exportFiles(replay, parts as Part[], form, coarser))) {
      await writeWholeFile(join(values.out, name), bytes);
      console.log(join(values.out, name));
    }
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (code.startsWith("ERR_PARSE_ARGS") || error instanceof SettingError || error instanceof RangeError) {
      return fail(2, message);
    }
    if (error instanceof DecodeError) return fail(3, message);
    if (["ENOENT", "EACCES", "EISDIR", "EEXIST", "ENOTDIR", "ENOSPC", "EROFS"].includes(code)) {
      return fail(isMapped ? 4 : 3, message);
    }
    throw error;
  }
}

/** The files by name. */
async function exportFiles(
  { head, path, summary }: Replay,
  parts: readonly Part[],
  form: "points" | "faces",
  coarser: number | undefined,
): Promise<Record<string, Uint8Array | string>> {
  const files: Record<string, Uint8Array | string> = {};
  const { layers, grid } = head;
  if (parts.includes("voxels")) files["voxels.ply"] = encodeVoxels(head, form);
  const kinds = layers.kinds();
  if (parts.includes("layers") && kinds !== null) {
    files["kind.npy"] = encodeNpyView(kinds.cells);
    files["headroom.npy"] = encodeNpyView(layers.headroom()!.cells);
    files["floor.npy"] = encodeNpyView(layers.floorHeights()!.cells);
    files["clearance.npy"] = encodeNpyView(layers.clearances()!.cells);
    const { row, col, columns, rows } = layers.bounds()!;
    const about = {
      shape: [rows, columns],
      cellSize: grid.voxelSize,
      // World metres of the outer corner of element [0, 0].
      origin: [col * grid.voxelSize, row * grid.voxelSize],
      axes: "element [row, column] covers x from origin[0] + column * cellSize, y from origin[1] + row * cellSize, metres",
      body: { height: head.settings["body.height"], groundClearance: head.settings["body.groundClearance"] },
      "kind.npy": COLUMN,
      "headroom.npy":
        "metres from the floor to the lowest thing above body.groundClearance; Infinity where none was seen",
      "floor.npy": "height of the floor in the world, metres; NaN where no floor was seen",
      "clearance.npy":
        "metres to the nearest blocked column, middle to middle; Infinity beyond body.clearanceLimit",
    };
    files["layers.json"] = `${JSON.stringify(about, null, 2)}\n`;
  }
  if (parts.includes("pictures")) {
    const map = drawMap(head, "Map from above", path, coarser);
    const floor = drawHeights(head, "Floor heights", path, coarser);
    if (map !== null) files["map.png"] = await map.drawing.toPng();
    if (floor !== null) files["floor.png"] = await floor.drawing.toPng();
  }
  if (parts.includes("trajectory")) files["trajectory.csv"] = encodeTrajectory(path);
  files["summary.json"] = `${JSON.stringify(summary, null, 2)}\n`;
  return files;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
