import { byId, setText } from "./dom.ts";
import { FARTHEST_APART, RunCurve } from "./run-curve.ts";
import { type Difference, differencesOf, figuresOf } from "./run-differences.ts";
import { apartOf, type Curve, farthestApart, type PairedRuns, pairByPlace, pairByTime } from "./run-pairs.ts";
import { countText, metresText, secondsText } from "./text.ts";
import type { Theme } from "./theme.ts";

/** Two whole runs. */
export interface Runs {
  readonly names: readonly [was: string, now: string];
  readonly was: Curve;
  readonly now: Curve;
  /** Shares of the two recordings that are known, 0 to 1. */
  readonly known: readonly [was: number, now: number];
  /** Length of the run `now`, microseconds. */
  readonly length: number;
  readonly topSpeed: number;
  /** How frames are paired: of one recording, of two in one world, or of two without a common world. */
  readonly pairing: "frames" | "places" | "times";
}

const PAIRED: Readonly<Record<Runs["pairing"], string>> = {
  frames: "",
  places: "Compared at the same places of the floor.",
  times:
    "Compared at the same time from the start, because the places of the two are not known in one frame.",
};

/** The differences of two whole runs: figures, a curve below the timeline, and a list. */
export class RunPanel {
  readonly #seek: (to: number) => void;
  readonly #list = byId("differences");
  readonly #curve: RunCurve;
  #runs: Runs | null = null;
  #paired: PairedRuns | null = null;
  #found: readonly Difference[] = [];
  #listed = "";

  /** @param seek is given the time of a difference that was chosen, microseconds */
  constructor(seek: (to: number) => void) {
    this.#seek = seek;
    this.#curve = new RunCurve(byId<HTMLCanvasElement>("run-curve"), seek, (frame) => this.#read(frame));
  }

  get runs(): Runs | null {
    return this.#runs;
  }

  /** Places of the listed differences in the world, by their number from 1. */
  get marks(): ReadonlyMap<number, { readonly x: number; readonly y: number }> {
    const marks = new Map<number, { readonly x: number; readonly y: number }>();
    this.#found.forEach(({ worst }, n) => {
      const place = this.#runs?.now.find(({ at }) => at === worst)?.place ?? null;
      if (place !== null) marks.set(n + 1, place);
    });
    return marks;
  }

  paint(theme: Theme): void {
    this.#curve.paint(theme);
  }

  draw(): void {
    this.#curve.draw();
  }

  /** @param runs null: nothing is compared */
  show(runs: Runs | null): void {
    this.#runs = runs;
    this.#paired = null;
    this.#found = [];
    if (runs !== null) {
      const { was, now, pairing, topSpeed, length } = runs;
      this.#paired = pairing === "places" ? pairByPlace(was, now) : pairByTime(was, now);
      this.#found = differencesOf(this.#paired, topSpeed, pairing === "frames");
      this.#curve.show(this.#paired, length, topSpeed, pairing === "frames");
      this.#showFigures(runs, this.#paired);
    }
    this.#read(null);
    this.#showList();
  }

  #showFigures({ names, was, now, known, topSpeed, pairing }: Runs, paired: PairedRuns): void {
    const [before, after] = [figuresOf(was, topSpeed), figuresOf(now, topSpeed)];
    const share = Math.min(...known);
    const parts = [
      `stops ${before.stops} → ${after.stops}`,
      `slow stretches ${before.slowings} → ${after.slowings}`,
      `mean pace ${before.meanPace.toFixed(2)} → ${after.meanPace.toFixed(2)} m/s`,
      `way ${before.length.toFixed(1)} → ${after.length.toFixed(1)} m`,
    ];
    if (pairing === "frames") {
      const { apart, at } = farthestApart(paired);
      parts.push(
        apart < 0.005 ? "same places" : `places at most ${metresText(apart)} apart, at ${secondsText(at)}`,
      );
    }
    const progress = share < 1 ? ` So far, ${Math.floor(100 * share)} % looked at.` : "";
    setText("run-say", `${names[0]} → ${names[1]}: ${parts.join("; ")}. ${PAIRED[pairing]}${progress}`);
  }

  #showList(): void {
    const runs = this.#runs;
    const isWhole = runs !== null && Math.min(...runs.known) === 1;
    const count = this.#found.length;
    setText("run-count", runs === null ? "" : isWhole || count > 0 ? countText(count) : "…");
    const said = JSON.stringify(this.#found);
    // A list that has the focus is not replaced: a keyboard user would lose the position in it.
    if (said === this.#listed || this.#list.contains(document.activeElement)) return;
    this.#listed = said;
    this.#list.replaceChildren(
      ...this.#found.map(({ from, to, worst, text }, n) => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = `${n + 1}. ${secondsText(from)} to ${secondsText(to)}: ${text}`;
        button.title = "Goes to the moment of the largest difference in this stretch";
        button.addEventListener("click", () => this.#seek(worst));
        const row = document.createElement("li");
        row.append(button);
        return row;
      }),
    );
  }

  /** Shows the values under the pointer in words; null: the meaning of the curve. */
  #read(frame: number | null): void {
    const [runs, paired] = [this.#runs, this.#paired];
    if (runs === null || paired === null) return;
    const { names, topSpeed, pairing } = runs;
    if (frame === null) {
      const line =
        pairing === "frames"
          ? `; line: distance between the places, up to ${metresText(FARTHEST_APART)}`
          : "";
      setText(
        "run-curve-at",
        `Bars up: ${names[1]} is faster, down: slower than ${names[0]}, up to ${topSpeed.toFixed(1)} m/s${line}`,
      );
      return;
    }
    const now = paired.now[frame]!;
    const was = paired.was[paired.pairs[frame]!];
    const at = secondsText(now.at);
    if (was === undefined) setText("run-curve-at", `${at}: nothing of ${names[0]} belongs to this`);
    else {
      const apart = pairing === "frames" ? `; places ${metresText(apartOf(was, now))} apart` : "";
      setText("run-curve-at", `${at}: ${was.pace.toFixed(2)} → ${now.pace.toFixed(2)} m/s${apart}`);
    }
  }
}
