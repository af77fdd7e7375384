import { COLUMN, type Plans, TILE } from "./map-plans.ts";
import type { Theme } from "./theme.ts";

// Drawing of maps from above, as they are compared.

/** A tile is marked when at least this many of its 64 columns differ: single columns flicker. */
const UNLIKE = 4;

/** Puts the plans into the middle of a rectangle: afterwards a unit is a column, y points up. @returns pixels of a column */
export function fitPlans(
  context: CanvasRenderingContext2D,
  { width, height }: Plans,
  [left, top, wide, high]: readonly [number, number, number, number],
): number {
  const scale = Math.min(wide / width, high / height);
  context.translate(left + (wide - scale * width) / 2, top + (high + scale * height) / 2);
  context.scale(scale, -scale);
  return scale;
}

/** Paints columns into a canvas of their size, one pixel per column. */
export function paintColumns(
  scratch: HTMLCanvasElement,
  { width, height }: Plans,
  codes: Uint8Array,
  theme: Theme,
): void {
  scratch.width = width;
  scratch.height = height;
  const context = scratch.getContext("2d")!;
  const inks = {
    [COLUMN.overhead]: theme.mapOverhead,
    [COLUMN.floor]: theme.mapFloor,
    [COLUMN.standing]: theme.mapStanding,
  };
  for (const [code, ink] of Object.entries(inks)) {
    context.fillStyle = ink;
    for (let n = 0; n < codes.length; n++) {
      if (codes[n] !== Number(code)) continue;
      // Things above the robot are striped, as on the map.
      if (codes[n] === COLUMN.overhead && (n % width) % 4 > 1) continue;
      context.fillRect(n % width, Math.floor(n / width), 1, 1);
    }
  }
}

/** The columns that are compared: all; those that both maps have, as two drives leave out different parts; or none. */
export type Hatched = "all" | "shared" | "none";

/** Hatches tiles that differ. @param pixel size of a pixel of the page, in columns */
export function hatchDifferences(
  context: CanvasRenderingContext2D,
  plans: Plans,
  pixel: number,
  { ink, which }: { readonly ink: string; readonly which: Hatched },
): void {
  if (which === "none") return;
  context.strokeStyle = ink;
  context.lineWidth = 1.5 * pixel;
  context.beginPath();
  for (const [col, row] of tilesUnlike(plans, which === "shared")) {
    context.rect(col, row, TILE, TILE);
    context.moveTo(col, row);
    context.lineTo(col + TILE, row + TILE);
  }
  context.stroke();
}

/** Corners of the tiles that differ. @param isShared whether only columns count that neither map has empty */
function* tilesUnlike(
  { width, height, baseline, now }: Plans,
  isShared: boolean,
): Generator<readonly [col: number, row: number]> {
  for (let row = 0; row < height; row += TILE) {
    for (let col = 0; col < width; col += TILE) {
      let unlike = 0;
      for (let n = 0; n < TILE * TILE; n++) {
        const at = (row + Math.floor(n / TILE)) * width + col + (n % TILE);
        if (isShared && (baseline[at] === COLUMN.empty || now[at] === COLUMN.empty)) continue;
        if (baseline[at] !== now[at]) unlike++;
      }
      if (unlike >= UNLIKE) yield [col, row];
    }
  }
}
