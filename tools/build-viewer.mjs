// Bundles the page into dist/viewer: two scripts, a style sheet, and nothing from anywhere else.
import { cp } from "node:fs/promises";
import { build } from "esbuild";

const root = new URL("..", import.meta.url).pathname;
await build({
  entryPoints: { main: `${root}src/viewer/main.ts`, link: `${root}src/viewer/link.ts` },
  outdir: `${root}dist/viewer`,
  bundle: true,
  format: "esm",
  target: "es2022",
  minify: true,
  legalComments: "eof",
  logLevel: "warning",
});
await cp(`${root}src/viewer/page`, `${root}dist/viewer`, { recursive: true });
