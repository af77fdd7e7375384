import { expect, test } from "vitest";
import { stuff, stuffedSize, unstuff } from "../../src/link/cobs.ts";
import { seeded } from "../helpers/recordings.ts";

const stuffed = (bytes: Uint8Array): Uint8Array => {
  const out = new Uint8Array(stuffedSize(bytes.length));
  return out.subarray(0, stuff(bytes, out));
};
const unstuffed = (bytes: Uint8Array): Uint8Array | null => {
  const out = new Uint8Array(bytes.length);
  const size = unstuff(bytes, 0, bytes.length, out);
  return size < 0 ? null : out.subarray(0, size);
};
const bytesOf = (text: string): Uint8Array => new Uint8Array(Buffer.from(text.replaceAll(" ", ""), "hex"));
/** Bytes that count up from `first` to `last`, both included. */
const counting = (first: number, last: number): string =>
  Array.from({ length: last - first + 1 }, (_, i) => (first + i).toString(16).padStart(2, "0")).join(" ");

// The first is the worked example of Cheshire & Baker (the beginning of an IP header); the others are the
// examples that encyclopaedias print. All from memory, and each follows from the paper's rules by hand.
test.each([
  ["the paper's example", "45 00 00 2C 4C 79 00 00 40 06 4F 37", "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"],
  ["nothing", "", "01"],
  ["a zero", "00", "01 01"],
  ["two zeros", "00 00", "01 01 01"],
  ["a zero at both ends", "00 11 00", "01 02 11 01"],
  ["a zero inside", "11 22 00 33", "03 11 22 02 33"],
  ["no zero", "11 22 33 44", "05 11 22 33 44"],
  ["zeros at the end", "11 00 00 00", "02 11 01 01 01"],
  ["254 bytes without a zero", counting(1, 254), `FF ${counting(1, 254)}`],
  ["a zero before 254 bytes", `00 ${counting(1, 254)}`, `01 FF ${counting(1, 254)}`],
  ["255 bytes without a zero", counting(1, 255), `FF ${counting(1, 254)} 02 FF`],
  ["254 bytes and a zero", `${counting(2, 255)} 00`, `FF ${counting(2, 255)} 01 01`],
  ["253 bytes, a zero, a byte", `${counting(3, 255)} 00 01`, `FE ${counting(3, 255)} 02 01`],
])("byte stuffing of %s is the published one", (_, plain, expected) => {
  expect(stuffed(bytesOf(plain))).toEqual(bytesOf(expected));
  expect(unstuffed(bytesOf(expected))).toEqual(bytesOf(plain));
});

test("any bytes come back, and stuffed ones have no zero and at most one byte more for each 254", () => {
  const random = seeded(17);
  for (let run = 0; run < 3000; run++) {
    const zeros = random();
    const plain = Uint8Array.from({ length: random() * 600 }, () => (random() < zeros ? 0 : random() * 256));
    const there = stuffed(plain);
    expect(there.includes(0)).toBe(false);
    expect(there.length).toBeLessThanOrEqual(plain.length + Math.ceil((plain.length + 1) / 254));
    expect(Buffer.from(unstuffed(there)!).equals(plain)).toBe(true);
  }
});

test("bytes that are not stuffed ones are refused, and nothing is written beyond the buffer", () => {
  expect(unstuffed(bytesOf("05 11 22"))).toBeNull(); // a run that is longer than the bytes
  expect(unstuffed(bytesOf("03 11 00"))).toBeNull(); // a zero inside
  expect(unstuff(bytesOf("05 11 22 33 44"), 0, 5, new Uint8Array(3))).toBe(-1);
  expect(unstuff(bytesOf("02 11 02 11"), 0, 4, new Uint8Array(1))).toBe(-1);
});
