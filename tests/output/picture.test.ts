import { expect, test } from "vitest";
import { glyphRows } from "../../tools/output/font.ts";
import {
  type Color,
  drawDepth,
  drawLayer,
  OKABE_ITO,
  Picture,
  STYLES,
  type Style,
  textWidth,
} from "../../tools/output/picture.ts";

const at = (picture: Picture, x: number, y: number): Color => {
  const i = 3 * (y * picture.width + x);
  return [picture.pixels[i]!, picture.pixels[i + 1]!, picture.pixels[i + 2]!];
};

/** Where pixels of a colour are: left, top, right, bottom, both ends included. */
function extent(picture: Picture, color: Color): number[] {
  const box = [Number.POSITIVE_INFINITY, Number.POSITIVE_INFINITY, -1, -1];
  for (let y = 0; y < picture.height; y++) {
    for (let x = 0; x < picture.width; x++) {
      if (at(picture, x, y).join() !== color.join()) continue;
      box[0] = Math.min(box[0]!, x);
      box[1] = Math.min(box[1]!, y);
      box[2] = Math.max(box[2]!, x);
      box[3] = Math.max(box[3]!, y);
    }
  }
  return box;
}

const plain = (label: string, color: Color): Style => ({ label, color });
const RED: Color = [200, 10, 10];
const GREEN: Color = [10, 200, 10];

test("every printable ASCII character has a look of its own", () => {
  const looks = new Set<string>();
  for (let code = 32; code < 127; code++) looks.add(glyphRows(String.fromCharCode(code)).join());
  expect(looks.size).toBe(95);
  expect(looks.has(glyphRows("é").join())).toBe(false);
});

test("text is as wide as it says, and cut off at the picture's edge", () => {
  const picture = new Picture(40, 20);
  picture.text(3, 5, "HI", RED, 2);
  expect(extent(picture, RED)).toEqual([3, 5, 3 + textWidth("HI", 2) - 1 - 2, 5 + 13]); // an I has an empty right column
  picture.text(35, 15, "HHHH", GREEN);
  picture.text(-3, -3, "HHHH", GREEN);
  expect(picture.pixels).toHaveLength(40 * 20 * 3);
});

test("a layer's first row is at the bottom, each cell a square of whole pixels, and y points up for overlays too", () => {
  const layer = [1, 0, 0, 0, 0, 0]; // 3 x 2: the corner of least x and y
  const styles = [plain("none", [240, 240, 240]), plain("one", RED)];
  const overlays = [
    // Metres: the middle of the cell at the top right.
    { label: "spot", kind: "dots", color: GREEN, points: [10 + 2.5 * 0.1, 20 + 1.5 * 0.1] },
  ] as const;
  const options = {
    title: "t",
    layer,
    width: 3,
    height: 2,
    styles: [styles[0]!, { ...styles[1]!, label: "" }],
  };
  const picture = drawLayer({ ...options, cellSize: 0.1, origin: [10, 20], scale: 20, overlays });
  const inMap = (x: number, y: number) => at(picture, 11 + x, 29 + y);
  expect(inMap(0, 39)).toEqual(RED);
  expect(inMap(19, 20)).toEqual(RED);
  expect(inMap(20, 20)).toEqual([240, 240, 240]);
  expect(inMap(0, 19)).toEqual([240, 240, 240]);
  expect(inMap(50, 10)).toEqual(GREEN);
  const topFirst = drawLayer({ ...options, cellSize: 0.1, origin: [10, 20], scale: 20, topFirst: true });
  expect(at(topFirst, 11, 29)).toEqual(RED);
});

test("the scale bar is as long as it says", () => {
  // 100 cells of 5 cm at 4 pixels: 80 pixels a metre, 5 m across. A third is 1.67 m, so the bar has 1 m.
  const picture = drawLayer({
    ...{ title: "", layer: new Uint8Array(100 * 30), width: 100, height: 30, cellSize: 0.05, scale: 4 },
    styles: [plain("", [250, 250, 250])],
  });
  const y = 29 + 120 + 1 + 10 + 3; // below the map and its frame
  let length = 0;
  while (at(picture, 11 + length, y).join() === "0,0,0") length++;
  expect(length).toBe(80);
});

