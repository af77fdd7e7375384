import { decode } from "fast-png";
import { expect, test } from "vitest";
import { FONT_FAMILY, svgToPng } from "../../src/service/maps/rasterize.ts";

const svg = (body: string) =>
  `<svg xmlns="http://www.w3.org/2000/svg" width="60" height="20" viewBox="0 0 60 20">${body}</svg>`;

test("a unit of the SVG is a pixel of the PNG", async () => {
  const { width, height, data, channels } = decode(
    await svgToPng(
      svg('<rect width="60" height="20" fill="#fff"/><rect x="10" width="5" height="3" fill="#d55e00"/>'),
    ),
  );
  expect([width, height]).toEqual([60, 20]);
  const at = (x: number, y: number) => [
    ...data.slice(channels * (y * width + x), channels * (y * width + x) + 3),
  ];
  expect([at(9, 0), at(10, 0), at(14, 2), at(15, 2), at(10, 3)]).toEqual([
    [255, 255, 255],
    [213, 94, 0],
    [213, 94, 0],
    [255, 255, 255],
    [255, 255, 255],
  ]);
});

test("text is drawn with the font in the package, accents and signs included", async () => {
  const ink = async (text: string) => {
    const body = `<text x="2" y="16" font-family="${FONT_FAMILY}" font-size="14">${text}</text>`;
    const { data } = decode(await svgToPng(svg(`<rect width="60" height="20" fill="#fff"/>${body}`)));
    return data.filter((value) => value < 128).length;
  };
  expect(await ink("")).toBe(0);
  // A missing glyph would be a box, the same for each of them.
  const inks = await Promise.all(["é", "×", "–", "°"].map(ink));
  expect(new Set(inks).size).toBe(4);
  expect(Math.min(...inks)).toBeGreaterThan(0);
});

test("what is not SVG is refused", async () => {
  await expect(svgToPng("<svg")).rejects.toThrow();
});
