import { PATTERNS, type Sign } from "../terms/signs.ts";
import type { Theme } from "./theme.ts";

/** A sign of the map as a fill style of a canvas. */
export function fillOf(
  context: CanvasRenderingContext2D,
  { fill, pattern, ink }: Sign,
  theme: Theme,
): CanvasPattern | string {
  if (pattern === undefined || ink === undefined) return theme[fill];
  const { size, path, ...rest } = PATTERNS[pattern];
  const tile = document.createElement("canvas");
  // At twice the resolution, for screens with two pixels a unit.
  const scale = 2;
  [tile.width, tile.height] = [scale * size, scale * size];
  const c = tile.getContext("2d")!;
  c.scale(scale, scale);
  c.fillStyle = theme[fill];
  c.fillRect(0, 0, size, size);
  c.fillStyle = c.strokeStyle = theme[ink];
  const marks = new Path2D(path);
  if ("stroke" in rest) {
    c.lineWidth = rest.stroke;
    c.stroke(marks);
  } else c.fill(marks);
  const made = context.createPattern(tile, "repeat");
  made?.setTransform(new DOMMatrix().scale(1 / scale));
  return made ?? theme[fill];
}

/** Draws the sign in `data-sign` on each `canvas.swatch` of the page. */
export function paintSwatches(signs: Readonly<Record<string, Sign>>, theme: Theme): void {
  for (const swatch of document.querySelectorAll<HTMLCanvasElement>("canvas.swatch")) {
    const sign = signs[swatch.dataset["sign"] ?? ""];
    if (sign === undefined) continue;
    const context = swatch.getContext("2d")!;
    [swatch.width, swatch.height] = [32, 24];
    context.setTransform(2, 0, 0, 2, 0, 0);
    context.fillStyle = fillOf(context, sign, theme);
    context.fillRect(0, 0, 16, 12);
  }
}
