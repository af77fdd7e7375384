import { createHash } from "node:crypto";
import { createReadStream } from "node:fs";

/** SHA-256 of a file, in hexadecimal digits. */
export async function contentOf(path: string): Promise<string> {
  const hash = createHash("sha256");
  for await (const bytes of createReadStream(path)) hash.update(bytes as Uint8Array);
  return hash.digest("hex");
}
