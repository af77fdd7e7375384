import { createHash } from "node:crypto";
import { existsSync, readdirSync, readFileSync } from "node:fs";
import { basename, join } from "node:path";
import { fileURLToPath } from "node:url";

/** The compiled program; threads use it also when a test runs the sources. */
const ROOT = fileURLToPath(
  new URL(import.meta.url.endsWith(".ts") ? "../../dist/" : "../../", import.meta.url),
);

/** What runs a replay of `tune`. */
const BUNDLED_JOB = "tools/tune/job.js";

/**
 * SHA-256 over compiled parts of the program, so that scores of different builds are not mixed.
 * @param parts folders and files as they are named in the sources' folder, "src/head" and "tools/tune/job.js" for example
 */
export function programHash(parts: readonly string[]): string {
  const hash = createHash("sha256");
  // In the board's package the bundled file of a job holds all parts.
  const present = parts.every((part) => existsSync(join(ROOT, part))) ? parts : [BUNDLED_JOB];
  for (const part of present) {
    const path = join(ROOT, part);
    const files = part.endsWith(".js")
      ? [path]
      : readdirSync(path)
          .sort()
          .map((name) => join(path, name));
    for (const file of files) {
      if (file.endsWith(".js")) hash.update(basename(file)).update(readFileSync(file));
    }
  }
  return hash.digest("hex");
}
