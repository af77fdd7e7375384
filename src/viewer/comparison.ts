import type { FromServer } from "../wire/messages.ts";
import { byId, setText } from "./dom.ts";
import type { Bands } from "./map-plans.ts";
import { PlansView } from "./plans-view.ts";
import { ReachFan } from "./reach-fan.ts";
import { aheadOf, endText, nearestText } from "./reach-text.ts";
import { countText } from "./text.ts";
import type { Theme } from "./theme.ts";
import type { Ask, TimedPlans } from "./worker-messages.ts";

type Baseline = FromServer<"baseline">;
type Reach = FromServer<"reach">;

/** One side of the comparison: the head's outputs with one set of settings. */
interface Side {
  readonly state: string;
  readonly bearings: Pick<Reach, "first" | "step" | "distanceMm" | "what">;
  readonly pace: Reach["pace"];
  readonly position: readonly number[] | null;
  readonly class: string | null;
}

const speed = (metres: number | undefined): string =>
  metres === undefined ? "–" : `${metres.toFixed(2)} m/s`;

const ROWS: readonly (readonly [name: string, of: (side: Side) => string])[] = [
  ["State", ({ state }) => state],
  ["Pace forward", ({ pace }) => speed(pace?.forward)],
  ["Pace backward", ({ pace }) => speed(pace?.backward)],
  ["Ahead", ({ bearings }) => endText(bearings, aheadOf(bearings))],
  ["Nearest", ({ bearings }) => nearestText(bearings)],
  ["Position", ({ position }) => (position === null ? "–" : positionText(position))],
  ["Pose", (side) => side.class ?? "–"],
];
const positionText = ([x, y]: readonly number[]): string => `${x!.toFixed(2)}, ${y!.toFixed(2)} m`;

/** The same frame with the baseline's settings and with the present ones, side by side. */
export class Comparison {
  readonly #ask: Ask;
  readonly #say: (text: string) => void;
  readonly #fan = new ReachFan(byId<HTMLCanvasElement>("fan-baseline"));
  readonly #view = new PlansView([
    byId<HTMLCanvasElement>("plan-baseline"),
    byId<HTMLCanvasElement>("plan-now"),
  ]);
  #plans: TimedPlans | null = null;
  #bands: Bands = { low: 0.06, high: 0.5 };
  #isAsking = false;
  #isAskedAgain = false;
  #baseline: Baseline | null = null;
  #now: Side | null = null;
  #frame = -1;
  /** Called when settings were changed outside the settings dialog. */
  onSettings: () => void = () => {};

  constructor(ask: Ask, say: (text: string) => void) {
    this.#ask = ask;
    this.#say = say;
    byId("baseline-set").addEventListener("click", () => this.setBaseline());
    byId("baseline-revert").addEventListener("click", () => this.revert());
  }

  get isOn(): boolean {
    return (this.#baseline?.changes.length ?? 0) > 0;
  }

  /** Makes the present settings the baseline. */
  setBaseline(): void {
    if (!this.isOn) return;
    this.#ask({ kind: "play", wish: { baseline: true } }).catch((error: Error) => this.#say(error.message));
  }

  /** Restores the baseline's settings. */
  revert(): void {
    if (!this.isOn) return;
    const change = Object.fromEntries(this.#baseline!.changes.map(({ name, baseline }) => [name, baseline]));
    this.#ask({ kind: "settings", change }).then(this.onSettings, (error: Error) => this.#say(error.message));
  }

  paint(theme: Theme): void {
    this.#fan.setPlain(true);
    this.#fan.paint(theme);
    this.#view.paint(theme);
  }

  /** Clears everything for another head. */
  forget(): void {
    this.#now = null;
    this.#frame = -1;
    this.show(null);
  }

  show(baseline: Baseline | null): void {
    this.#baseline = baseline;
    document.documentElement.classList.toggle("is-compared", this.isOn);
    byId("comparison").hidden = !this.isOn;
    if (!this.isOn) {
      this.#plans = null;
      return;
    }
    if (this.#plans === null) void this.mapChanged();
    const changes = baseline!.changes.map(({ name, baseline: was, now }) => `${name} ${was} → ${now}`);
    byId("comparison-changes").textContent = changes.join("; ");
    this.draw();
  }

  setBands(bands: Bands): void {
    this.#bands = bands;
  }

  /** Requests both maps from above. One request runs at a time; a change meanwhile leads to one more. */
  async mapChanged(): Promise<void> {
    if (!this.isOn) return;
    this.#isAskedAgain = this.#isAsking;
    if (this.#isAsking) return;
    this.#isAsking = true;
    this.#plans = await this.#ask<TimedPlans | null>({ kind: "plans", bands: this.#bands }).catch(() => null);
    this.#isAsking = false;
    this.#showPlans();
    if (this.#isAskedAgain) await this.mapChanged();
  }

  /** Shows the maps if both are of the same frame. The baseline's map is of the frame at which the settings were changed. */
  #showPlans(): void {
    const plans = this.#plans;
    const isThere = plans !== null && plans.frame === this.#frame;
    const isSame = isThere && plans.isWhole;
    byId("plans").hidden = !isSame;
    if (isSame) this.#view.show(plans);
    if (plans === null) setText("plans-say", "This page has no map with the baseline's settings.");
    else if (isSame) {
      const count = `${countText(plans.unlike)} of ${countText(plans.known)} columns differ`;
      setText("plans-say", `Maps from above: ${count} (hatched).`);
    } else if (isThere) setText("plans-say", "The map with the changed settings is not complete yet.");
    else {
      setText("plans-say", `The baseline's map is of frame ${countText(plans.frame)}: go there to compare.`);
    }
  }

  /** Takes the position in the recording. */
  setPlaying({ frame, goal, speed }: FromServer<"playing">): void {
    // The last patch of the map may have come before, and the plans of an earlier state may be on their way.
    if (goal === null && speed === 0 && this.#plans?.isWhole !== true) void this.mapChanged();
    if (frame === this.#frame) return;
    this.#frame = frame;
    this.draw();
  }

  setReach({ state, first, step, distanceMm, what, pace }: Reach): void {
    const { position = null, class: kind = null } = this.#now ?? {};
    this.#now = { state, bearings: { first, step, distanceMm, what }, pace, position, class: kind };
    this.draw();
  }

  setPose({ worldFromBase, class: kind }: FromServer<"pose">): void {
    if (this.#now !== null) this.#now = { ...this.#now, position: worldFromBase.position, class: kind };
  }

  draw(): void {
    const baseline = this.#baseline;
    if (!this.isOn || baseline === null) return;
    // Only outputs of the same frame are compared.
    const reach = baseline.frame === this.#frame ? baseline.reach : null;
    this.#fan.show(reach);
    const was: Side | null = reach && {
      state: reach.state,
      bearings: reach,
      pace: reach.pace,
      position: baseline.position,
      class: baseline.class,
    };
    byId("comparison-rows").replaceChildren(...ROWS.map(([name, of]) => rowOf(name, of, was, this.#now)));
    this.#showPlans();
  }
}

function rowOf(name: string, of: (side: Side) => string, was: Side | null, now: Side | null): HTMLElement {
  const [left, right] = [was === null ? "in progress" : of(was), now === null ? "–" : of(now)];
  const row = document.createElement("tr");
  if (was !== null && left !== right) row.className = "is-other";
  const head = document.createElement("th");
  head.scope = "row";
  head.textContent = name;
  const cells = [left, right].map((text) => {
    const cell = document.createElement("td");
    cell.textContent = text;
    return cell;
  });
  row.append(head, ...cells);
  return row;
}
