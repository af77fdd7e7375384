import { createHash, randomBytes, timingSafeEqual } from "node:crypto";
import type { Right, Role } from "../../wire/messages.ts";

export interface TokenEntry {
  readonly name: string;
  readonly rights: readonly Right[];
  /** SHA-256 of the token, hexadecimal. */
  readonly hash: string;
}

/** The right that each role needs. */
export const RIGHT_OF: Readonly<Record<Role, Right>> = { watcher: "watch", base: "drive", sensor: "feed" };

const digest = (token: string): Buffer => createHash("sha256").update(token, "utf8").digest();

/**
 * Makes a token of 256 random bits. Only its plain SHA-256 is stored. So many random bits cannot be guessed, so a slow hash would add no
 * protection, and would let unauthenticated clients load the service.
 */
export function newToken(
  name: string,
  rights: readonly Right[],
): { readonly token: string; readonly entry: TokenEntry } {
  const token = randomBytes(32).toString("base64url");
  return { token, entry: { name, rights, hash: digest(token).toString("hex") } };
}

/** The entry of the token, or null. Every entry is compared, each in constant time. */
export function findToken(entries: readonly TokenEntry[], token: string | undefined): TokenEntry | null {
  const given = digest(token ?? "");
  let found: TokenEntry | null = null;
  for (const entry of entries) {
    if (timingSafeEqual(Buffer.from(entry.hash, "hex"), given)) found = entry;
  }
  return token === undefined ? null : found;
}
