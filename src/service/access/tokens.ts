import { createHash, randomBytes, timingSafeEqual } from "node:crypto";
import type { Role } from "../../wire/messages.ts";

export interface TokenEntry {
  readonly name: string;
  readonly roles: readonly Role[];
  /** SHA-256 of the token, hexadecimal. */
  readonly hash: string;
}

const digest = (token: string): Buffer => createHash("sha256").update(token, "utf8").digest();

/**
 * Makes a token of 256 random bits. What is kept is its plain SHA-256: with that many bits there is nothing to guess, so
 * a slow hash would only make it cheap to keep the service busy.
 */
export function newToken(
  name: string,
  roles: readonly Role[],
): { readonly token: string; readonly entry: TokenEntry } {
  const token = randomBytes(32).toString("base64url");
  return { token, entry: { name, roles, hash: digest(token).toString("hex") } };
}

/** The entry that the token is of, or null. Every entry is compared, each in constant time. */
export function findToken(entries: readonly TokenEntry[], token: string | undefined): TokenEntry | null {
  const given = digest(token ?? "");
  let found: TokenEntry | null = null;
  for (const entry of entries) {
    if (timingSafeEqual(Buffer.from(entry.hash, "hex"), given)) found = entry;
  }
  return token === undefined ? null : found;
}
