import { existsSync, mkdirSync, statSync } from "node:fs";
import { dirname, resolve } from "node:path";

/**
 * Makes a folder, with the ones above it. Node's own `recursive: true` never returns where an existing folder refuses new ones with ENOENT, as
 * /proc does (seen with Node 20).
 * @param mode permissions of the folders that are made
 * @throws errors of the file system
 */
export function makeFolder(path: string, mode = 0o777): void {
  const missing: string[] = [];
  for (let at = resolve(path); !existsSync(at); at = dirname(at)) missing.push(at);
  for (const folder of missing.reverse()) make(folder, mode);
  if (missing.length === 0 && !statSync(path).isDirectory()) {
    throw Object.assign(new Error(`${path} is a file`), { code: "ENOTDIR", path });
  }
}

/** Another process may make the same folder at the same time. */
function make(folder: string, mode: number): void {
  try {
    mkdirSync(folder, mode);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code !== "EEXIST" || !statSync(folder).isDirectory()) throw error;
  }
}
