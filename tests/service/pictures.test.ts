import { afterEach, beforeEach, expect, test } from "vitest";
import type { HeadClient } from "../../src/client/client.ts";
import { REASON, unpackCodes, unpackImage } from "../../src/wire/image.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { LiveHead, until, view } from "../helpers/live.ts";

let head: LiveHead;
let sensor: HeadClient;
beforeEach(async () => {
  head = await LiveHead.start({ late: 5, blind: 5 });
  sensor = await head.open({ role: "sensor" });
});
afterEach(() => head.stop());

test("a watcher sees each pixel's depth, or why it is not used, of the frame that it is told", async () => {
  const watcher = await head.open({ topics: { image: 10 } });
  const images: FromServer<"image">[] = [];
  watcher.on("image", (image) => images.push(image));
  await head.drive(sensor, 3);
  await until(() => images.length > 0, "an image");
  const { width, height, unit, depth, reason, sensor: name } = images[0]!;
  expect([name, width, height]).toEqual(["front", 160, 120]);
  const counts = new Uint16Array(view().buffer);
  const [got, why] = [unpackImage(depth, counts.length), unpackCodes(reason, counts.length)];
  let used = 0;
  for (let n = 0; n < counts.length; n++) {
    if (why[n] !== REASON.ok) continue;
    used++;
    expect(Math.abs(got[n]! * unit - counts[n]! / 1000)).toBeLessThanOrEqual(unit);
  }
  expect(used).toBeGreaterThan(0.8 * counts.length);
});

test("the footing around the base is firm where floor was seen, and unseen behind the wall", async () => {
  const watcher = await head.open({ topics: { ground: 10 } });
  const grounds: FromServer<"ground">[] = [];
  watcher.on("ground", (ground) => grounds.push(ground));
  await head.drive(sensor, 25, 0.4);
  await until(() => grounds.length > 1, "the ground");
  await new Promise((resolve) => setTimeout(resolve, 300));
  const { col, row, width, height, cell, cells } = grounds.at(-1)!;
  const codes = unpackCodes(cells, width * height);
  const at = (x: number, y: number) =>
    codes[(Math.floor(y / cell) - row) * width + Math.floor(x / cell) - col];
  expect(at(1.4, 0)).toBe(1);
  expect(at(1.2, 0.1)).toBe(1);
  expect(at(2.8, 0)).toBe(0); // the wall stands at 2 m
  expect(at(-2, 0)).toBe(0);
});

test("no pictures are made for those who do not want them, nor after they ended it", async () => {
  const watcher = await head.open({ topics: { reach: 10 } });
  let count = 0;
  watcher.on("image", () => count++);
  await head.drive(sensor, 5);
  expect(count).toBe(0);
  watcher.subscribe({ image: 10 });
  await until(() => count === 1, "the newest image, at once");
  watcher.subscribe({ image: 0 });
  await new Promise((resolve) => setTimeout(resolve, 200));
  const before = count;
  await head.drive(sensor, 5);
  await new Promise((resolve) => setTimeout(resolve, 200));
  expect(count).toBe(before);
});
