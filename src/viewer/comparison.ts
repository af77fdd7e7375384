import type { FromServer } from "../wire/messages.ts";
import { PlanView } from "./plan-view.ts";
import { aheadOf, ENDS, Fan, nearestOf } from "./reach-fan.ts";
import { bearingText, countText, metresText } from "./text.ts";
import type { Theme } from "./theme.ts";
import type { Request, SeenPlans } from "./worker-messages.ts";

type Before = FromServer<"baseline">;
type Bearings = Pick<FromServer<"reach">, "first" | "step" | "distanceMm" | "what">;
type Pace = FromServer<"reach">["pace"];

/** What is set side by side: what the head says with the settings of before, and with those of now. */
interface Side {
  readonly state: string;
  readonly bearings: Bearings;
  readonly pace: Pace;
  readonly position: readonly number[] | null;
  readonly class: string | null;
}

const speed = (metres: number | undefined): string =>
  metres === undefined ? "–" : `${metres.toFixed(2)} m/s`;
const endOf = ({ distanceMm, what }: Bearings, n: number): string =>
  n < 0 || what.length === 0
    ? "nothing"
    : `${metresText(distanceMm[n]! / 1000)}, ${ENDS[what[n]!] ?? "unknown"}`;

const ROWS: readonly (readonly [name: string, of: (side: Side) => string])[] = [
  ["State", ({ state }) => state],
  ["Pace forward", ({ pace }) => speed(pace?.forward)],
  ["Pace backward", ({ pace }) => speed(pace?.backward)],
  ["Ahead", ({ bearings }) => endOf(bearings, aheadOf(bearings))],
  [
    "Nearest",
    ({ bearings }) => {
      const n = nearestOf(bearings);
      return `${endOf(bearings, n)}${n < 0 ? "" : `, ${bearingText(bearings.first + n * bearings.step)}`}`;
    },
  ],
  [
    "Position",
    ({ position }) => (position === null ? "–" : `${position[0]!.toFixed(2)}, ${position[1]!.toFixed(2)} m`),
  ],
  ["Pose", (side) => side.class ?? "–"],
];

/** The same frame with the settings of before and those of now, side by side. */
export class Compare {
  readonly #request: <T>(what: Request) => Promise<T>;
  readonly #say: (text: string) => void;
  readonly #fan = new Fan(canvas("fan-before"));
  readonly #plan = new PlanView([canvas("plan-before"), canvas("plan-now")]);
  #plans: SeenPlans | null = null;
  #bands: readonly [low: number, high: number] = [0.06, 0.5];
  #isAsking = false;
  #isAskedAgain = false;
  #before: Before | null = null;
  #now: Side | null = null;
  #frame = -1;
  /** Called when settings have changed otherwise than by their list. */
  onSettings: () => void = () => {};

  constructor(request: <T>(what: Request) => Promise<T>, say: (text: string) => void) {
    this.#request = request;
    this.#say = say;
    document.getElementById("compare-keep")!.addEventListener("click", () => this.keep());
    document.getElementById("compare-back")!.addEventListener("click", () => this.takeBack());
  }

