import { canvasSized } from "./canvas.ts";
import { byId } from "./dom.ts";
import type { Plans } from "./map-plans.ts";
import { fitPlans, type Hatched, hatchDifferences, paintColumns } from "./plan-columns.ts";
import type { Curve } from "./run-pairs.ts";
import type { Theme } from "./theme.ts";

/** Pixels around the plan. */
const MARGIN = 34;
/** Pixels of a ring around the place of a difference. */
const RING = 10;

/** What the swipe shows: two plans in one, each side with its name and its path. */
export interface Swiped {
  readonly plans: Plans;
  readonly hatched: Hatched;
  readonly names: readonly [was: string, now: string];
  readonly paths: readonly [was: Curve, now: Curve];
  /** Places of the listed differences, metres, by their number from 1. */
  readonly marks: ReadonlyMap<number, { readonly x: number; readonly y: number }>;
}

/** One plan over the map: left of the bar the one run, right of it the other. The bar is dragged, or moved by keys. */
export class SwipeView {
  readonly #box = byId("swipe-box");
  readonly #canvas = byId<HTMLCanvasElement>("swipe-plan");
  readonly #bar = byId<HTMLInputElement>("swipe");
  readonly #open = byId<HTMLButtonElement>("swipe-open");
  readonly #scratch = document.createElement("canvas");
  #theme: Theme | null = null;
  #swiped: Swiped | null = null;
  /** Called when the swipe is opened. */
  onOpen: () => void = () => {};

  constructor() {
    this.#open.addEventListener("click", () => this.#setOpen(!this.isOpen));
    byId("swipe-close").addEventListener("click", () => this.#setOpen(false));
    this.#box.addEventListener("keydown", (event) => {
      if (event.key === "Escape") this.#setOpen(false);
    });
    this.#bar.addEventListener("input", () => this.draw());
    const drag = (event: PointerEvent): void => {
      this.#bar.value = String((100 * event.offsetX) / Math.max(1, this.#canvas.clientWidth));
      this.draw();
    };
    this.#canvas.addEventListener("pointerdown", (event) => {
      this.#canvas.setPointerCapture(event.pointerId);
      drag(event);
    });
    this.#canvas.addEventListener("pointermove", (event) => {
      if (this.#canvas.hasPointerCapture(event.pointerId)) drag(event);
    });
  }

  get isOpen(): boolean {
    return !this.#box.hidden;
  }

  #setOpen(isOpen: boolean): void {
    this.#box.hidden = !isOpen;
    this.#open.setAttribute("aria-pressed", String(isOpen));
    if (isOpen) {
      this.onOpen();
      this.draw();
      this.#bar.focus();
    } else this.#open.focus();
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  /** @param swiped null: there is nothing to show, and an open swipe closes */
  show(swiped: Swiped | null): void {
    this.#swiped = swiped;
    this.#open.disabled = swiped === null;
    if (swiped === null) {
      this.#box.hidden = true;
      this.#open.setAttribute("aria-pressed", "false");
    } else this.draw();
  }

  draw(): void {
    const [swiped, theme] = [this.#swiped, this.#theme];
    if (swiped === null || theme === null || !this.isOpen) return;
    const context = this.#canvas.getContext("2d")!;
    const size = canvasSized(this.#canvas, context);
    if (size === null) return;
    const [wide, high] = size;
    const bar = Math.round((Number(this.#bar.value) / 100) * wide);
    drawSide(context, this.#scratch, { swiped, theme, side: 0, from: 0, to: bar, high, wide });
    drawSide(context, this.#scratch, { swiped, theme, side: 1, from: bar, to: wide, high, wide });
    context.fillStyle = theme.ink;
    context.fillRect(bar - 1, 0, 2, high);
    drawName(context, theme, swiped.names[0], bar - 8, "right");
    drawName(context, theme, swiped.names[1], bar + 8, "left");
  }
}

interface Side {
  readonly swiped: Swiped;
  readonly theme: Theme;
  readonly side: 0 | 1;
  /** Pixels between which this side is seen. */
  readonly from: number;
  readonly to: number;
  readonly wide: number;
  readonly high: number;
}

function drawSide(
  context: CanvasRenderingContext2D,
  scratch: HTMLCanvasElement,
  { swiped, theme, side, from, to, wide, high }: Side,
): void {
  const { plans, hatched, paths, marks } = swiped;
  context.save();
  context.beginPath();
  context.rect(from, 0, to - from, high);
  context.clip();
  const scale = fitPlans(context, plans, [MARGIN, MARGIN, wide - 2 * MARGIN, high - 2 * MARGIN]);
  paintColumns(scratch, plans, side === 0 ? plans.baseline : plans.now, theme);
  context.imageSmoothingEnabled = false;
  context.drawImage(scratch, 0, 0);
  hatchDifferences(context, plans, 1 / scale, { ink: theme.mark, which: hatched });
  const columnOf = (x: number, y: number): readonly [number, number] => [
    x / plans.cell - plans.west,
    y / plans.cell - plans.south,
  ];
  context.strokeStyle = theme.robot;
  context.lineWidth = 2 / scale;
  // The run before is dashed: colour alone would not tell the two apart where the bar crosses them.
  context.setLineDash(side === 0 ? [6 / scale, 4 / scale] : []);
  context.beginPath();
  for (const { place } of paths[side]) if (place !== null) context.lineTo(...columnOf(place.x, place.y));
  context.stroke();
  context.setLineDash([]);
  for (const [number, { x, y }] of marks) drawMark(context, theme, scale, columnOf(x, y), number);
  context.restore();
}

function drawMark(
  context: CanvasRenderingContext2D,
  theme: Theme,
  scale: number,
  [col, row]: readonly [number, number],
  number: number,
): void {
  context.save();
  context.translate(col, row);
  context.scale(1 / scale, -1 / scale);
  context.beginPath();
  context.arc(0, 0, RING, 0, 2 * Math.PI);
  context.fillStyle = theme.card;
  context.fill();
  context.strokeStyle = theme.mark;
  context.lineWidth = 2;
  context.stroke();
  context.fillStyle = theme.ink;
  context.font = "600 11px system-ui, sans-serif";
  context.textAlign = "center";
  context.textBaseline = "middle";
  context.fillText(String(number), 0, 0.5);
  context.restore();
}

function drawName(
  context: CanvasRenderingContext2D,
  theme: Theme,
  name: string,
  x: number,
  align: "left" | "right",
): void {
  context.font = "600 13px system-ui, sans-serif";
  context.textBaseline = "middle";
  context.textAlign = align;
  const wide = context.measureText(name).width + 10;
  context.fillStyle = theme.card;
  context.fillRect(align === "left" ? x - 5 : x - wide + 5, 6, wide, 22);
  context.fillStyle = theme.ink;
  context.fillText(name, x, 17);
}
