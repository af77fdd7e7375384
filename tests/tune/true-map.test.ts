import { readFileSync } from "node:fs";
import { beforeAll, describe, expect, test } from "vitest";
import { isPoseEvent } from "../../src/head/pose-sources.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { ScenarioError } from "../../src/simulate/fields.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { BareHead } from "../../tools/replay/bare.ts";
import { gatherTruth, scenarioOf, scoreTrueMap } from "../../tools/tune/true-map.ts";

const json = JSON.parse(readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"));
const header = { scenario: "yard room", set: ["seed=5"] };
const events: HeadEvent[] = [];

beforeAll(() => {
  // Two seconds of exact depth: where the head looks around.
  for (const event of simulateEvents(loadScenario(json, { exact: true }))) {
    if (event.time > 2e6) break;
    events.push(event);
  }
});

function mapWith(settings: Readonly<Record<string, unknown>>): BareHead {
  const { setup } = loadScenario(json);
  const head = new BareHead(setup, resolveSettings({ "pose.source": "reference", ...settings }));
  for (const event of events) {
    if (event.kind === "depth") {
      const reason = new Uint8Array(event.counts.length);
      head.take({ event: { ...event, amplitude: null }, reason, isLive: true, question: null });
    }
    if (isPoseEvent(event)) head.take(event);
  }
  head.finish();
  return head;
}

const truthOf = (scene: unknown[]) => gatherTruth(scenarioOf({ ...json, scene }, header), events);

describe("the true map score", () => {
  test("is high for a map of exact depth, and higher for fine voxels than for coarse", () => {
    const truth = truthOf(json.scene);
    const [fine, coarse] = [{}, { "map.voxelSize": 0.2 }].map((one) => scoreTrueMap(mapWith(one), truth));
    expect(fine!.surfaceFound).toBeGreaterThan(0.9);
    expect(fine!.surfaceTrue).toBeGreaterThan(0.9);
    // Two seconds do not clear all that was looked through.
    expect(fine!.airFree).toBeGreaterThan(0.75);
    expect(fine!.score).toBeCloseTo((fine!.surfaceFound + fine!.surfaceTrue + fine!.airFree) / 3, 12);
    // Voxels of 20 cm reach farther than 5 cm beyond thin things and before walls.
    expect(coarse!.surfaceTrue).toBeLessThan(fine!.surfaceTrue - 0.05);
    expect(coarse!.airFree).toBeLessThan(fine!.airFree - 0.05);
  });

  test("falls in its own part where the truth is another: more there, and less there, than is mapped", () => {
    const map = mapWith({});
    const of = (scene: unknown[]) => scoreTrueMap(map, truthOf(scene));
    const own = of(json.scene);
    // A box of 80 cm before the base, which no frame showed.
    const more = of([
      ...json.scene,
      { shape: "box", material: "wood", at: [1.2, -0.2], size: [0.8, 0.8, 0.8] },
    ]);
    expect(more.surfaceFound).toBeLessThan(own.surfaceFound - 0.02);
    // The floor alone: nothing of what was mapped above it is true.
    const less = of(json.scene.slice(0, 1));
    expect(less.surfaceTrue).toBeLessThan(own.surfaceTrue - 0.3);
    const empty = new BareHead(loadScenario(json).setup, resolveSettings({}));
    expect(scoreTrueMap(empty, truthOf(json.scene)).score).toBe(0);
  });

  test("asks only for what the sensor had a return from", () => {
    const blind = events.map((event) =>
      event.kind === "depth"
        ? { ...event, counts: event.counts.map((value, i) => (i % 160 < 80 ? 0 : value)) }
        : event,
    );
    const scenario = scenarioOf(json, header);
    const [all, half] = [events, blind].map((one) => gatherTruth(scenario, one).surface.length);
    expect(half! / all!).toBeLessThan(0.8);
    expect(half! / all!).toBeGreaterThan(0.2);
  });
});

test("a scenario is changed as the recording's was, and another is refused", () => {
  expect(scenarioOf(json, header).seed).toBe(5);
  expect(() => scenarioOf(json, { scenario: "hall" })).toThrow(ScenarioError);
  expect(() => scenarioOf(json, { scenario: "hall" })).toThrow('is of "hall", not of "yard room"');
  expect(() => scenarioOf(json, {})).toThrow("is of no scenario");
  // The file itself stays as it was read.
  expect(json.seed).toBe(41);
});
