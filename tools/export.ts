import { basename, join } from "node:path";
import { COLUMN } from "../src/map/layers.ts";
import { makeFolder } from "../src/service/make-folder.ts";
import { edgesNpy, edgesPly, groundJson, groundNpy } from "../src/service/maps/floor-files.ts";
import { planSvg } from "../src/service/maps/plan-svg.ts";
import { ChangedTiles } from "../src/service/sensing/changed-tiles.ts";
import { FloorStore } from "../src/service/sockets/floor-store.ts";
import { mainOf, runIfStarted } from "./frame/command.ts";
import { checkFolder, UsageError, writing } from "./frame/errors.ts";
import { Progress } from "./frame/progress.ts";
import { oneExpected, wholeOption } from "./frame/values.ts";
import { encodeTrajectory } from "./output/csv.ts";
import { drawFooting, drawHeights, drawMap } from "./output/map-pictures.ts";
import { encodeNpyView } from "./output/npy.ts";
import { encodeVoxels } from "./output/voxel-file.ts";
import { writeWholeFile } from "./output/whole-file.ts";
import { givenSettings, SETTINGS_OPTIONS } from "./replay/given-settings.ts";
import { type Replay, replayRecording } from "./replay/run.ts";

const PARTS = ["voxels", "layers", "ground", "pictures", "trajectory"] as const;
type Part = (typeof PARTS)[number];

export const main = mainOf({
  name: "export",
  usage: "[options] <recording> -o <folder>",
  about: "Maps a recording and writes the map for other software.",
  options: {
    out: { type: "string", short: "o", value: "<folder>", help: "output folder; created if missing" },
    only: {
      type: "string",
      value: "<parts>",
      default: PARTS.join(","),
      help: `some of ${PARTS.join(", ")}, separated by commas (default all)`,
    },
    voxels: {
      type: "string",
      value: "<form>",
      default: "points",
      help: "points (voxel centres with log-odds) or faces (their outer sides) (default points)",
    },
    coarser: {
      type: "string",
      value: "<n>",
      help: "draw n by n columns of the map as one; a blocked column stays visible (default: by the map's size)",
    },
    ...SETTINGS_OPTIONS,
  },
  notes:
    "Writes voxels.ply; kind, headroom, floor and clearance .npy with layers.json; ground.npy with ground.json, edges.npy, edges.ply and plan.svg; " +
    "map.png, floor.png and ground.png; trajectory.csv; summary.json.",
  exits: { 3: "recording missing or unreadable", 4: "the folder cannot be written" },
  async run({ values, positionals }) {
    const path = oneExpected(positionals, "one recording and -o <folder>");
    const { out } = values;
    if (out === undefined) throw new UsageError("-o <folder> is missing: name the folder to write to");
    const parts = values.only.split(",");
    const wrong = parts.find((part) => !PARTS.includes(part as Part));
    if (wrong !== undefined) throw new UsageError(`--only takes ${PARTS.join(", ")}, got "${wrong}"`);
    const form = values.voxels;
    if (form !== "points" && form !== "faces") {
      throw new UsageError(`--voxels is points or faces, got "${form}"`);
    }
    const coarser = values.coarser === undefined ? undefined : wholeOption(values, "coarser", 1, 100);
    const settings = await givenSettings(values);
    await checkFolder(out);
    const progress = new Progress("mapping");
    let replay: Replay;
    try {
      replay = await replayRecording(path, { settings, onProgress: (share) => progress.show(share) });
    } finally {
      progress.stop();
    }
    await writing(out, async () => {
      makeFolder(out);
      for (const [name, bytes] of Object.entries(
        await exportFiles(replay, {
          parts: parts as Part[],
          form,
          coarser,
          title: `Plan of the floor: ${basename(path)}`,
        }),
      )) {
        await writeWholeFile(join(out, name), bytes);
        console.log(join(out, name));
      }
    });
    return 0;
  },
});

interface Wanted {
  readonly parts: readonly Part[];
  readonly form: "points" | "faces";
  readonly coarser: number | undefined;
  /** Title of the plan. */
  readonly title: string;
}

/** The state of the floor and its edges, as a live head sends them. */
function groundFiles({ head, path }: Replay, title: string): Record<string, Uint8Array | string> {
  const time = path.at(-1)?.time ?? 0;
  const store = new FloorStore("");
  const tiles = new ChangedTiles(head.floorSource, path[0]?.time ?? 0).due(0, time, null);
  if (tiles !== null) store.take(tiles);
  const map = store.whole;
  if (map === null) return {};
  const way = path.map(({ pose }) => [pose.position[0], pose.position[1]] as const);
  return {
    "ground.npy": groundNpy(map.ground),
    "ground.json": groundJson(map),
    "edges.npy": edgesNpy(map.edges),
    "edges.ply": edgesPly(map.edges),
    "plan.svg": [...planSvg({ ...map, title, path: way })].join(""),
  };
}

/** The files by name. */
async function exportFiles(
  replay: Replay,
  { parts, form, coarser, title }: Wanted,
): Promise<Record<string, Uint8Array | string>> {
  const files: Record<string, Uint8Array | string> = {};
  const { head, path, summary } = replay;
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
  if (parts.includes("ground")) Object.assign(files, groundFiles(replay, title));
  if (parts.includes("pictures")) {
    const map = drawMap(head, "Map from above", path, coarser);
    const floor = drawHeights(head, "Floor heights", path, coarser);
    if (map !== null) files["map.png"] = await map.drawing.toPng();
    if (floor !== null) files["floor.png"] = await floor.drawing.toPng();
    const ground = drawFooting(head, "State of the floor", path);
    if (ground !== null) files["ground.png"] = await ground.drawing.toPng();
  }
  if (parts.includes("trajectory")) files["trajectory.csv"] = encodeTrajectory(path);
  files["summary.json"] = `${JSON.stringify(summary, null, 2)}\n`;
  return files;
}

await runIfStarted(import.meta.url, main);
