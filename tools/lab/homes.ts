import { mkdir } from "node:fs/promises";
import { join } from "node:path";
import { type Edge, generateHome, type Home } from "../../src/simulate/home.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { SIGNS } from "../../src/terms/signs.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import type { Drawing } from "../output/drawing.ts";
import { type DropsOverlay, drawLayer, type Overlay, type Style } from "../output/layer-picture.ts";
import { writeWholeFile } from "../output/whole-file.ts";
import { programOf } from "./program.ts";

/** Metres: side of a cell of the picture. */
const CELL = 0.025;
const UNDER_CEILING = 2.45;

/** Lower than this is no floor to drive on, metres. */
const FLOOR_FROM = -0.016;

/** By height over the floor at the start, metres. */
const HEIGHTS: readonly { readonly below: number; readonly style: Style }[] = [
  { below: -5, style: { label: "nothing", fill: SIGNS.unseen } },
  {
    below: -0.6,
    style: { label: "deeper than 60 cm", fill: { fill: "deep", pattern: "scratches", ink: "paper" } },
  },
  {
    below: -0.1,
    style: { label: "10 to 60 cm lower", fill: { fill: "low", pattern: "scratches", ink: "deep" } },
  },
  {
    below: FLOOR_FROM,
    style: { label: "up to 10 cm lower", fill: { fill: "dip", pattern: "scratches", ink: "low" } },
  },
  { below: 0.0004, style: { label: "floor", fill: SIGNS.firm } },
  { below: 0.016, style: { label: "rug, mat, threshold", fill: { fill: "rise" } } },
  { below: 1.9, style: { label: "furniture", fill: { fill: "mapStanding" } } },
  { below: Number.POSITIVE_INFINITY, style: { label: "wall", fill: SIGNS.obstacle } },
];

/** Points along a line, x and y in turn. */
function dotted({ from, to }: Pick<Edge, "from" | "to">): number[] {
  const steps = Math.ceil(Math.hypot(to[0] - from[0], to[1] - from[1]) / CELL);
  return Array.from({ length: steps + 1 }, (_, s) => [
    from[0] + ((to[0] - from[0]) * s) / steps,
    from[1] + ((to[1] - from[1]) * s) / steps,
  ]).flat();
}

/** A home from above, as far as it lies below its ceiling, with its edges, starts and drive. */
export function drawHome(home: Home): Drawing {
  const { scene } = loadScenario({ ...home.json, moving: [] });
  const [x0 = 0, y0 = 0, , x1 = 0, y1 = 0] = scene.extent;
  const width = Math.ceil((x1 - x0) / CELL);
  const height = Math.ceil((y1 - y0) / CELL);
  const layer = new Uint8Array(width * height);
  for (let k = 0; k < height; k++) {
    for (let i = 0; i < width; i++) {
      const [x, y] = [x0 + (i + 0.5) * CELL, y0 + (k + 0.5) * CELL];
      const top = UNDER_CEILING - scene.cast(x, y, UNDER_CEILING, 0, 0, -1, 0);
      const isWall = scene.solidAt(x, y, UNDER_CEILING, 0);
      layer[k * width + i] = isWall ? HEIGHTS.length - 1 : HEIGHTS.findIndex(({ below }) => top < below);
    }
  }
  const guarded = home.edges.filter(({ isGuarded }) => isGuarded);
  const along = (lines: readonly Pick<Edge, "from" | "to">[]): number[] => lines.flatMap(dotted);
  const floorClass = HEIGHTS.findIndex(({ style }) => style.label === "floor");
  const drops: DropsOverlay = {
    kind: "drops",
    label: "edge, ticks to the low side",
    drops: home.edges.map(({ from, to, drop }) => ({ points: [from, to], depth: drop })),
    isGone: (x, y) => {
      const [i, k] = [Math.floor((x - x0) / CELL), Math.floor((y - y0) / CELL)];
      return i >= 0 && i < width && k >= 0 && k < height && layer[k * width + i]! < floorClass;
    },
  };
  const starts = home.starts.map(({ x, y, yaw }) => ({
    from: [x, y] as const,
    to: [x + 0.35 * Math.cos(yaw), y + 0.35 * Math.sin(yaw)] as const,
  }));
  const drive = (home.json["drive"] as { points: { at: [number, number] }[] }).points.flatMap(({ at }) => at);
  const overlays: Overlay[] = [
    { kind: "path", label: "the scenario's drive", points: drive },
    { kind: "dots", label: "where a base may start", color: "accent", points: along(starts) },
    drops,
    { kind: "dots", label: "guarded edge", color: "ink", points: along(guarded) },
  ];
  const edges = home.edges.map(({ what, drop }) => `${what} ${Math.round(100 * drop)} cm`);
  const { drawing } = drawLayer({
    title: `home ${home.seed}: ${[...new Set(edges)].join(", ") || "no edge"}`,
    layer,
    width,
    height,
    styles: HEIGHTS.map(({ style }) => style),
    cellSize: CELL,
    origin: [x0, y0],
    scale: 2,
    overlays,
  });
  return drawing;
}

export const main = programOf({
  name: "homes",
  usage: "[options]",
  about: "Writes generated homes as scenario files, and as pictures from above.",
  options: {
    count: { type: "string", short: "n", value: "<n>", default: "6", help: "number of homes (default 6)" },
    seed: { type: "string", value: "<n>", default: "1", help: "seed of the first (default 1)" },
    out: {
      type: "string",
      short: "o",
      value: "<folder>",
      default: "out",
      help: "folder for home-<seed>.json and home-<seed>.png (default out)",
    },
  },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const count = wholeOption(values, "count", 1, 10_000);
    const first = wholeOption(values, "seed", 0, 2 ** 32 - 1);
    await mkdir(values.out, { recursive: true });
    for (let seed = first; seed < first + count; seed++) {
      const home = generateHome(seed);
      const name = join(values.out, `home-${seed}`);
      await writeWholeFile(`${name}.json`, `${JSON.stringify(home.json, null, 1)}\n`);
      await writeWholeFile(`${name}.png`, await drawHome(home).toPng());
      console.log(
        `${name}.png: ${home.rooms.length} rooms, ${home.edges.length} edges, ${home.starts.length} starts`,
      );
    }
    return 0;
  },
});
