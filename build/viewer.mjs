// Bundles the page into dist/viewer: two scripts, a style sheet, and nothing from anywhere else.
import { cp, readFile, writeFile } from "node:fs/promises";
import { build } from "esbuild";

const root = new URL("..", import.meta.url).pathname;
const out = `${root}dist/viewer`;
await build({
  entryPoints: { main: `${root}src/viewer/main.ts`, worker: `${root}src/viewer/worker.ts` },
  outdir: out,
  bundle: true,
  format: "esm",
  target: "es2022",
  minify: true,
  legalComments: "eof",
  logLevel: "warning",
});
await cp(`${root}src/viewer/page`, out, { recursive: true });

// The style sheet's colours come from the palette that drawings use as well. tsc has compiled it before this runs.
const { LIGHT, NIGHT, cssOf } = await import(`${root}dist/src/terms/palette.js`);
const colours = `:root { ${cssOf(LIGHT)} color-scheme: light; }
:root[data-theme="night"] { ${cssOf(NIGHT)} color-scheme: dark; }
`;
await writeFile(`${out}/page.css`, colours + (await readFile(`${root}src/viewer/page/page.css`, "utf8")));
