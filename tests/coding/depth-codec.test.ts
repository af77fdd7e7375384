import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import fc from "fast-check";
import { decode as decodePng } from "fast-png";
import { expect, test } from "vitest";
import { decodeImage, encodeImage, MAX_PIXELS, maxEncodedSize } from "../../src/coding/depth-codec.ts";
import { sharedData, testWith } from "../helpers/needs.ts";
import { seeded } from "../helpers/recordings.ts";

function encoded(image: Uint16Array): Uint8Array {
  const out = new Uint8Array(maxEncodedSize(image.length) + 7).fill(0xee);
  const end = encodeImage(out, 3, image);
  if (out.subarray(0, 3).some((b) => b !== 0xee) || out.subarray(-4).some((b) => b !== 0xee)) {
    expect.fail("wrote outside its place");
  }
  return out.slice(3, end);
}

function decoded(bytes: Uint8Array, pixels: number): Uint16Array {
  const out = new Uint16Array(pixels).fill(0xbeef);
  decodeImage(out, bytes, 0, bytes.length);
  return out;
}

/** Not `toEqual`, which takes seconds for an image. */
const same = (a: Uint16Array, b: Uint16Array) =>
  a.length === b.length && a.every((count, i) => count === b[i]);

// By hand from docs/recording-format.md.
test("an image of 0 5 5 7 is the bytes that the description gives", () => {
  // Coding 1; runs (1, 3); widths: 4 bits; 5, 0, +2 as zigzag 10, 0, 4 in 4 bits each, the rest 0.
  expect([...encoded(Uint16Array.of(0, 5, 5, 7, 0, 0, 0, 0))]).toEqual([1, 1, 3, 4, 0, 4, 0x0a, 0x04, 0, 0]);
  // Packed, three pixels would take 8 bytes, more than raw: coding 0.
  expect([...encoded(Uint16Array.of(0, 5, 7))]).toEqual([0, 0, 0, 5, 0, 7, 0]);
});

test("a sensor's few distances are coded as steps between them", () => {
  const image = Uint16Array.from({ length: 64 }, (_, i) => (i % 2 === 0 ? 1000 : 9000));
  // Coding 2; 2 levels, 1000 = 999 + 1 and 9000 = 1000 + 7999 + 1; runs (0, 64); widths 2 twice in each of 4 bytes;
  // first 0, +1, -1, +1 ... as zigzag 0, 2, 1, 2, 1, 2, 1, 2 in 2 bits each, then 1, 2, 1, 2 ...
  const rest = Array.from({ length: 7 }, () => [0x99, 0x99]).flat();
  expect([...encoded(image)]).toEqual(
    [2, 2, 0xe7, 0x07, 0xbf, 0x3e, 0, 64, 0x22, 0x22, 0x22, 0x22, 0x98, 0x99].concat(rest),
  );
});

test("any image comes back as it was", () => {
  const count = fc.oneof(
    fc.constant(0),
    fc.integer({ min: 0, max: 65535 }),
    fc.integer({ min: 900, max: 960 }),
  );
  fc.assert(
    fc.property(fc.array(count, { maxLength: 300 }), (counts) => {
      const image = Uint16Array.from(counts);
      expect(same(decoded(encoded(image), image.length), image)).toBe(true);
    }),
    { seed: 1, numRuns: 3000 },
  );
});

test("every width of differences, and runs and holes of every length, come back as they were", () => {
  const random = seeded(6);
  for (let bits = 0; bits <= 16; bits++) {
    for (let hole = 0; hole < 200; hole += 7) {
      const image = Uint16Array.from({ length: 1000 }, (_, i) =>
        i % 331 < hole ? 0 : 1 + ((20_000 + Math.floor(random() * 2 ** bits)) & 0xffff),
      );
      expect(same(decoded(encoded(image), image.length), image)).toBe(true);
    }
  }
});

test("an image never takes more than one byte more than its raw size", () => {
  const random = seeded(8);
  const noise = Uint16Array.from({ length: 5000 }, () => random() * 65536);
  expect(encoded(noise).length).toBeLessThanOrEqual(1 + 2 * noise.length);
  const saw = Uint16Array.from({ length: 5000 }, (_, i) => (i * 40_503) % 65_536);
  expect(encoded(saw).length).toBeLessThanOrEqual(1 + 2 * saw.length);
});

test("an image without any return takes a few bytes", () => {
  expect(encoded(new Uint16Array(640 * 480)).length).toBeLessThan(8);
});

test("a place too small for the worst case, and an image too large, are a caller's mistake", () => {
  expect(() => encodeImage(new Uint8Array(20), 0, new Uint16Array(10))).toThrow(RangeError);
  expect(() => encodeImage(new Uint8Array(20), 0, new Uint16Array(MAX_PIXELS + 1))).toThrow(RangeError);
  expect(() => decodeImage(new Uint16Array(1), new Uint8Array(3), 1, 9)).toThrow(RangeError);
});

testWith("open-data", "recorded depth comes back as it was, in less than 45 % of its size", () => {
  for (const folder of ["depth-office/frames", "depth-living-room/depth", "depth-living-room/noisy5/depth"]) {
    const path = join(sharedData()!, folder);
    const names = readdirSync(path).filter((name) => name.endsWith(".png"));
    let raw = 0;
    let coded = 0;
    names
      .filter((_, i) => i % 5 === 0 || names.length < 20)
      .forEach((name) => {
        const image = decodePng(readFileSync(join(path, name))).data as Uint16Array;
        const bytes = encoded(image);
        if (!same(decoded(bytes, image.length), image)) expect.fail(`${name} came back changed`);
        raw += image.byteLength;
        coded += bytes.length;
      });
    expect(names.length).toBeGreaterThan(4);
    expect(coded / raw, folder).toBeLessThan(0.45);
  }
});
