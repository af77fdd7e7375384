import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { describe, expect, test } from "vitest";
import { cssOf, LIGHT, NIGHT, type Palette } from "../../src/terms/palette.ts";
import { SIGNS, type Sign } from "../../src/terms/signs.ts";

/** Relative luminance and contrast ratio of WCAG 2.1, definitions "relative luminance" and "contrast ratio". */
function luminance(colour: string): number {
  const [r, g, b] = [1, 3, 5].map((at) => {
    const share = Number.parseInt(colour.slice(at, at + 2), 16) / 255;
    return share <= 0.03928 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  }) as [number, number, number];
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
function contrast(a: string, b: string): number {
  const [low, high] = [luminance(a), luminance(b)].sort((x, y) => x - y) as [number, number];
  return (high + 0.05) / (low + 0.05);
}

describe.each([
  ["light", LIGHT],
  ["night", NIGHT],
] as const)("colours, %s", (_, palette: Palette) => {
  // WCAG 2.1, success criterion 1.4.3: text.
  test.each(["ink", "soft", "good", "bad", "mark", "accent"] as const)(
    "%s is read on paper and on cards",
    (name) => {
      expect(contrast(palette[name], palette.paper)).toBeGreaterThanOrEqual(4.5);
      expect(contrast(palette[name], palette.card)).toBeGreaterThanOrEqual(4.5);
    },
  );

  // WCAG 2.1, success criterion 1.4.11: graphics. The doubtful amber is left out: its dots carry it.
  test.each(["obstacle", "brink", "robot", "unseen"] as const)("%s is told from paper", (name) => {
    expect(contrast(palette[name], palette.paper)).toBeGreaterThanOrEqual(3);
  });

  test("a drop differs from firm floor by lightness alone", () => {
    expect(contrast(palette.brink, palette.firm)).toBeGreaterThanOrEqual(2.5);
  });
});

test.each([
  ["light", LIGHT],
  ["night", NIGHT],
] as const)(
  "every two signs of the ground differ by their pattern, or else by lightness, %s",
  (_, palette: Palette) => {
    const signs: [string, Sign][] = Object.entries(SIGNS);
    for (const [name, one] of signs) {
      for (const [otherName, other] of signs) {
        if (name === otherName || one.pattern !== other.pattern) continue;
        const ofFills = contrast(palette[one.fill], palette[other.fill]);
        const ofMarks = one.ink && other.ink ? contrast(palette[one.ink], palette[other.ink]) : 1;
        // Chosen by hand: a step of lightness that is seen without colour.
        expect(Math.max(ofFills, ofMarks), `${name}, ${otherName}`).toBeGreaterThanOrEqual(2);
      }
    }
  },
);

test("colours are defined in the palette and nowhere else", () => {
  const root = fileURLToPath(new URL("../..", import.meta.url));
  const found = ["src", "tools"].flatMap((folder) =>
    readdirSync(join(root, folder), { recursive: true, encoding: "utf8" })
      .filter((path) => /\.(ts|css|html)$/.test(path))
      .map((path) => join(folder, path))
      .filter((path) => /["': ]#[0-9a-f]{6}\b/i.test(readFileSync(join(root, path), "utf8"))),
  );
  // The chart's stands for the reader's own ink, and is none.
  expect(found.sort()).toEqual(["src/terms/palette.ts", "tools/output/chart.ts"]);
});

test("the page's style sheet takes every colour from the palette", () => {
  const path = fileURLToPath(new URL("../../src/viewer/page/page.css", import.meta.url));
  const sheet = readFileSync(path, "utf8");
  expect(sheet.match(/#[0-9a-f]{6}\b/gi)).toBeNull();
  const known = new Set([...cssOf(LIGHT).matchAll(/--[a-z-]+/g)].map(([name]) => name));
  const used = [...sheet.matchAll(/var\((--[a-z-]+)/g)].map(([, name]) => name!);
  expect(used.filter((name) => !known.has(name))).toEqual([]);
});
