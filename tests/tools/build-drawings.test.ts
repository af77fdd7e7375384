import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { expect, test } from "vitest";
import { EXAMPLE, groundDrawing, sideDrawing, wiringDrawing } from "../../tools/lab/build-drawings.ts";

const textOf = (path: string): string =>
  readFileSync(fileURLToPath(new URL(`../../docs/${path}`, import.meta.url)), "utf8");

test.each([
  ["wiring", wiringDrawing],
  ["side", sideDrawing],
  ["ground", groundDrawing],
] as const)("the drawing %s of docs/build-a-head.md is the one that its program draws", (name, draw) => {
  expect(textOf(`pictures/build-${name}.svg`)).toBe(draw());
});

test("the blind distance in drawing and text is that of the formula", () => {
  const { height, pitch, below, front } = EXAMPLE;
  const near = height / Math.tan(pitch + below);
  expect(sideDrawing()).toContain(
    `${(100 * (near - front)).toFixed(0)} cm in front of the base are out of view`,
  );
  expect(textOf("build-a-head.md")).toContain(`begins ${(100 * near).toFixed(0)} cm ahead of the lens`);
});
