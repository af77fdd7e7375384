import { readCurve } from "../wire/curve.ts";
import type { FromServer } from "../wire/messages.ts";
import { byId, setText } from "./dom.ts";
import type { Bands } from "./map-plans.ts";
import { OtherRecording } from "./other-recording.ts";
import type { Hatched } from "./plan-columns.ts";
import { PlansView } from "./plans-view.ts";
import { ReachFan } from "./reach-fan.ts";
import { aheadOf, endText, nearestText } from "./reach-text.ts";
import { RunPanel, type Runs } from "./run-panel.ts";
import { SwipeView } from "./swipe-view.ts";
import { countText, secondsText } from "./text.ts";
import type { Theme } from "./theme.ts";
import type { Ask, TimedPlans } from "./worker-messages.ts";

type Baseline = FromServer<"baseline">;
type Reach = FromServer<"reach">;
type Recording = FromServer<"recording">;

/** Milliseconds between two plans while a recording plays. */
const PLANS_EVERY = 300;

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

/**
 * Two runs side by side: one recording with the baseline's settings and with the present ones, at the same frame and over the whole run; or two
 * recordings, of which one was run to its end before the other was opened.
 */
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
  #at = 0;
  #isPlaying = false;
  #recording: Recording | null = null;
  #topSpeed = 1;
  readonly #other: OtherRecording;
  readonly #runs: RunPanel;
  readonly #swipe = new SwipeView();
  /** Called when settings were changed outside the settings dialog. */
  onSettings: () => void = () => {};

  constructor(ask: Ask, say: (text: string) => void) {
    this.#ask = ask;
    this.#say = say;
    byId("baseline-set").addEventListener("click", () => this.setBaseline());
    byId("baseline-revert").addEventListener("click", () => this.revert());
    this.#runs = new RunPanel((to) => {
      ask({ kind: "play", wish: { to, speed: 0 } }).catch((error: Error) =>
        setText("playback-say", error.message),
      );
    });
    this.#other = new OtherRecording(ask);
    this.#other.onChange = () => {
      this.#plans = null;
      this.#showRuns();
      this.show(this.#baseline);
    };
  }

  get isOn(): boolean {
    return this.areSettings || this.#other.kept !== null;
  }
  /** Whether changed settings are compared. They take precedence over another recording. */
  get areSettings(): boolean {
    return (this.#baseline?.changes.length ?? 0) > 0;
  }
  /** Whether both maps lie in one world. */
  get #isAligned(): boolean {
    return (
      this.areSettings || (this.#other.kept?.world === "reference" && this.#recording?.world === "reference")
    );
  }
  get #hatched(): Hatched {
    if (this.areSettings) return "all";
    return this.#isAligned ? "shared" : "none";
  }
  get #names(): readonly [was: string, now: string] {
    if (this.areSettings) return ["baseline", "changed"];
    return [this.#other.kept?.name ?? "", this.#recording?.name ?? ""];
  }

  /** Takes what is known of the whole recording. */
  setRecording(recording: Recording): void {
    this.#recording = recording;
    this.#other.set(recording);
    this.#showRuns();
    this.#showPlans();
  }

  set topSpeed(speed: number) {
    this.#topSpeed = Number.isFinite(speed) ? speed : 1;
    this.#showRuns();
  }

  #showRuns(): void {
    this.#runs.show(this.#runsOf());
  }

  #runsOf(): Runs | null {
    const recording = this.#recording;
    const { kept } = this.#other;
    if (recording === null || !this.isOn) return null;
    const { known, length, before } = recording;
    const common = { names: this.#names, now: readCurve(recording.curve), length, topSpeed: this.#topSpeed };
    if (this.areSettings) {
      if (before === null) return null;
      return { ...common, was: readCurve(before.curve), known: [before.known, known], pairing: "frames" };
    }
    return { ...common, was: kept!.curve, known: [1, known], pairing: this.#isAligned ? "places" : "times" };
  }

  /** Makes the present settings the baseline. */
  setBaseline(): void {
    if (!this.areSettings) return;
    this.#ask({ kind: "play", wish: { baseline: true } }).catch((error: Error) => this.#say(error.message));
  }

  /** Restores the baseline's settings. */
  revert(): void {
    if (!this.areSettings) return;
    const change = Object.fromEntries(this.#baseline!.changes.map(({ name, baseline }) => [name, baseline]));
    this.#ask({ kind: "settings", change }).then(this.onSettings, (error: Error) => this.#say(error.message));
  }

  paint(theme: Theme): void {
    this.#fan.setPlain(true);
    this.#fan.paint(theme);
    this.#view.paint(theme);
    this.#runs.paint(theme);
    this.#swipe.paint(theme);
  }

  /** Clears everything for another head. */
  forget(): void {
    this.#now = null;
    this.#frame = -1;
    this.#recording = this.#plans = null;
    this.show(null);
    this.#showRuns();
  }

  show(baseline: Baseline | null): void {
    const were = this.areSettings;
    this.#baseline = baseline;
    const { classList } = document.documentElement;
    classList.toggle("is-compared", this.isOn);
    classList.toggle("is-two-recordings", this.isOn && !this.areSettings);
    byId("comparison").hidden = !this.isOn;
    if (were !== this.areSettings) this.#showRuns();
    if (!this.isOn) {
      this.#plans = null;
      this.#swipe.show(null);
      return;
    }
    if (this.#plans === null) void this.mapChanged();
    const changes = baseline?.changes.map(({ name, baseline: was, now }) => `${name} ${was} → ${now}`) ?? [];
    byId("comparison-changes").textContent = this.areSettings
      ? `Changed: ${changes.join("; ")}`
      : `${this.#names[0]}, at its end, and ${this.#names[1]}`;
    setText("plan-baseline-name", this.#names[0]);
    setText("plan-now-name", this.#names[1]);
    this.#drawFrame();
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
    if (this.#isPlaying) await new Promise((resolve) => setTimeout(resolve, PLANS_EVERY));
    this.#isAsking = false;
    this.#showPlans();
    if (this.#isAskedAgain) await this.mapChanged();
  }

  /** Shows the maps if both are of the same frame. The baseline's map is of the frame at which the settings were changed. */
  #showPlans(): void {
    const plans = this.#plans;
    if (!this.isOn) return;
    if (!this.areSettings) {
      this.#showOtherPlans(plans);
      return;
    }
    const isThere = plans !== null && plans.frame === this.#frame;
    const isSame = isThere && plans.isWhole;
    byId("plans").hidden = !isSame;
    if (isSame) this.#view.show(plans, this.#hatched);
    this.#showSwipe(isSame ? plans : null);
    if (plans === null) setText("plans-say", "This page has no map with the baseline's settings.");
    else if (isSame) {
      const count = `${countText(plans.unlike)} of ${countText(plans.known)} columns differ`;
      setText("plans-say", `Maps from above: ${count} (hatched).`);
    } else if (isThere) setText("plans-say", "The map with the changed settings is not complete yet.");
    else {
      setText("plans-say", `The baseline's map is of frame ${countText(plans.frame)}: go there to compare.`);
    }
  }

  /** Shows the maps of two recordings, each with what its head has seen so far. */
  #showOtherPlans(plans: TimedPlans | null): void {
    byId("plans").hidden = plans === null;
    this.#showSwipe(plans);
    if (plans === null || this.#recording === null) {
      setText("plans-say", "The maps are not there yet.");
      return;
    }
    this.#view.show(plans, this.#hatched);
    const upTo = `${this.#names[1]} up to ${secondsText(this.#at)}`;
    const count = `${countText(plans.unlikeShared)} of ${countText(plans.shared)}`;
    setText(
      "plans-say",
      this.#isAligned
        ? `Maps from above, in the world of the reference poses of both; ${upTo}. Of the columns that both have, ${count} differ (hatched).`
        : `The plans are not aligned: not both recordings have reference poses. Each begins at its own start; ${upTo}.`,
    );
  }

  #showSwipe(plans: TimedPlans | null): void {
    const { runs } = this.#runs;
    this.#swipe.show(
      plans === null
        ? null
        : {
            plans,
            hatched: this.#hatched,
            names: this.#names,
            paths: [runs?.was ?? [], runs?.now ?? []],
            marks: this.#runs.marks,
          },
    );
  }

  /** Takes the position in the recording. */
  setPlaying({ frame, at, goal, speed }: FromServer<"playing">): void {
    this.#at = at;
    this.#isPlaying = goal === null && speed > 0;
    // The last patch of the map may have come before, and the plans of an earlier state may be on their way.
    if (goal === null && speed === 0 && this.#plans?.isWhole !== true) void this.mapChanged();
    if (frame === this.#frame) return;
    this.#frame = frame;
    this.#drawFrame();
  }

  setReach({ state, first, step, distanceMm, what, pace }: Reach): void {
    const { position = null, class: kind = null } = this.#now ?? {};
    this.#now = { state, bearings: { first, step, distanceMm, what }, pace, position, class: kind };
    this.#drawFrame();
  }

  setPose({ worldFromBase, class: kind }: FromServer<"pose">): void {
    if (this.#now !== null) this.#now = { ...this.#now, position: worldFromBase.position, class: kind };
  }

  draw(): void {
    this.#runs.draw();
    this.#swipe.draw();
    this.#view.draw();
    this.#drawFrame();
  }

  /** Draws what changes from frame to frame. */
  #drawFrame(): void {
    const baseline = this.#baseline;
    if (!this.areSettings || baseline === null) return;
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
