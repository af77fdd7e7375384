import { expect, test } from "vitest";
import { compose, IDENTITY, invert, toYawPitchRoll } from "../../src/geometry/rigid.ts";
import { type Placement, placement, poseOf, setPlacement } from "../../src/track/placement.ts";
import { type Prior, Registrar, type Stage } from "../../src/track/register.ts";
import { emptySamples, type Samples } from "../../src/track/samples.ts";
import { SurfelMap } from "../../src/track/surfels.ts";
import { seededNormal } from "../helpers/compare.ts";

const DEGREE = Math.PI / 180;

/** The lens at the world's origin sees a floor 0.5 m below, a wall ahead at 2 m, and one at its left; the half of them at its left. */
function room(seed: number, half: "left" | "right" | "all" = "all"): Samples {
  const samples = emptySamples(4000);
  const normal = seededNormal(seed);
  const add = (point: readonly number[], facing: readonly number[]) => {
    if ((half === "left" && point[1]! < 0) || (half === "right" && point[1]! > 0)) return;
    const n = samples.count++;
    const off = 0.002 * normal();
    samples.point.set(
      point.map((v, k) => v + off * facing[k]!),
      3 * n,
    );
    samples.normal.set(facing, 3 * n);
    samples.weight[n] = 1e4;
  };
  for (let a = 0.03; a < 1; a += 0.05) {
    for (let b = 0.03; b < 2; b += 0.05) {
      add([1 + a, b - 1, -0.5], [0, 0, 1]);
      if (a < 0.8) add([2, b - 1, a - 0.5], [-1, 0, 0]);
      if (a < 0.8) add([b, 1, a - 0.5], [0, -1, 0]);
      if (a < 0.8) add([b, -1, a - 0.5], [0, 1, 0]);
    }
  }
  return samples;
}

const at = (x: number, y: number): Placement => {
  const out = placement();
  setPlacement(out, { rotation: IDENTITY.rotation, position: [x, y, 0] });
  return out;
};

/** Sure of the tilt and the height of where it starts, to 5 cm of its place, to a degree of its heading. */
function priorAt(start: Placement): Prior {
  const rotation = new Float64Array(9);
  const position = new Float64Array(9);
  [1, 1, 1].forEach((degrees, k) => {
    rotation[4 * k] = 1 / (degrees * DEGREE) ** 2;
    position[4 * k] = 1 / 0.05 ** 2;
  });
  return { at: at(start.position[0]!, start.position[1]!), rotation, position };
}

function maps(): { fine: SurfelMap; coarse: SurfelMap; stages: readonly Stage[] } {
  const fine = new SurfelMap(0.06, 2e7);
  const coarse = new SurfelMap(0.24, 2e7);
  const stages = [
    { map: coarse, gate: 0.4, lastGate: 0.15, iterations: 3, stride: 4 },
    { map: fine, gate: 0.12, lastGate: 0.03, iterations: 6, stride: 1 },
  ];
  return { fine, coarse, stages };
}

const DRIFT: readonly [number, number] = [0.07, 0.05];

/** Registers a frame from where it drifted to: the left half is as it was first seen, the right half was added while drifting. */
function comeBack(doubt: number): { off: number; yaw: number; lead: number } {
  const { fine, coarse, stages } = maps();
  for (let seed = 1; seed <= 4; seed++) {
    for (const map of [fine, coarse]) {
      map.fuse(room(seed, "left"), at(0, 0), { doubt: 0.01 });
      map.fuse(room(seed + 10, "right"), at(...DRIFT), { doubt: 0.12 });
    }
  }
  const pose = at(...DRIFT);
  const { lead } = new Registrar(4000).register(room(99), pose, { prior: priorAt(pose), stages, doubt });
  const { position, rotation } = poseOf(pose);
  return { off: Math.hypot(...position), yaw: Math.abs(toYawPitchRoll(rotation)[0]), lead };
}

test("back on known ground, better known surfels are preferred to those added with more doubt", () => {
  const alike = comeBack(0);
  const preferring = comeBack(0.12);
  console.log(
    `off where all counts alike ${(1000 * alike.off).toFixed(1)} mm, with the better known first ` +
      `${(1000 * preferring.off).toFixed(1)} mm and ${(preferring.yaw / DEGREE).toFixed(3)} deg`,
  );
  expect(alike.off).toBeGreaterThan(0.05);
  expect(preferring.off).toBeLessThan(0.002);
  expect(preferring.yaw).toBeLessThan(0.05 * DEGREE);
  // Nearly all that it lies on now is better known.
  expect(preferring.lead).toBeGreaterThan(0.08);
});

test("a handful of better known surfels does not outvote the others", () => {
  const { fine, coarse, stages } = maps();
  const few = room(1);
  few.count = 100; // of floor and wall
  for (const map of [fine, coarse]) {
    map.fuse(few, at(0, 0), { doubt: 0.01 });
    map.fuse(room(2), at(...DRIFT), { doubt: 0.12 });
  }
  const pose = at(...DRIFT);
  new Registrar(4000).register(room(99), pose, { prior: priorAt(pose), stages, doubt: 0.12 });
  const moved = compose(invert(poseOf(at(...DRIFT))), poseOf(pose)).position;
  expect(Math.hypot(...moved)).toBeLessThan(0.005);
});
