// Builds only if a source is newer than the output, so that `npm start` is ready sooner.
import { spawnSync } from "node:child_process";
import { readdirSync, statSync, utimesSync, writeFileSync } from "node:fs";
import { join } from "node:path";

const root = new URL("..", import.meta.url).pathname;
const STAMP = join(root, "dist/.built");
const SOURCES = ["src", "tools", "build", "tests/helpers"];
const FILES = ["package.json", "package-lock.json", "tsconfig.json", "tsconfig.build.json"];

/** Time of the last change, milliseconds; 0 if missing. */
const changed = (path) => statSync(path, { throwIfNoEntry: false })?.mtimeMs ?? 0;

function newest() {
  let time = Math.max(...FILES.map((file) => changed(join(root, file))));
  for (const folder of SOURCES) {
    const entries = readdirSync(join(root, folder), { recursive: true });
    // Folders, too: a removed file changes only its folder.
    for (const name of ["", ...entries]) time = Math.max(time, changed(join(root, folder, name)));
  }
  return time;
}

if (newest() > changed(STAMP)) {
  const begun = new Date();
  const { status } = spawnSync("npm", ["run", "--silent", "build"], { cwd: root, stdio: "inherit" });
  if (status !== 0) process.exit(status ?? 1);
  writeFileSync(STAMP, "");
  utimesSync(STAMP, begun, begun); // files that changed during the build are newer
}
