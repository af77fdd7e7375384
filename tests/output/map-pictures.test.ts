import { readFileSync } from "node:fs";
import { decode } from "fast-png";
import { beforeAll, describe, expect, test } from "vitest";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { LIGHT } from "../../src/terms/palette.ts";
import {
  drawFooting,
  drawHeights,
  drawMap,
  drawSlice,
  type MapPicture,
} from "../../tools/output/map-pictures.ts";

// A pit 20 cm deep whose edge is 3.3 m from the world's zero and runs along y from 1.1 to 2 m; the base drives towards it.
const PIT = [3.3, 1.1, 4.2, 2] as const;
const MIDDLE = (PIT[1] + PIT[3]) / 2;
let head: Head;

beforeAll(() => {
  const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
  const room = JSON.parse(text) as { scene: { name?: string; shape: string; material?: string }[] };
  const scene = room.scene.filter(({ name, shape, material }) => {
    return name === "sunken square" || shape === "floor" || material === "wall";
  });
  const drive = { points: [{ at: [1.2, MIDDLE] }, { at: [2.4, MIDDLE], speed: 0.5 }] };
  const scenario = loadScenario({ ...room, scene, drive, duration: 4 });
  head = new Head(scenario.setup, resolveSettings({}));
  for (const event of simulateEvents(scenario)) head.take(event);
});

/** Tells the colours within 12 cm of a place on a picture of the whole map, metres. */
async function coloursOn({ drawing, plot }: MapPicture): Promise<(x: number, y: number) => Set<string>> {
  const { data, width, channels } = decode(await drawing.toPng());
  const { col, row, rows } = head.layers.bounds()!;
  const size = head.grid.voxelSize;
  const near = Math.ceil((0.12 * plot.scale) / size);
  return (x, y) => {
    const u = Math.round(plot.left + (x / size - col) * plot.scale);
    const v = Math.round(plot.top + (rows - (y / size - row)) * plot.scale);
    const found = new Set<string>();
    for (let dv = -near; dv <= near; dv++) {
      for (let du = -near; du <= near; du++) {
        const at = channels * ((v + dv) * width + u + du);
        found.add(`#${Buffer.from(data.subarray(at, at + 3)).toString("hex")}`);
      }
    }
    return found;
  };
}

describe("a drop", () => {
  test.each([
    ["the map", () => drawMap(head, "", [])],
    ["floor heights", () => drawHeights(head, "", [])],
  ] as const)("is hatched in %s, its edge a line with its depth, where the pit is", async (_, draw) => {
    const picture = draw()!;
    const colours = await coloursOn(picture);
    expect(colours(PIT[0] + 0.02, MIDDLE)).toContain(LIGHT.brink);
    expect(colours(PIT[0] - 0.4, MIDDLE + 0.2)).not.toContain(LIGHT.brink);
    const svg = picture.drawing.toSvg();
    expect(svg).toContain("edge of a drop");
    const depths = [...svg.matchAll(/>(\d+) cm<\/text>/g)].map(([, cm]) => Number(cm));
    expect(depths.some((depth) => Math.abs(depth - 20) <= 3)).toBe(true);
  });

  test("is in the footing, and in a slice that it crosses", () => {
    expect(drawFooting(head, "", [])!.drawing.toSvg()).toContain("edge of a drop");
    expect(drawSlice(head, "", [], MIDDLE)!.drawing.toSvg()).toContain("edge of a drop");
    expect(drawSlice(head, "", [], 0.3)!.drawing.toSvg()).not.toContain("edge of a drop");
  });
});

test("the legend explains only what is there", () => {
  const svg = drawMap(head, "", [])!.drawing.toSvg();
  expect(svg).toContain(">floor<");
  expect(svg).not.toContain("floor under something");
});
