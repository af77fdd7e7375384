// Bundles elementary functions in plain JavaScript into one module of src: after a change of the packages, run this and commit both.
import { readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { build } from "esbuild";

const require = createRequire(import.meta.url);
const target = new URL("../src/geometry/elementary-port.ts", import.meta.url);

/** The module's names for them, and the packages. */
const FUNCTIONS = {
  acos: "acos",
  asin: "asin",
  atan: "atan",
  atan2: "atan2",
  cbrt: "cbrt",
  cos: "cos",
  exp: "exp",
  log: "ln",
  log1p: "log1p",
  log2: "log2",
  pow: "pow",
  sin: "sin",
  tan: "tan",
};

/** Helpers of the packages for old runtimes, replaced by standard features; none of them computes. */
const PLUMBING = {
  "@stdlib/utils-define-nonenumerable-read-only-property":
    "module.exports = (object, name, value) => Object.defineProperty(object, name, { value });",
  "@stdlib/array-float64": "module.exports = Float64Array;",
  "@stdlib/array-uint32": "module.exports = Uint32Array;",
};
const plumbing = {
  name: "plumbing",
  setup(builder) {
    const filter = new RegExp(`^(${Object.keys(PLUMBING).join("|")})$`);
    builder.onResolve({ filter }, ({ path }) => ({ path, namespace: "plumbing" }));
    builder.onLoad({ filter: /.*/, namespace: "plumbing" }, ({ path }) => ({ contents: PLUMBING[path] }));
  },
};

const packageOf = (name) => `@stdlib/math-base-special-${FUNCTIONS[name]}`;

/** Third-party notices in the packages' sources: each once, without comment markers. */
function noticesIn(files) {
  const notices = new Set();
  for (const file of files) {
    for (const [, text] of readFileSync(file, "utf8").matchAll(/\* ## Notice\n((?: ?\*.*\n)+?)\s*\*\//g)) {
      const lines = text.split("\n").map((line) =>
        line
          .replace(/^\s*\*\s?/, "")
          .replace(/^```\S*$/, "")
          .trimEnd(),
      );
      // The first paragraph names one file; the licence that follows is the same in all.
      const notice = lines.join("\n").split("\n\n").slice(1).join("\n\n").trim();
      if (notice !== "") notices.add(notice);
    }
  }
  return [...notices].sort();
}

/** The text of src/geometry/elementary-port.ts. */
export async function portSource() {
  const lines = Object.keys(FUNCTIONS).map(
    (name) => `export { default as ${name} } from "${packageOf(name)}";`,
  );
  const result = await build({
    stdin: { contents: lines.join("\n"), resolveDir: fileURLToPath(new URL("..", import.meta.url)) },
    bundle: true,
    format: "esm",
    platform: "neutral",
    mainFields: ["main"],
    target: "es2022",
    minify: true,
    lineLimit: 120,
    legalComments: "none",
    write: false,
    metafile: true,
    plugins: [plumbing],
  });
  const files = Object.entries(Object.values(result.metafile.outputs)[0].inputs)
    .filter(([file, { bytesInOutput }]) => file.includes("node_modules") && bytesInOutput > 0)
    .map(([file]) => file);
  const root = fileURLToPath(new URL("..", import.meta.url));
  const version = Object.keys(FUNCTIONS).map((name) => {
    const { version } = JSON.parse(readFileSync(require.resolve(`${packageOf(name)}/package.json`), "utf8"));
    return `${FUNCTIONS[name]} ${version}`;
  });
  const code = result.outputFiles[0].text;
  const licence = readFileSync(
    join(dirname(require.resolve(`${packageOf("sin")}/package.json`)), "NOTICE"),
    "utf8",
  );
  const header = [
    "Made by `npm run generate` from the packages @stdlib/math-base-special-*. Do not edit.",
    version.join(", "),
    "",
    licence.trim(),
    "Licensed under the Apache License, Version 2.0: https://www.apache.org/licenses/LICENSE-2.0",
    "",
    ...noticesIn(files.map((file) => join(root, file))),
  ].join("\n");
  const comment = header
    .split("\n")
    .map((line) => ` * ${line}`.trimEnd())
    .join("\n");
  return `// @ts-nocheck: bundled JavaScript has no types; elementary.ts gives them\n/*!\n${comment}\n */\n\n${code}`;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) writeFileSync(target, await portSource());
