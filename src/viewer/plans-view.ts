import { canvasSized } from "./canvas.ts";
import type { Plans } from "./map-plans.ts";
import { fitPlans, type Hatched, hatchDifferences, paintColumns } from "./plan-columns.ts";
import type { Theme } from "./theme.ts";

/** Pixels at the top for the name of the map. */
const NAME = 26;

/** Two maps from above side by side, at the same scale. Tiles that differ are hatched in both. */
export class PlansView {
  readonly #canvases: readonly HTMLCanvasElement[];
  readonly #scratch = document.createElement("canvas");
  #plans: Plans | null = null;
  #hatched: Hatched = "all";
  #theme: Theme | null = null;

  /** @param canvases of the baseline, and of the present settings */
  constructor(canvases: readonly [HTMLCanvasElement, HTMLCanvasElement]) {
    this.#canvases = canvases;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  show(plans: Plans | null, hatched: Hatched): void {
    this.#plans = plans;
    this.#hatched = hatched;
    this.draw();
  }

  draw(): void {
    const [plans, theme] = [this.#plans, this.#theme];
    if (plans === null || theme === null) return;
    this.#canvases.forEach((canvas, n) => {
      const context = canvas.getContext("2d")!;
      const size = canvasSized(canvas, context);
      if (size === null) return;
      const scale = fitPlans(context, plans, [0, NAME, size[0], size[1] - NAME]);
      paintColumns(this.#scratch, plans, n === 0 ? plans.baseline : plans.now, theme);
      context.drawImage(this.#scratch, 0, 0);
      hatchDifferences(context, plans, 1 / scale, { ink: theme.mark, which: this.#hatched });
    });
  }
}
