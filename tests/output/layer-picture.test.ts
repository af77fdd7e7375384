import { decode } from "fast-png";
import { expect, test } from "vitest";
import { LIGHT } from "../../src/terms/palette.ts";
import { SIGNS } from "../../src/terms/signs.ts";
import { Drawing, textWidth, wrapText } from "../../tools/output/drawing.ts";
import { drawLayer, type LayerOptions, type Style } from "../../tools/output/layer-picture.ts";

type Rgb = readonly [red: number, green: number, blue: number];

/** A drawing's pixels, as a decoder of its own sees them. */
async function pixelsOf(drawing: Drawing): Promise<(x: number, y: number) => string> {
  const { width, data, channels } = decode(await drawing.toPng());
  return (x, y) => {
    const at = channels * (Math.floor(y) * width + Math.floor(x));
    return hex([data[at]!, data[at + 1]!, data[at + 2]!]);
  };
}
const hex = (rgb: Rgb): string => `#${rgb.map((value) => value.toString(16).padStart(2, "0")).join("")}`;

const RED = "#c80a0a";
const GREEN = "#0ac80a";
const WHITE = "#ffffff";
const plain = (label: string, fill: string): Style => ({ label, fill });

test("a text is as wide as it is measured, in the font that it is drawn with", async () => {
  const text = "Map of a hall, 12 m";
  const drawing = new Drawing(300, 40, WHITE);
  drawing.text(10, 30, text, { size: 20, color: "#000000" });
  const at = await pixelsOf(drawing);
  let right = 0;
  for (let x = 0; x < 300; x++) for (let y = 0; y < 40; y++) if (at(x, y) < "#808080") right = x;
  // The last letter has a little room to its right.
  expect(right).toBeGreaterThan(10 + textWidth(text, 20) - 5);
  expect(right).toBeLessThanOrEqual(10 + textWidth(text, 20));
});

test("a text is broken between words, and a word that is too wide by itself is cut", () => {
  const width = textWidth("one two", 20);
  expect(wrapText("one two three", width, 20)).toEqual(["one two", "three"]);
  const [cut] = wrapText("immeasurableness", width, 20);
  expect(cut).toMatch(/^imm.*\.\.$/);
  expect(textWidth(cut!, 20)).toBeLessThanOrEqual(width);
});

test("a layer's first row is at the bottom, each cell a square of whole pixels", async () => {
  const layer = [1, 0, 0, 0, 0, 0]; // 3 x 2: the corner of least x and y
  const styles = [plain("none", "#f0f0f0"), plain("one", RED)];
  const { drawing, plot } = drawLayer({
    title: "t",
    layer,
    width: 3,
    height: 2,
    styles,
    cellSize: 0.1,
    scale: 20,
  });
  const at = await pixelsOf(drawing);
  const inMap = (x: number, y: number) => at(plot.left + x, plot.top + y);
  expect(inMap(1, 38)).toBe(RED);
  expect(inMap(19, 21)).toBe(RED);
  expect(inMap(21, 38)).toBe("#f0f0f0");
  expect(inMap(1, 19)).toBe("#f0f0f0");
});

test("every cell is filled as its class says, however the classes lie", async () => {
  // A pattern without long runs: each cell differs from its neighbours in some direction.
  const [width, height] = [13, 9];
  const layer = Array.from({ length: width * height }, (_, n) => (n * n + (n >> 2)) % 3);
  const fills = ["#f0f0f0", RED, GREEN];
  const styles = fills.map((fill, n) => plain(String(n), fill));
  const { drawing, plot } = drawLayer({ title: "", layer, width, height, styles, cellSize: 0.01, scale: 6 });
  const at = await pixelsOf(drawing);
  layer.forEach((value, n) => {
    const [col, row] = [n % width, Math.floor(n / width)];
    const y = plot.top + (height - 1 - row) * plot.scale + 3;
    expect(at(plot.left + col * plot.scale + 3, y), `cell ${col}, ${row}`).toBe(fills[value]);
  });
});

const floor: LayerOptions = {
  title: "",
  layer: new Uint8Array(100 * 60),
  width: 100,
  height: 60,
  cellSize: 0.05,
  scale: 4,
  styles: [plain("", "#f0f0f0")],
};

