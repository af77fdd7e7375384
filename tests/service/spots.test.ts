import { afterAll, beforeAll, expect, test } from "vitest";
import { resolveSettings } from "../../src/head/settings.ts";
import { joinSpots, parseSpots } from "../../src/terms/spots.ts";
import { LiveHead, PATIENT, until } from "../helpers/live.ts";

let head: LiveHead;
beforeAll(async () => {
  const settings = { ...PATIENT.settings, "map.spots": "kiln: 0.8,0,0; shelf: 0.4,0" };
  head = await LiveHead.start({ ...PATIENT, settings });
  await head.drive(await head.open({ role: "sensor" }), 12, 0.3);
});
afterAll(() => head.stop());

test("spots are read with their heading in degrees, and written as they were read", () => {
  const spots = parseSpots("charger: left: 0.4,-1.2,270; kiln: 2.5,1;");
  expect(spots).toEqual([
    { name: "charger: left", x: 0.4, y: -1.2, heading: -Math.PI / 2 },
    { name: "kiln", x: 2.5, y: 1, heading: null },
  ]);
  expect(parseSpots(joinSpots(spots))).toEqual(spots);
});

test.each([
  ["0.4,-1.2", /"0.4,-1.2" has no name: write spots like/],
  ["kiln: 0.4", /"kiln" is not at x,y or x,y,heading/],
  ["kiln: 0.4,north", /"kiln" is not at x,y/],
  ["kiln: 1,1; kiln: 2,2", /two spots are called "kiln"/],
])("spots %s are refused", (text, message) => {
  expect(() => resolveSettings({ "map.spots": text })).toThrow(message);
});

test("a way leads to a spot by its name, whatever frame the question has; of an unknown name the answer lists the known ones", async () => {
  const client = await head.open();
  const refused = client.ask({ about: "way", to: "killn", frame: "base" });
  await expect(refused).rejects.toThrow(/no spot "killn"; map.spots has "kiln", "shelf"/);
  const answer = await client.ask({ about: "way", to: "kiln", frame: "base", unseen: 2 });
  // The base has come to 0.275 m, and the kiln is at 0.8 m straight ahead.
  expect(answer).toMatchObject({ about: "way", whyNot: null });
  expect((answer as { way: { length: number } }).way.length).toBeCloseTo(0.8 - 0.275, 1);
});

test("a watched goal may be a spot; an unknown one is refused, and the connection stays", async () => {
  const client = await head.open();
  const errors: string[] = [];
  client.on("error", ({ message }) => errors.push(message));
  client.watchWay({ to: "killn" });
  await until(() => errors.length > 0, "the refusal");
  expect(errors[0]).toContain('map.spots has "kiln", "shelf"');
  let to: readonly number[] | null = null;
  client.on("way", (way) => {
    to = way.to;
  });
  client.watchWay({ to: "kiln" });
  await until(() => to !== null, "the way");
  expect(to).toEqual([0.8, 0]);
});
