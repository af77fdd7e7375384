import { readFileSync } from "node:fs";
import { expect } from "vitest";
import { expectClose } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";
import {
  CORRIDOR_EIGENVALUES,
  DARK_FLOOR_LIMIT,
  DARK_FLOOR_RATIO,
  EDGE_SIGNAL,
  FLOOR_DEPTHS,
  MIXED_RANGE,
  RANGE_SPREAD,
  TRAJECTORY_ERRORS,
  WALLS_STEP,
} from "./values.ts";

const compute = (name: string, ...args: string[]) =>
  JSON.parse(runPython(readFileSync(new URL(`${name}.py`, import.meta.url), "utf8"), args));

testWith("python", "numpy computes the point-to-plane step and the eigenvalues that tests expect", () => {
  const { step, walls, corridor } = compute("point_to_plane");
  expectClose(WALLS_STEP, step, 5e-10); // of the last digit written down
  expectClose(walls, Array(6).fill(25), 1e-9);
  expectClose(CORRIDOR_EIGENVALUES, corridor, 1e-9);
});

testWith("python", "numpy computes the depths of floors that tests expect", () => {
  const images = compute("floor_scenes", JSON.stringify(FLOOR_DEPTHS.map((one) => one.slice(0, 4))));
  FLOOR_DEPTHS.forEach(([, , , , depths], n) => {
    expectClose(
      depths,
      [20, 30, 45].map((row) => images[n][row * 80 + 40]),
      6e-7,
    );
  });
});

testWith("python", "numpy computes the light of floors and the spread of ranges that tests expect", () => {
  const { limit, ratio, edge, spread, formula, mixed } = compute("floor_light");
  for (const [rho, metres] of DARK_FLOOR_LIMIT) expect(Math.abs(metres - limit[rho])).toBeLessThan(5e-5);
  // JSON has Python's "1.0" for 1.
  for (const [ahead, share] of DARK_FLOOR_RATIO) {
    expect(Math.abs(share - (ratio[ahead] ?? ratio[ahead.toFixed(1)]))).toBeLessThan(5e-6);
  }
  expect(Math.abs(EDGE_SIGNAL - edge)).toBeLessThan(5e-3);
  expect(Math.abs(RANGE_SPREAD - formula)).toBeLessThan(5e-7);
  expect(Math.abs(RANGE_SPREAD / spread - 1)).toBeLessThan(0.01); // 400 000 draws
  expect(Math.abs(MIXED_RANGE - mixed)).toBeLessThan(5e-7);
});

testWith("python", "numpy computes the trajectory errors that tests expect", () => {
  const { zigzag, zigzagYaw, drift } = compute("trajectory_errors");
  expectClose(
    [TRAJECTORY_ERRORS.zigzag, TRAJECTORY_ERRORS.zigzagYaw, TRAJECTORY_ERRORS.drift],
    [zigzag, zigzagYaw, drift],
    5e-7,
  );
});
