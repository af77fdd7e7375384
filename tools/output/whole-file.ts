import { rename, writeFile } from "node:fs/promises";

/** Writes a file under another name and renames it: a run that is stopped leaves no partial file. */
export async function writeWholeFile(path: string, bytes: Uint8Array | string): Promise<void> {
  await writeFile(`${path}.part`, bytes);
  await rename(`${path}.part`, path);
}
