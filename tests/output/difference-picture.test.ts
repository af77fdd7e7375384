import { readFileSync } from "node:fs";
import { decode } from "fast-png";
import { expect, test } from "vitest";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { LIGHT } from "../../src/terms/palette.ts";
import { drawDifference } from "../../tools/output/difference-picture.ts";
import type { MapPicture } from "../../tools/output/map-pictures.ts";

const room = JSON.parse(
  readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"),
) as object;

/** A head that has driven through the room for two seconds. */
function driven(settings: Record<string, unknown>): Head {
  const scenario = loadScenario({ ...room, duration: 2 });
  const head = new Head(scenario.setup, resolveSettings(settings));
  for (const event of simulateEvents(scenario)) head.take(event);
  return head;
}
const head = driven({});

/** Number of cells whose colour beside their middle is this one. */
async function cellsOf({ drawing, plot }: MapPicture, colour: string): Promise<number> {
  const { width, height, data } = decode(await drawing.toPng());
  let count = 0;
  for (let y = plot.top + (plot.scale >> 2); y < height; y += plot.scale) {
    for (let x = plot.left + (plot.scale >> 2); x < width; x += plot.scale) {
      const at = 3 * (y * width + x);
      if (`#${Buffer.from(data.subarray(at, at + 3)).toString("hex")}` === colour) count++;
    }
  }
  return count;
}

test("two equal maps are the same everywhere", async () => {
  const picture = drawDifference(head, driven({}), "")!;
  expect(await cellsOf(picture, LIGHT.firm)).toBeGreaterThan(500);
  expect(await cellsOf(picture, LIGHT.obstacle)).toBe(0);
  expect(await cellsOf(picture, LIGHT.rise)).toBe(0);
});

test("what is in the way for the taller body only is marked, and voxels of other sizes are compared", async () => {
  const tall = driven({ "body.height": 2 });
  // Its class by hand: blocked for the tall body, not for the usual one.
  const [usual, other] = [head.layers.kinds()!, tall.layers.kinds()!];
  expect([usual.col, usual.row]).toEqual([other.col, other.row]);
  let expected = 0;
  const [rows, columns] = usual.cells.shape as [number, number];
  for (let row = 0; row < rows; row++) {
    for (let col = 0; col < columns; col++) {
      if (other.cells.get(row, col) === 2 && usual.cells.get(row, col) !== 2) expected++;
    }
  }
  expect(expected).toBeGreaterThan(20);
  // One more square, in the legend.
  expect(Math.abs((await cellsOf(drawDifference(head, tall, "")!, LIGHT.obstacle)) - expected)).toBeLessThan(
    10,
  );
  const coarse = drawDifference(head, driven({ "map.voxelSize": 0.1 }), "")!;
  expect(await cellsOf(coarse, LIGHT.firm)).toBeGreaterThan(200);
});
