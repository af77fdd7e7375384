import { readdirSync, readFileSync } from "node:fs";
import { dirname, join, normalize } from "node:path";
import { fileURLToPath } from "node:url";
import { expect, test } from "vitest";

const root = fileURLToPath(new URL("../..", import.meta.url));

/** The core, in order: each may import those before it. */
const CORE = [
  "src/terms",
  "src/coding",
  "src/geometry",
  "src/sense",
  "src/track",
  "src/map",
  "src/guard",
  "src/way",
  "src/head",
];
const upTo = (last: string): string[] => CORE.slice(0, CORE.indexOf(last) + 1);

/** What each layer may import besides itself. */
const LAYERS: Readonly<Record<string, readonly string[]>> = {
  ...Object.fromEntries(CORE.map((layer) => [layer, upTo(layer)])),
  "src/mount": upTo("src/track"),
  "src/record": upTo("src/sense"),
  "src/place": CORE,
  "src/wire": upTo("src/map"),
  "src/link": upTo("src/geometry"),
  "src/client": ["src/terms", "src/wire"],
  "src/viewer": ["src/terms", "src/wire", "src/client"],
  "src/simulate": [...upTo("src/sense"), "src/record"],
  "src/service": [...CORE, "src/mount", "src/record", "src/place", "src/wire", "src/link"],
  tools: [
    ...CORE,
    "src/mount",
    "src/record",
    "src/place",
    "src/wire",
    "src/link",
    "src/client",
    "src/simulate",
    "src/service",
  ],
  "tools/lab": ["tools", "tests", "src"],
};

/** The layer of a file: the longest name above that its path begins with. */
const layerOf = (file: string): string | undefined =>
  Object.keys(LAYERS)
    .filter((layer) => file.startsWith(`${layer}/`))
    .sort((a, b) => b.length - a.length)[0];

const files = ["src", "tools"].flatMap((folder) =>
  readdirSync(join(root, folder), { recursive: true, encoding: "utf8" })
    .filter((name) => name.endsWith(".ts"))
    .map((name) => join(folder, name)),
);

/** Files that a file imports, types included, and also those that it loads when it needs them. */
function importsOf(file: string): string[] {
  const text = readFileSync(join(root, file), "utf8");
  const found = text.matchAll(/\b(?:from|import)\s*\(?\s*"(\.{1,2}\/[^"]+\.ts)"/g);
  return [...found].map(([, path]) => normalize(join(dirname(file), path!)));
}

const imports = new Map(files.map((file) => [file, importsOf(file)]));

/** Files that import each other, directly or by way of others. Source: Tarjan 1972, strongly connected components. */
function circles(graph: ReadonlyMap<string, readonly string[]>): string[][] {
  const order = new Map<string, number>();
  const low = new Map<string, number>();
  const stack: string[] = [];
  const found: string[][] = [];
  const visit = (file: string): void => {
    order.set(file, order.size);
    low.set(file, order.get(file)!);
    stack.push(file);
    for (const next of graph.get(file) ?? []) {
      if (!order.has(next)) visit(next);
      if (stack.includes(next)) low.set(file, Math.min(low.get(file)!, low.get(next)!));
    }
    if (low.get(file) !== order.get(file)) return;
    const circle = stack.splice(stack.indexOf(file));
    if (circle.length > 1) found.push(circle.sort());
  };
  for (const file of graph.keys()) if (!order.has(file)) visit(file);
  return found;
}

test("a circle of imports is found, and a chain is none", () => {
  const graph = { a: ["b"], b: ["c"], c: ["a", "d"], d: [] };
  expect(circles(new Map(Object.entries(graph)))).toEqual([["a", "b", "c"]]);
  expect(circles(new Map(Object.entries({ ...graph, c: ["d"] })))).toEqual([]);
});

test("no files of src and tools import each other in a circle", () => {
  expect(imports.size).toBeGreaterThan(200);
  expect(circles(imports)).toEqual([]);
});

test("every import goes along the layers", () => {
  const wrong: string[] = [];
  for (const [file, targets] of imports) {
    const layer = layerOf(file);
    if (layer === undefined) continue; // an entry of the library, beside the layers
    for (const target of targets) {
      const other = layerOf(target) ?? dirname(target).split("/")[0]!;
      const isAllowed = other === layer || LAYERS[layer]!.some((name) => `${other}/`.startsWith(`${name}/`));
      if (!isAllowed) wrong.push(`${file} imports ${target}`);
    }
  }
  expect(wrong).toEqual([]);
});
