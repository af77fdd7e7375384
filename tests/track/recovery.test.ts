import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { angleBetween, IDENTITY } from "../../src/geometry/rigid.ts";
import { lensPose } from "../../src/simulate/attitude.ts";
import { Random } from "../../src/simulate/random.ts";
import { renderDepth } from "../../src/simulate/render.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import {
  lensAt,
  type PoseFrame,
  type PoseSet,
  ROUND_MOUNT,
  sceneSet,
  THREE_ROOMS,
} from "../helpers/pose-sets.ts";
import { trackSet } from "../helpers/tracking.ts";

const path = new URL("../../datasets/pottery-studio.json", import.meta.url);
const studio = loadScenario(JSON.parse(readFileSync(path, "utf8")), { exact: false });
const optics = studio.setup.sensors[0]!.optics as PinholeOptics;

/** What the trolley's camera sees between two times of its round; nothing when `isDark`. */
function seen(from: number, to: number, isDark = false): PoseFrame[] {
  const noise = { ...studio.sensors[0]!.noise!, random: new Random(7, Math.round(from)) };
  const amplitude = new Uint16Array(optics.width * optics.height);
  const frames: PoseFrame[] = [];
  for (let t = from; t < to; t += 1 / 12) {
    const counts = new Uint16Array(amplitude.length);
    const worldFromLens = lensPose(studio.setup, 0, studio.drive.poseAt(t));
    if (!isDark) renderDepth(studio.scene, optics, { worldFromLens, time: t, noise }, { counts, amplitude });
    frames.push({ time: 0, counts, worldFromLens });
  }
  return frames;
}

function inARow(...parts: readonly PoseFrame[][]): PoseSet {
  const frames = parts.flat().map((frame, n) => ({ ...frame, time: Math.round((n * 1e6) / 12) }));
  const baseFromLens = lensPose(studio.setup, 0, IDENTITY);
  return { name: "studio", optics, frames, baseFromLens, settings: {} };
}

test("a lost head does not take an unknown place for a known one, and finds a known place again", () => {
  // The trolley maps the stair corner, wakes up at the other end of the studio, which it has never seen, and is brought back.
  const mapped = seen(10, 17);
  const covered = seen(17, 18, true);
  const elsewhere = seen(64, 67);
  const tracked = trackSet(inARow(mapped, covered, elsewhere, covered, seen(12, 13.5)));
  const later = tracked.slice(mapped.length + covered.length);
  expect(later.slice(0, elsewhere.length).every(({ result }) => result.hold === "lost")).toBe(true);
  const found = later.findIndex(({ result }) => result.notes.some(({ what }) => what === "found"));
  expect(found).toBeGreaterThan(elsewhere.length);
  for (const { error } of later.slice(found)) expect(error).toBeLessThan(0.05);
});

/** Half a turn on the spot in the first of three rooms, `rate` degrees a frame, after a look round; then a little way back. */
function halfTurn(rate: number, isCovered: boolean): { set: PoseSet; spun: number; after: number } {
  const poses: Pose[] = [];
  const look = (x: number, from: number, to: number, step: number) => {
    const count = Math.ceil(Math.abs(to - from) / step);
    for (let k = 1; k <= count; k++) {
      poses.push(lensAt(x, 1.3, 0.35, ((from + ((to - from) * k) / count) * Math.PI) / 180, 0.12));
    }
  };
  look(1.4, 0, 360, 4);
  for (let k = 1; k <= 15; k++) poses.push(lensAt(1.4 + 0.04 * k, 1.3, 0.35, 0, 0.12));
  const spun = poses.length;
  look(2, 0, 180, rate);
  const after = poses.length;
  for (let k = 1; k <= 20; k++) poses.push(lensAt(2 - 0.03 * k, 1.3, 0.35, Math.PI, 0.12));
  const floor = { shape: "box", material: "wall", at: [5, 4], base: -0.2, size: [12, 10, 0.2] };
  const shapes = [floor, ...THREE_ROOMS.walls, ...THREE_ROOMS.things];
  const set = sceneSet("half a turn", shapes, poses, { seed: 4, baseFromLens: ROUND_MOUNT });
  const frames = set.frames.map((frame, n) =>
    isCovered && n >= spun && n < after ? { ...frame, counts: new Uint16Array(frame.counts.length) } : frame,
  );
  return { set: { ...set, frames }, spun, after };
}

test("half a turn with the lens covered: lost within 0.5 s, found within 1.33 s of the lens being free", () => {
  const { set, spun, after } = halfTurn(12, true);
  const tracked = trackSet(set);
  const lost = tracked.findIndex(({ result }) => result.notes.some(({ what }) => what === "lost"));
  expect(lost).toBeGreaterThanOrEqual(spun);
  expect((set.frames[lost]!.time - set.frames[spun - 1]!.time) / 1e6).toBeLessThanOrEqual(0.5);
  const found = tracked.findIndex(({ result }) => result.notes.some(({ what }) => what === "found"));
  expect(found).toBeGreaterThanOrEqual(after);
  expect(found).toBeLessThan(after + 20);
  expect(tracked.slice(lost, found).some(({ result }) => result.isFit)).toBe(false);
  for (const { frame, result, error } of tracked.slice(found)) {
    expect(error).toBeLessThan(0.05);
    expect(angleBetween(result.worldFromLens.rotation, frame.worldFromLens.rotation)).toBeLessThan(0.02);
  }
});

test("half a turn in a quarter of a second: never more than 5 cm off while mapping", () => {
  const { set, after } = halfTurn(45, false);
  const tracked = trackSet(set);
  expect(tracked.filter(({ result, error }) => result.isFit && error > 0.05)).toEqual([]);
  expect(tracked.slice(after + 10).every(({ result }) => result.hold === "held")).toBe(true);
});