test("an edge of a drop is drawn over the path, where it is, with ticks to the side where the floor is gone", async () => {
  const { drawing, plot } = drawLayer({
    ...floor,
    origin: [10, 20],
    overlays: [
      { kind: "path", label: "path", points: [12.5, 20.1, 12.5, 22.9] },
      {
        kind: "drops",
        label: "edge",
        drops: [{ points: [[10.5, 21.5], [14.5, 21.5]], depth: 0.33 }], // biome-ignore format: two points
        isGone: (_, y) => y > 21.5,
      },
    ],
  });
  const at = await pixelsOf(drawing);
  // 80 pixels a metre; y up: 1.5 m from the bottom of 3 m is 120 pixels below the top.
  const inMap = (x: number, y: number) => at(plot.left + 80 * (x - 10), plot.top + 80 * (23 - y));
  for (const x of [10.6, 11.3, 12.5, 14.4]) expect(inMap(x, 21.5)).toBe(LIGHT.brink);
  expect(inMap(12.5, 20.5)).toBe(LIGHT.robot);
  const brinkRow = (y: number): number =>
    Array.from({ length: 320 }, (_, n) => inMap(10.5 + n / 80, y)).filter((one) => one === LIGHT.brink)
      .length;
  // Ticks are 12 pixels long: 0.1 m to the low side meets them, to the high side nothing.
  expect(brinkRow(21.6)).toBeGreaterThan(20);
  expect(brinkRow(21.4)).toBe(0);
});

test("an edge has the depth of its drop; one without a bottom is labelled so", () => {
  const svgOf = (depth: number): string =>
    drawLayer({
      ...floor,
      overlays: [
        {
          kind: "drops",
          label: "edge",
          drops: [{ points: [[0.5, 1.5], [4.5, 1.5]], depth }], // biome-ignore format: two points
          isGone: () => false,
        },
      ],
    }).drawing.toSvg();
  expect(svgOf(0.33)).toContain(">33 cm</text>");
  expect(svgOf(1.26)).toContain(">1.3 m</text>");
  expect(svgOf(Number.NaN)).toContain(">no bottom seen</text>");
});

test("the scale bar has its stated length", async () => {
  // 80 pixels a metre, 5 m across. A quarter is 1.25 m, so the bar has 1 m.
  const { drawing, plot } = drawLayer(floor);
  expect(drawing.toSvg()).toContain(">1 m</text>");
  const at = await pixelsOf(drawing);
  const y = plot.top + 60 * 4 + 24 + 14; // below the map and the numbers of its grid
  let length = 0;
  while (at(plot.left + length, y) === LIGHT.ink) length++;
  expect(length).toBe(80);
});

test("a title that is too wide takes more lines, and the map moves down by them", () => {
  const short = drawLayer({ ...floor, title: "Hall" });
  const long = drawLayer({ ...floor, title: "Hall ".repeat(30) });
  expect(long.plot.top - short.plot.top).toBeGreaterThan(20);
  expect(long.plot.left).toBe(short.plot.left);
  expect(long.drawing.height - short.drawing.height).toBe(long.plot.top - short.plot.top);
});

test("signs that stand for different things differ by pattern or lightness, not by colour alone", () => {
  const luma = (colour: string) => {
    const [r, g, b] = [1, 3, 5].map((at) => Number.parseInt(colour.slice(at, at + 2), 16)) as [
      number,
      number,
      number,
    ];
    return 0.299 * r + 0.587 * g + 0.114 * b; // ITU-R BT.601
  };
  const all = Object.entries(SIGNS).map(([name, sign]) => ({ pattern: "plain", ...sign, name }));
  for (const a of all) {
    for (const b of all) {
      if (a.name === b.name) continue;
      const isPatternOther = a.pattern !== b.pattern;
      const isLightnessOther = Math.abs(luma(LIGHT[a.fill]) - luma(LIGHT[b.fill])) > 20;
      expect(isPatternOther || isLightnessOther, `${a.name}, ${b.name}`).toBe(true);
    }
  }
});

test("a layer that doesn't fit its size or its styles, or is too large to draw, is refused", () => {
  const styles = [plain("clear", WHITE)];
  const options = { title: "", layer: [0, 1], width: 2, height: 1, styles, cellSize: 0.05 };
  expect(() => drawLayer(options)).toThrow("cell 1, 0 has class 1");
  expect(() => drawLayer({ ...options, width: 3 })).toThrow("2 cells for 3 x 1");
  expect(() => drawLayer({ ...options, scale: 1e5 })).toThrow("at most");
  expect(() => drawLayer({ ...options, cellSize: 0 })).toThrow("cells of 0 m");
});
