import fc from "fast-check";
import { expect, test } from "vitest";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { packCodes, packImage, unpackCodes, unpackImage } from "../../src/wire/image.ts";

test("codes and images come back as they were", () => {
  const runs = fc.array(fc.tuple(fc.nat(7), fc.integer({ min: 1, max: 90 })), {
    minLength: 1,
    maxLength: 40,
  });
  fc.assert(
    fc.property(runs, (list) => {
      const codes = new Uint8Array(list.flatMap(([code, length]) => new Array<number>(length).fill(code)));
      expect(unpackCodes(packCodes(codes), codes.length)).toEqual(codes);
    }),
  );
  fc.assert(
    fc.property(fc.uint16Array({ minLength: 1, maxLength: 300 }), (image) => {
      expect(unpackImage(packImage(image), image.length)).toEqual(image);
    }),
  );
});

test("codes that are too many or too few are refused", () => {
  const bytes = packCodes(new Uint8Array(40).fill(3));
  expect(() => unpackCodes(bytes, 39)).toThrow(DecodeError);
  expect(() => unpackCodes(bytes, 41)).toThrow(DecodeError);
});
