import { createHash } from "node:crypto";
import { readdir, readFile } from "node:fs/promises";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

/** The parts of the program that affect a drive, from the compiled `tools/lab/obey`. */
const FOLDERS = ["../../../src", "."] as const;

/**
 * Tells builds apart: a digest of the program and of these drives. A drive of another build is another drive, and says nothing of
 * this one.
 */
export async function buildMark(): Promise<string> {
  const hash = createHash("sha256");
  for (const folder of FOLDERS) {
    const root = fileURLToPath(new URL(folder, import.meta.url));
    const files = await readdir(root, { recursive: true });
    for (const file of files.filter((name) => /\.[jt]s$/.test(name)).sort()) {
      hash
        .update(file)
        .update("\0")
        .update(await readFile(join(root, file)));
    }
  }
  return hash.digest("hex").slice(0, 16);
}
