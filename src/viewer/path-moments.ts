import type { CurvePoint } from "../wire/curve.ts";
import { byId, setText } from "./dom.ts";
import { momentNear } from "./moment-near.ts";
import { secondsText } from "./text.ts";

/** The moments of a recording at which the base was at a place that is clicked: a button leads there. */
export class PathMoments {
  readonly #button = byId<HTMLButtonElement>("path-moment");
  #curve: readonly CurvePoint[] = [];
  #at = 0;

  /** @param seek is given the time, microseconds */
  constructor(seek: (to: number) => void) {
    this.#button.addEventListener("click", () => {
      seek(this.#at);
      this.#button.hidden = true;
    });
  }

  /** @param curve of the recording; empty beside a live head */
  setCurve(curve: readonly CurvePoint[]): void {
    this.#curve = curve;
    if (curve.length === 0) this.#button.hidden = true;
  }

  /** Offers the moment of a place; null: no place is asked about any more. */
  offer(point: readonly number[] | null): void {
    const at = point === null ? null : momentNear(this.#curve, point);
    this.#button.hidden = at === null;
    if (at === null) return;
    this.#at = at;
    setText("path-moment", `Go to ${secondsText(at)}, when the robot was here`);
  }
}
