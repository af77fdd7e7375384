// Bundles the compiled commands and their threads with all dependencies: one file for each entry, as the board's package has them.
import { cpSync, mkdirSync, readdirSync, readFileSync } from "node:fs";
import { dirname, join, relative } from "node:path";
import { build } from "esbuild";

/** Programs that are started by name; threads are found by the name of their file. */
const PROGRAMS = ["tools/brinkmap.js", "tools/serve.js", "tools/demo/render.js", "tools/tune/job.js"];
const THREAD = /-worker\.js$/;
/** The pool of threads starts this script of its own package. */
const POOL_THREAD = "node_modules/tinypool/dist/entry/worker.js";
/** Native code that msgpackr and ws can do without. */
const LEFT_OUT = ["msgpackr-extract", "bufferutil", "utf-8-validate"];

/**
 * A module's place in the package. Every module keeps the place that it has in dist/, also inside a bundled file, so that the files
 * which it looks for beside itself are found by the same paths in both.
 */
function placeOf(path, root) {
  const [, inPackage] = /\/node_modules\/(.*)$/.exec(path) ?? [];
  return inPackage === undefined ? relative(root, path) : `packages/${inPackage}`;
}

/** Gives `import.meta.url` of each module the address of the module's place. */
const keepPlaces = (root) => ({
  name: "keep places",
  setup({ onLoad }) {
    onLoad({ filter: /\.m?js$/ }, ({ path }) => {
      const text = readFileSync(path, "utf8");
      if (!text.includes("import.meta.url")) return undefined;
      const place = JSON.stringify(placeOf(path, root));
      return { contents: text.replaceAll("import.meta.url", `atPlace(${place})`), loader: "js" };
    });
  },
});

/** The packages of a queue of replays (package.json: optional peers) stay out: loading them throws an error that tools/queue/load.ts explains. */
const leaveQueueOut = {
  name: "leave the queue out",
  setup({ onResolve, onLoad }) {
    onResolve({ filter: /^(bullmq|ioredis)$/ }, ({ path }) => ({ path, namespace: "queue" }));
    onLoad({ filter: /.*/, namespace: "queue" }, ({ path }) => ({
      contents: `module.exports = (() => { throw Object.assign(new Error("${path} is not part of this package"), { code: "QUEUE_LEFT_OUT" }); })();`,
    }));
  },
};

/**
 * Writes the bundles into `folder`, under the same paths as in the repository.
 * @param root of the repository, with a built dist/
 * @returns esbuild's metafiles
 */
export async function bundleCommands(root, folder) {
  const threads = readdirSync(join(root, "dist"), { recursive: true })
    .filter((name) => THREAD.test(name) && !/^(tests|viewer|tools\/lab)\//.test(name))
    .sort();
  const entries = [...[...PROGRAMS, ...threads].map((name) => `dist/${name}`), POOL_THREAD];
  const metafiles = [];
  for (const entry of entries) {
    const place = placeOf(join(root, entry), root);
    const up = "../".repeat(place.split("/").length - 1);
    const { metafile } = await build({
      absWorkingDir: root,
      bundle: true,
      platform: "node",
      target: "node20",
      format: "esm",
      legalComments: "none",
      logLevel: "warning",
      metafile: true,
      entryPoints: [entry],
      outfile: join(folder, place),
      external: LEFT_OUT,
      // Paths in the bundle start with node_modules also where that folder is a link, so that every checkout gives the same bytes.
      preserveSymlinks: true,
      plugins: [keepPlaces(root), leaveQueueOut],
      // CommonJS packages load Node's own modules with require, which does not exist in an ES module.
      banner: {
        js: `import { createRequire as requireFrom } from "node:module"; const require = requireFrom(import.meta.url); const atPlace = (place) => new URL(${JSON.stringify(up)} + place, import.meta.url).href;`,
      },
    });
    metafiles.push(metafile);
  }
  const renderer = join(folder, "dist/src/service/maps/resvg.wasm");
  mkdirSync(dirname(renderer), { recursive: true });
  cpSync(join(root, "node_modules/@resvg/resvg-wasm/index_bg.wasm"), renderer);
  return metafiles;
}
