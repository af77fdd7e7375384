import { spawnSync } from "node:child_process";
import { fileURLToPath } from "node:url";

/** Threads and child processes of tests run what is in dist/: brought up to date once, before all tests. */
export default function build(): void {
  const root = fileURLToPath(new URL("../..", import.meta.url));
  const tsc = fileURLToPath(new URL("../../node_modules/typescript/bin/tsc", import.meta.url));
  const run = spawnSync(process.execPath, [tsc, "-p", "tsconfig.build.json"], {
    cwd: root,
    encoding: "utf8",
  });
  if (run.status !== 0) throw new Error(`tsc ended with ${run.status}: ${run.stdout}${run.stderr}`);
  const page = spawnSync(process.execPath, ["build/bundle.mjs"], { cwd: root, encoding: "utf8" });
  if (page.status !== 0) throw new Error(`the page could not be built: ${page.stderr}`);
}
