import { existsSync, readdirSync, readFileSync } from "node:fs";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { expect, test, vi } from "vitest";
import { main } from "../../tools/brinkmap.ts";

const root = fileURLToPath(new URL("../..", import.meta.url));
const documents = [
  "README.md",
  "DEVELOPERS.md",
  "CHANGELOG.md",
  ...readdirSync(join(root, "docs"))
    .filter((name) => name.endsWith(".md"))
    .map((name) => `docs/${name}`),
];
const textOf = (name: string): string => readFileSync(join(root, name), "utf8");

test.each(documents)("%s: every link and every file that it names exists", (name) => {
  const text = textOf(name);
  const links = [...text.matchAll(/\]\((?!https?:|#)([^)#\s]+)/g)].map(([, path]) =>
    join(dirname(name), path!),
  );
  const files = [
    ...text.matchAll(/\b(?:src|tools|tests|datasets|build)\/[\w./-]+\.(?:ts|py|json|mjs|wat)\b/g),
  ].map(([path]) => path);
  expect([...new Set([...links, ...files])].filter((path) => !existsSync(join(root, path)))).toEqual([]);
});

/** The commands that `brinkmap --help` lists. */
async function commands(): Promise<string[]> {
  const log = vi.spyOn(console, "log").mockImplementation(() => {});
  await main(["--help"]);
  const help = log.mock.calls.flat().join("\n");
  log.mockRestore();
  return [...help.matchAll(/^ {2}(\w+) {2,}/gm)].map(([, command]) => command!);
}

test("README lists the commands that brinkmap --help lists, in the same order", async () => {
  const listed = [...textOf("README.md").matchAll(/^ {4}brinkmap (\w+)/gm)].map(([, command]) => command);
  expect(listed).toEqual(await commands());
});

test("every command that a document calls exists", async () => {
  const known = new Set(await commands());
  for (const name of documents) {
    const called = [...textOf(name).matchAll(/(?:^ {4}|`)brinkmap (\w+)/gm)].map(([, command]) => command!);
    expect(
      called.filter((command) => !known.has(command)),
      name,
    ).toEqual([]);
  }
});

test("DEVELOPERS.md has a reason for every dependency, and for none that is not there", () => {
  const { dependencies, devDependencies } = JSON.parse(textOf("package.json")) as Record<string, object>;
  const [, table] = textOf("DEVELOPERS.md").split("## Dependencies, and why");
  const needed = Object.keys({ ...dependencies, ...devDependencies });
  // A name that ends with * stands for the packages that begin with it.
  const meant = (name: string) =>
    name.endsWith("*") ? needed.filter((one) => one.startsWith(name.slice(0, -1))) : [name];
  const listed = [...table!.matchAll(/^\| ([@\w].*?) +\|/gm)]
    .flatMap(([, names]) => names!.split(", "))
    .filter((name) => name !== "package")
    .flatMap(meant);
  expect(listed.sort()).toEqual(needed.sort());
});
