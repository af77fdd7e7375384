import { expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";
import { seeded } from "../helpers/recordings.ts";

const ascending = Uint8Array.from({ length: 32 }, (_, i) => i);

// RFC 3720, appendix B.4; the first is the usual check value of CRC-32C.
test.each([
  ["the text 123456789", new TextEncoder().encode("123456789"), 0xe3069283],
  ["32 bytes of 00", new Uint8Array(32), 0x8a9136aa],
  ["32 bytes of FF", new Uint8Array(32).fill(0xff), 0x62a8ab43],
  ["00 up to 1F", ascending, 0x46dd794e],
  ["1F down to 00", ascending.slice().reverse(), 0x113fdb5c],
])("CRC-32C of %s is the one in RFC 3720", (_, bytes, expected) => {
  expect(crc32c(bytes)).toBe(expected);
});

test("a checksum taken piece by piece is that of the whole", () => {
  const random = seeded(3);
  const bytes = Uint8Array.from({ length: 200 }, () => random() * 256);
  for (let cut = 0; cut <= bytes.length; cut++) {
    expect(crc32c(bytes, cut, bytes.length, crc32c(bytes, 0, cut))).toBe(crc32c(bytes));
  }
});

test("a range outside the bytes is refused", () => {
  for (const [start, end] of [
    [-1, 2],
    [0, 4],
    [3, 2],
    [Number.NaN, 2],
  ]) {
    expect(() => crc32c(new Uint8Array(3), start, end)).toThrow(RangeError);
  }
});

testWith("python", "every length from 0 to 300, at odd addresses too, agrees with crcmod", () => {
  const random = seeded(9);
  const buffer = Uint8Array.from({ length: 400 }, () => random() * 256);
  const parts = Array.from({ length: 301 }, (_, size) => buffer.subarray(size % 13, (size % 13) + size));
  const script = `
import sys, crcmod.predefined
crc = crcmod.predefined.mkPredefinedCrcFun("crc-32c")
for line in sys.stdin.read().split("\\n"): print(crc(bytes.fromhex(line)))`;
  const theirs = runPython(script, [], parts.map((part) => Buffer.from(part).toString("hex")).join("\n"));
  expect(parts.map((part) => crc32c(part))).toEqual(theirs.trim().split("\n").map(Number));
});
