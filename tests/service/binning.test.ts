import { afterEach, expect, test } from "vitest";
import type { FromServer } from "../../src/wire/messages.ts";
import { CAMERA, event, LiveHead, PATIENT, until } from "../helpers/live.ts";

// Images of 160 x 120 pixels, binned to 80 x 60: mostPixels is 5000.

let live: LiveHead;
afterEach(() => live.stop());

test("a head that bins says the sensor's own size, takes its images, and works on the small ones", async () => {
  live = await LiveHead.start({ ...PATIENT, mostPixels: 5000 });
  const sensor = await live.open({ role: "sensor", sensors: [] });
  const watcher = live.client({ topics: { reach: 100, image: 30 } });
  await event(watcher, "open");
  expect(watcher.welcome!.setup.sensors[0]!.optics).toMatchObject({ width: 160, height: 120 });
  const images: FromServer<"image">[] = [];
  const reaches: FromServer<"reach">[] = [];
  watcher.on("image", (image) => images.push(image));
  watcher.on("reach", (reach) => reaches.push(reach));
  await live.drive(sensor, 36, 0.9);
  await until(() => images.length > 0, "an image");
  expect(images[0]).toMatchObject({ width: 80, height: 60 });
  // The wall stands 2 m from the start, the lens 0.9 m ahead.
  await until(() => reaches.some(({ state }) => state === "clear"), "a clear reach");
  live.look(sensor, 0.9);
  await until(() => reaches.at(-1)!.frame > 35, "the last reach");
  const { first, step, distanceMm } = reaches.at(-1)!;
  const ahead = distanceMm[Math.round(-first / step)]! / 1000;
  expect(Math.abs(ahead - 1.1)).toBeLessThan(0.1);
});

test("a sensor that its driver declares is binned, too, and an image of the wrong size is refused", async () => {
  live = await LiveHead.start({ ...PATIENT, sensors: [], mostPixels: 5000 });
  const sensor = await live.open({ role: "sensor", sensors: [CAMERA] });
  const watcher = await live.open({ topics: { image: 30 } });
  const images: FromServer<"image">[] = [];
  watcher.on("image", (image) => images.push(image));
  await live.drive(sensor, 12, 0.3);
  await until(() => images.length > 0, "an image");
  expect(images[0]).toMatchObject({ width: 80, height: 60 });
  const refused = event(sensor, "error");
  const counts = new Uint8Array(2 * 80 * 60);
  sensor.observe({ kind: "depth", sensor: "front", sequence: 99, form: "u16", counts, amplitude: null });
  expect((await refused).message).toContain("160 x 120 pixels of 16 bits are 38400");
});
