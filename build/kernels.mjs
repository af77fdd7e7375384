// Compiles the .wat files of src into modules of hexadecimal digits; after a change commit both.
import { readFile, writeFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import wabt from "wabt";

const source = (path) => new URL(`../src/${path}`, import.meta.url);

/** Paths in src, without extensions. */
export const KERNELS = ["map/pyramid", "sense/mask"];

/** The text of <path>-kernel.ts. */
export async function kernelSource(path) {
  const name = path.split("/").at(-1);
  const text = await readFile(source(`${path}.wat`));
  const module = (await wabt()).parseWat(`${name}.wat`, text, { simd: true });
  module.validate();
  const lines = Buffer.from(module.toBinary({}).buffer)
    .toString("hex")
    .match(/.{1,100}/g);
  return `// Made from ${name}.wat by \`npm run generate\`. Do not edit.

/** A WebAssembly module as hexadecimal digits. */
export const ${name.toUpperCase()}_KERNEL =
${lines.map((line) => `  "${line}"`).join(" +\n")};
`;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  for (const path of KERNELS) await writeFile(source(`${path}-kernel.ts`), await kernelSource(path));
}
