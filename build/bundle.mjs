// Bundles dependencies into the package, so that they need not be installed: the page with its drawing library,
// the charts of reports and the metrics. Their licences go into dist/third-party-licences.txt.
import { cpSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { build } from "esbuild";
import { licencesText } from "./licences.mjs";

const root = new URL("..", import.meta.url).pathname;
const common = {
  absWorkingDir: root,
  bundle: true,
  format: "esm",
  minify: true,
  legalComments: "eof",
  logLevel: "warning",
  metafile: true,
};

const viewer = join(root, "dist/viewer");
rmSync(viewer, { recursive: true, force: true });

/** The page: two scripts and a style sheet, without external resources. */
const page = await build({
  ...common,
  entryPoints: { main: "src/viewer/main.ts", worker: "src/viewer/worker.ts" },
  outdir: viewer,
  target: "es2022",
});
cpSync(join(root, "src/viewer/page"), viewer, { recursive: true });

// The style sheet's colours come from the shared palette, which tsc has compiled before this runs.
const { LIGHT, NIGHT, cssOf } = await import(join(root, "dist/src/terms/palette.js"));
const colours = `:root { ${cssOf(LIGHT)} color-scheme: light; }
:root[data-theme="night"] { ${cssOf(NIGHT)} color-scheme: dark; }
`;
writeFileSync(
  join(viewer, "page.css"),
  colours + readFileSync(join(root, "src/viewer/page/page.css"), "utf8"),
);

/**
 * Two modules with their package bundled, replacing the compiler's output: of the charts only
 * the two kinds that reports have.
 */
const modules = await build({
  ...common,
  entryPoints: {
    "tools/output/chart": "tools/output/chart.ts",
    "src/service/metrics": "src/service/metrics.ts",
  },
  outdir: "dist",
  platform: "node",
  target: "node20",
  // CommonJS packages load Node's own modules with require, which does not exist in an ES module.
  banner: {
    js: 'import { createRequire } from "node:module"; const require = createRequire(import.meta.url);',
  },
});

writeFileSync(
  join(root, "dist/third-party-licences.txt"),
  licencesText([page.metafile, modules.metafile], root),
);
