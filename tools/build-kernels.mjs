// Turns src/map/pyramid.wat into src/map/pyramid-kernel.ts: after a change of the first, commit both.
import { readFile, writeFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import wabt from "wabt";

const HEAD = `// Made from pyramid.wat by \`npm run kernels\`. Do not edit.

/** A WebAssembly module as hexadecimal digits. */
export const PYRAMID_KERNEL =
`;

/** @returns {Promise<string>} the text of pyramid-kernel.ts */
export async function kernelSource() {
  const text = await readFile(new URL("../src/map/pyramid.wat", import.meta.url));
  const module = (await wabt()).parseWat("pyramid.wat", text, { simd: true });
  module.validate();
  const lines = Buffer.from(module.toBinary({}).buffer)
    .toString("hex")
    .match(/.{1,100}/g);
  return `${HEAD}${lines.map((line) => `  "${line}"`).join(" +\n")};\n`;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  await writeFile(new URL("../src/map/pyramid-kernel.ts", import.meta.url), await kernelSource());
}