  get isOn(): boolean {
    return (this.#before?.changes.length ?? 0) > 0;
  }

  /** What later changes are compared with is what holds now. */
  keep(): void {
    if (this.isOn)
      this.#request({ kind: "play", wish: { baseline: true } }).catch((e: Error) => this.#say(e.message));
  }

  /** The settings of before hold again. */
  takeBack(): void {
    if (!this.isOn) return;
    const change = Object.fromEntries(this.#before!.changes.map(({ name, baseline }) => [name, baseline]));
    this.#request({ kind: "settings", change }).then(this.onSettings, (error: Error) =>
      this.#say(error.message),
    );
  }

  paint(theme: Theme): void {
    this.#fan.setPlain(true);
    this.#fan.paint(theme);
    this.#plan.paint(theme);
  }

  /** The head is another one. */
  forget(): void {
    this.#now = null;
    this.#frame = -1;
    this.show(null);
  }

  show(before: Before | null): void {
    this.#before = before;
    document.documentElement.classList.toggle("is-compared", this.isOn);
    document.getElementById("compare")!.hidden = !this.isOn;
    if (!this.isOn) {
      this.#plans = null;
      return;
    }
    if (this.#plans === null) void this.mapChanged();
    const changes = before!.changes.map(({ name, baseline: was, now }) => `${name} ${was} → ${now}`);
    document.getElementById("compare-changes")!.textContent = changes.join("; ");
    this.draw();
  }

  /** Heights between which things stand in the robot's way, metres. */
  setBands(low: number, high: number): void {
    this.#bands = [low, high];
  }

  /** The map is another one, or the same one further on: both are asked for once the last answer is here. */
  async mapChanged(): Promise<void> {
    if (!this.isOn) return;
    this.#isAskedAgain = this.#isAsking;
    if (this.#isAsking) return;
    this.#isAsking = true;
    const [low, high] = this.#bands;
    this.#plans = await this.#request<SeenPlans | null>({ kind: "plans", low, high }).catch(() => null);
    this.#isAsking = false;
    this.#drawPlans();
    if (this.#isAskedAgain) await this.mapChanged();
  }

  /** Maps are set side by side only when they are of one frame: that of before stays where the settings were changed. */
  #drawPlans(): void {
    const plans = this.#plans;
    const isSame = plans !== null && plans.frame === this.#frame;
    document.getElementById("plans")!.hidden = !isSame;
    const text =
      plans === null
        ? "The map of before was not on this page."
        : isSame
          ? `Maps from above: ${countText(plans.unlike)} of ${countText(plans.known)} columns are not alike (hatched).`
          : `The map of before is of frame ${countText(plans.frame)}: it stands beside that of now there.`;
    const say = document.getElementById("plans-say")!;
    if (say.textContent !== text) say.textContent = text;
    if (isSame) this.#plan.show(plans);
  }

  /** @param frame how many frames were taken, as the recording counts them */
  setFrame(frame: number): void {
    if (frame === this.#frame) return;
    this.#frame = frame;
    this.draw();
  }

  setReach({ state, first, step, distanceMm, what, pace }: FromServer<"reach">): void {
    const { position = null, class: kind = null } = this.#now ?? {};
    this.#now = { state, bearings: { first, step, distanceMm, what }, pace, position, class: kind };
    this.draw();
  }

  setPose({ worldFromBase, class: kind }: FromServer<"pose">): void {
    if (this.#now !== null) this.#now = { ...this.#now, position: worldFromBase.position, class: kind };
  }

  /** Only what is of one frame is set side by side. */
  draw(): void {
    const before = this.#before;
    if (!this.isOn || before === null) return;
    const isThere = before.reach !== null && before.frame === this.#frame;
    this.#fan.show(isThere ? before.reach : null);
    const was: Side | null =
      isThere && before.reach !== null
        ? {
            ...{ state: before.reach.state, bearings: before.reach, pace: before.reach.pace },
            ...{ position: before.position, class: before.class },
          }
        : null;
    const rows = ROWS.map(([name, of]) => {
      const [left, right] = [was === null ? "on its way" : of(was), this.#now === null ? "–" : of(this.#now)];
      const row = document.createElement("tr");
      if (was !== null && left !== right) row.className = "is-other";
      const head = document.createElement("th");
      head.scope = "row";
      head.textContent = name;
      row.append(head, ...[left, right].map(cellOf));
      return row;
    });
    document.getElementById("compare-rows")!.replaceChildren(...rows);
    this.#drawPlans();
  }
}

function canvas(id: string): HTMLCanvasElement {
  return document.getElementById(id) as HTMLCanvasElement;
}

function cellOf(text: string): HTMLElement {
  const cell = document.createElement("td");
  cell.textContent = text;
  return cell;
}
