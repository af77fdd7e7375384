import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { openRecording } from "../../src/record/file.ts";
import { oneExpected } from "../frame/values.ts";
import { settingsOf } from "../replay/run.ts";
import { programOf } from "./program.ts";

const STEPS = 8;

export const main = programOf({
  name: "growth",
  usage: "<recording>",
  about: "Cost of a frame and size of the map as it grows.",
  options: {},
  notes: "Make the recording with: brinkmap simulate datasets/hall-1000.json out/hall.brk",
  exits: { 3: "recording missing or unreadable" },
  run: async ({ positionals }) => {
    await tabulate(oneExpected(positionals, "one recording"));
    return 0;
  },
});

/** Feeds the recording twice (the first run only warms up) and prints what frames cost at different sizes of the map. */
async function tabulate(path: string): Promise<void> {
  await measure(path);
  const rows = await measure(path);
  const perStep = Math.floor(rows.length / STEPS);
  console.log("map m2   frame ms: median  mean   map kB   kB/m2");
  for (let step = 0; step < STEPS; step++) {
    const part = rows.slice(step * perStep, (step + 1) * perStep);
    const times = part.map(({ time }) => time).sort((a, b) => a - b);
    const mean = times.reduce((sum, time) => sum + time, 0) / times.length;
    const { area, size } = part.at(-1)!;
    const median = times[times.length >> 1]!;
    const cells = [area.toFixed(0).padStart(6), median.toFixed(2).padStart(16), mean.toFixed(2).padStart(7)];
    console.log(...cells, (size / 1000).toFixed(0).padStart(8), (size / 1000 / area).toFixed(1).padStart(6));
  }
}

/** Per frame: milliseconds in the head (layers shared out over the frames between them), and the map's size after it. */
async function measure(path: string): Promise<{ time: number; area: number; size: number }[]> {
  const recording = await openRecording(path);
  const head = new Head(recording.header.setup, resolveSettings(settingsOf(recording.header)));
  const rows: { time: number; area: number; size: number }[] = [];
  let area = 0;
  let group: number[] = [];
  for (const event of recording.events()) {
    const start = performance.now();
    const outputs = head.take(event);
    const time = performance.now() - start;
    if (event.kind !== "depth") continue;
    group.push(time);
    if (!outputs.some(({ kind }) => kind === "layers")) continue;
    area = areaOf(head);
    const mean = group.reduce((sum, each) => sum + each, 0) / group.length;
    for (const _ of group) rows.push({ time: mean, area, size: head.grid.byteSize });
    group = [];
  }
  recording.close();
  return rows;
}

function areaOf({ layers, grid }: Head): number {
  const box = layers.bounds();
  if (box === null) return 0;
  let known = 0;
  for (let row = 0; row < box.rows; row++) {
    for (let col = 0; col < box.columns; col++) {
      if (layers.kindAt(box.col + col, box.row + row) !== COLUMN.unseen) known++;
    }
  }
  return known * grid.voxelSize ** 2;
}
