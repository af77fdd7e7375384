import type { Spot } from "../terms/spots.ts";
import { byId, setText } from "./dom.ts";
import { type ShownWay, wayText } from "./goal-way.ts";
import type { PlaceTaker } from "./map-picker.ts";

/** Asks for the way to a goal, with the heading there, or any; without a goal it ends it. */
type Want = (to: readonly [number, number] | null, heading: number | null) => void;

/** A click on the map or a spot chooses a goal, and the head tells the way there. Nothing drives. */
export class WayChooser implements PlaceTaker {
  readonly #want: Want;
  readonly #show: (way: ShownWay | null) => void;
  #isOn = false;
  #to: readonly [number, number] | null = null;

  /**
   * @param want asks the head for the way to a goal
   * @param show shows a way on the map
   */
  constructor(want: Want, show: (way: ShownWay | null) => void) {
    this.#want = want;
    this.#show = show;
  }

  /** The spots that are offered as goals. */
  set spots(spots: readonly Spot[]) {
    const buttons = spots.map((spot) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = spot.name;
      button.title = "Shows the way to this spot";
      button.addEventListener("click", () => {
        this.#choose([spot.x, spot.y], spot.heading);
        setText("found", `The head looks for a way to "${spot.name}".`);
      });
      return button;
    });
    byId("spot-goals").replaceChildren(...buttons);
    this.#offer();
  }

  #offer(): void {
    byId("spot-offer").hidden = !this.#isOn || byId("spot-goals").childElementCount === 0;
  }

  get isDrawing(): boolean {
    return this.#isOn;
  }

  toggle(): void {
    this.#isOn = !this.#isOn;
    byId("way-to").setAttribute("aria-pressed", String(this.#isOn));
    this.#offer();
    this.#choose(null);
    setText("found", this.#isOn ? "Choose a place on the map. Escape ends." : "");
  }

  /** Ends it, because the map is another one. */
  end(): void {
    if (this.#isOn) this.toggle();
  }

  corner(point: readonly number[]): void {
    const [x = 0, y = 0] = point;
    this.#choose([x, y]);
    setText("found", "The head looks for a way.");
  }

  key(key: string): boolean {
    if (!this.#isOn || key !== "Escape") return false;
    this.toggle();
    return true;
  }

  /** Takes a way of the head's. One to an earlier goal may still be on its way. */
  take(shown: ShownWay): void {
    const to = this.#to;
    if (to === null || shown.to[0] !== to[0] || shown.to[1] !== to[1]) return;
    this.#show(shown);
    setText("found", wayText(shown));
  }

  #choose(to: readonly [number, number] | null, heading: number | null = null): void {
    this.#to = to;
    this.#want(to, heading);
    this.#show(null);
  }
}

/** Several receivers of points: the first one that is drawing gets them. */
export function firstOf(takers: readonly PlaceTaker[]): PlaceTaker {
  const drawing = (): PlaceTaker | undefined => takers.find(({ isDrawing }) => isDrawing);
  return {
    get isDrawing() {
      return drawing() !== undefined;
    },
    get isOnFloor() {
      return drawing()?.isOnFloor === true;
    },
    corner: (point) => drawing()?.corner(point),
    key: (key) => takers.some((taker) => taker.key(key)),
  };
}
