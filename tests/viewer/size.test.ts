import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { expect, test } from "vitest";

test("page, worker, style and HTML are at most 350 kB compressed", () => {
  const folder = fileURLToPath(new URL("../../dist/viewer", import.meta.url));
  const size = (name: string) => gzipSync(readFileSync(`${folder}/${name}`), { level: 9 }).length;
  const total = ["main.js", "worker.js", "page.css", "index.html"].reduce((sum, name) => sum + size(name), 0);
  expect(total).toBeLessThanOrEqual(350_000);
});