test("a title that is too wide goes on below, larger text takes more room, and neither moves the map's own pixels", () => {
  const options = {
    ...{ layer: [0, 1], width: 2, height: 1, cellSize: 0.1, scale: 120 },
    styles: [plain("one", RED), plain("two", GREEN)],
  };
  // The layer is 240 pixels wide: 20 letters of 12 pixels, twice the font's 5 and a gap.
  const short = drawLayer({ ...options, title: "twenty letters wide.", textSize: 2 });
  const long = drawLayer({ ...options, title: "twenty letters wide. and more", textSize: 2 });
  const firstRed = (picture: Picture) => extent(picture, RED)[1]!;
  expect(long.height - short.height).toBe(20);
  expect(firstRed(long) - firstRed(short)).toBe(20);
  const inkBelow = (picture: Picture, from: number, to: number) => {
    let count = 0;
    for (let y = from; y < to; y++)
      for (let x = 0; x < picture.width; x++) if (at(picture, x, y).join() === "0,0,0") count++;
    return count;
  };
  // Letters of the same text at twice the size have four times the ink.
  const small = drawLayer({ ...options, title: "twenty letters wide." });
  expect(inkBelow(short, 0, 30)).toBe(4 * inkBelow(small, 0, 25));
  expect(inkBelow(long, 28, 48)).toBeGreaterThan(0);
  expect(at(long, 20, firstRed(long) + 119)).toEqual(RED);
  expect(at(long, 140, firstRed(long))).toEqual(GREEN);
});

test("the map's own styles differ without colour: by pattern, or by lightness", () => {
  const luma = ([r, g, b]: Color) => 0.299 * r + 0.587 * g + 0.114 * b; // ITU-R BT.601
  const styles: Style[] = [STYLES.unknown, STYLES.clear, STYLES.blocked, STYLES.lowOverhead];
  for (const a of styles) {
    for (const b of styles) {
      if (a === b) continue;
      const isPatternOther = (a.pattern ?? "plain") !== (b.pattern ?? "plain");
      expect(isPatternOther || Math.abs(luma(a.color) - luma(b.color)) > 60, `${a.label}, ${b.label}`).toBe(
        true,
      );
    }
  }
});

test("nearer is lighter all the way, and no return is hatched", () => {
  const counts = Uint16Array.from({ length: 400 }, (_, i) => 1000 + 10 * (i % 200));
  counts.fill(0, 390);
  const picture = drawDepth({ title: "ramp", counts, width: 200, height: 2, unit: 0.001, near: 1, far: 3 });
  const luma = (x: number) => {
    const [r, g, b] = at(picture, 11 + x, 29);
    return 0.299 * r + 0.587 * g + 0.114 * b;
  };
  for (let x = 1; x < 200; x++) expect(luma(x)).toBeLessThanOrEqual(luma(x - 1));
  expect(luma(0) - luma(199)).toBeGreaterThan(200);
  const missing = Array.from({ length: 10 }, (_, i) => at(picture, 11 + 190 + i, 30).join());
  expect(new Set(missing).size).toBe(2);
  expect(missing).toContain(OKABE_ITO.orange.join());
});

test("a layer that doesn't fit its size or its styles, or is too large to draw, is refused", () => {
  const options = { title: "", layer: [0, 1], width: 2, height: 1, styles: [STYLES.clear], cellSize: 0.05 };
  expect(() => drawLayer(options)).toThrow("cell 1, 0 has class 1");
  expect(() => drawLayer({ ...options, width: 3 })).toThrow("2 cells for 3 x 1");
  expect(() => drawLayer({ ...options, scale: 1e5 })).toThrow("at most");
  expect(() => drawLayer({ ...options, cellSize: 0 })).toThrow("cells of 0 m");
  expect(() => drawDepth({ title: "", counts: [1], width: 2, height: 1, unit: 1 })).toThrow(
    "1 cells for 2 x 1",
  );
});
