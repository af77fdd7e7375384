import { canvasSized } from "./canvas.ts";
import { COLUMN, type Plans, TILE } from "./map-plans.ts";
import type { Theme } from "./theme.ts";

/** A tile is marked when at least this many of its 64 columns differ: single columns flicker. */
const UNLIKE = 4;
/** Pixels at the top for the name of the map. */
const NAME = 26;

/** Two maps from above side by side, at the same scale. Tiles that differ are hatched in both. */
export class PlansView {
  readonly #canvases: readonly HTMLCanvasElement[];
  readonly #scratch = document.createElement("canvas");
  #plans: Plans | null = null;
  #theme: Theme | null = null;

  /** @param canvases of the baseline, and of the present settings */
  constructor(canvases: readonly [HTMLCanvasElement, HTMLCanvasElement]) {
    this.#canvases = canvases;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  show(plans: Plans | null): void {
    this.#plans = plans;
    this.draw();
  }

  draw(): void {
    const [plans, theme] = [this.#plans, this.#theme];
    if (plans === null || theme === null) return;
    this.#canvases.forEach((canvas, n) => {
      const context = canvas.getContext("2d")!;
      const size = canvasSized(canvas, context);
      if (size === null) return;
      const [wide, high] = [size[0], size[1] - NAME];
      const scale = Math.min(wide / plans.width, high / plans.height);
      // y points up: rows run from the bottom.
      context.translate((wide - scale * plans.width) / 2, NAME + (high + scale * plans.height) / 2);
      context.scale(scale, -scale);
      this.#paintColumns(plans, n === 0 ? plans.baseline : plans.now, theme);
      context.drawImage(this.#scratch, 0, 0);
      hatchDifferences(context, plans, 1 / scale, theme.mark);
    });
  }

  /** Paints the scratch canvas, one pixel per column. */
  #paintColumns({ width, height }: Plans, codes: Uint8Array, theme: Theme): void {
    const scratch = this.#scratch;
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
}

/** @param pixel size of a pixel of the page, in columns */
function hatchDifferences(context: CanvasRenderingContext2D, plans: Plans, pixel: number, ink: string): void {
  context.strokeStyle = ink;
  context.lineWidth = 1.5 * pixel;
  context.beginPath();
  for (const [col, row] of tilesUnlike(plans)) {
    context.rect(col, row, TILE, TILE);
    context.moveTo(col, row);
    context.lineTo(col + TILE, row + TILE);
  }
  context.stroke();
}

/** Corners of the tiles that differ. */
function* tilesUnlike({
  width,
  height,
  baseline,
  now,
}: Plans): Generator<readonly [col: number, row: number]> {
  for (let row = 0; row < height; row += TILE) {
    for (let col = 0; col < width; col += TILE) {
      let unlike = 0;
      for (let n = 0; n < TILE * TILE; n++) {
        const at = (row + Math.floor(n / TILE)) * width + col + (n % TILE);
        if (baseline[at] !== now[at]) unlike++;
      }
      if (unlike >= UNLIKE) yield [col, row];
    }
  }
}
