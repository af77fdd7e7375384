import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { expect, test } from "vitest";

const read = (path: string) => readFileSync(fileURLToPath(new URL(`../../${path}`, import.meta.url)), "utf8");
const bindings = [
  ...read("src/viewer/main.ts").matchAll(/key: "([^"]+)",\s*help: "([^"]+)"(?:,\s*control: "([^"]+)")?/g),
].map(([, key, help, control]) => ({ key: key!, help: help!, control }));

test("no two actions share a key, and each key's control is on the page", () => {
  expect(bindings.length).toBeGreaterThan(20);
  expect(new Set(bindings.map(({ key }) => key)).size).toBe(bindings.length);
  const html = read("src/viewer/page/index.html");
  for (const { control } of bindings) if (control !== undefined) expect(html).toContain(`id="${control}"`);
});

test("the manual lists every key", () => {
  const manual = read("docs/viewer.md");
  for (const { key } of bindings) {
    const name = key.replace("shift+", "Shift+").replace(/[a-z]$/, (letter) => letter.toUpperCase());
    expect(manual, key).toMatch(new RegExp(`\\| ${name.replace("?", "\\?").replace("+", "\\+")} +\\|`));
  }
});
