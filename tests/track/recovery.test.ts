import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import type { PinholeOptics } from "../../src/geometry/optics.ts";
import { lensPose } from "../../tools/simulate/attitude.ts";
import { Random } from "../../tools/simulate/random.ts";
import { renderDepth } from "../../tools/simulate/render.ts";
import { loadScenario } from "../../tools/simulate/scenario.ts";
import type { PoseFrame, PoseSet } from "../helpers/pose-sets.ts";
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
    if (!isDark) renderDepth(studio.scene, optics, worldFromLens, t, noise, counts, amplitude);
    frames.push({ time: 0, counts, worldFromLens });
  }
  return frames;
}

function inARow(...parts: readonly PoseFrame[][]): PoseSet {
  const frames = parts.flat().map((frame, n) => ({ ...frame, time: Math.round((n * 1e6) / 12) }));
  return { name: "studio", optics, frames };
}

test("lost on a bare floor, things never seen before are not taken for known ones; those seen before are found again", () => {
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
