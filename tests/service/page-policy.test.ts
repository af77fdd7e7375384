import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { SAFE_HEADERS } from "../../src/service/http/static-files.ts";

test("the policy allows the script inside the page, by its hash, and no other", () => {
  const page = readFileSync(new URL("../../src/viewer/page/index.html", import.meta.url), "utf8");
  const scripts = [...page.matchAll(/<script>(.*?)<\/script>/gs)].map(([, text]) => text!);
  // Source: W3C, Content Security Policy Level 3, 6.7.3.3: the hash is of the text between the tags.
  const hashes = scripts.map((text) => `'sha256-${createHash("sha256").update(text).digest("base64")}'`);
  expect(hashes).toHaveLength(1);
  expect(SAFE_HEADERS["content-security-policy"]).toContain(`script-src 'self' ${hashes[0]};`);
});
