import { canvasSized } from "./canvas.ts";
import { COLUMN, type Plans, TILE } from "./plan.ts";
import type { Theme } from "./theme.ts";

/** So many columns of a tile are not alike before it is marked: single ones flicker. */
const UNLIKE = 4;
/** Pixels at the top that the name of the map takes. */
const TAG = 26;

/** Two maps from above beside each other, at one scale; tiles that are not alike are hatched in both. */
export class PlanView {
  readonly #canvases: readonly HTMLCanvasElement[];
  readonly #scratch = document.createElement("canvas");
  #plans: Plans | null = null;
  #theme: Theme | null = null;

  /** @param canvases of before, and of now */
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
      const [wide, high] = [size[0], size[1] - TAG];
      const scale = Math.min(wide / plans.width, high / plans.height);
      // North is up: rows run from below.
      context.translate((wide - scale * plans.width) / 2, TAG + (high + scale * plans.height) / 2);
      context.scale(scale, -scale);
      this.#drawColumns(context, plans, n === 0 ? plans.before : plans.now, theme);
      this.#hatch(context, plans, 1 / scale, theme.mark);
    });
  }

  #drawColumns(
    context: CanvasRenderingContext2D,
    { width, height }: Plans,
    codes: Uint8Array,
    theme: Theme,
  ): void {
    const scratch = this.#scratch;
    scratch.width = width;
    scratch.height = height;
    const paper = scratch.getContext("2d")!;
    const inks = {
      [COLUMN.over]: theme.mapOverhead,
      [COLUMN.floor]: theme.mapFloor,
      [COLUMN.body]: theme.mapStanding,
    };
    for (const [code, ink] of Object.entries(inks)) {
      paper.fillStyle = ink;
      for (let n = 0; n < codes.length; n++) {
        if (codes[n] !== Number(code)) continue;
        // As on the map itself, what hangs above is striped.
        if (codes[n] === COLUMN.over && (n % width) % 4 > 1) continue;
        paper.fillRect(n % width, Math.floor(n / width), 1, 1);
      }
    }
    context.drawImage(scratch, 0, 0);
  }

  /** @param pixel of the screen, in columns */
  #hatch(context: CanvasRenderingContext2D, plans: Plans, pixel: number, ink: string): void {
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
}

/** Corners of the tiles that are not alike in both. */
function* tilesUnlike({ width, height, before, now }: Plans): Generator<readonly [col: number, row: number]> {
  for (let row = 0; row < height; row += TILE) {
    for (let col = 0; col < width; col += TILE) {
      let unlike = 0;
      for (let n = 0; n < TILE * TILE; n++) {
        const at = (row + Math.floor(n / TILE)) * width + col + (n % TILE);
        if (before[at] !== now[at]) unlike++;
      }
      if (unlike >= UNLIKE) yield [col, row];
    }
  }
}
