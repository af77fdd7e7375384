import { readFile } from "node:fs/promises";
import { expect, test } from "vitest";
import { KERNELS, kernelSource } from "../../build/kernels.mjs";

const digits = (text: string): string => [...text.matchAll(/"([0-9a-f]+)"/g)].map(([, run]) => run).join("");

test.each(KERNELS)("%s-kernel.ts is what its source says", async (path) => {
  const committed = await readFile(new URL(`../../src/${path}-kernel.ts`, import.meta.url), "utf8");
  const made = digits(await kernelSource(path));
  expect(made.length).toBeGreaterThan(500);
  expect(digits(committed)).toBe(made);
});
