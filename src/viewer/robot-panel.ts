import type { FromServer } from "../wire/messages.ts";
import { boardText } from "./board-text.ts";
import type { Body } from "./body.ts";
import { brinksFrom, dropText, yawOf } from "./brinks.ts";
import { byId, setText } from "./dom.ts";
import { ReachFan } from "./reach-fan.ts";
import { aheadOf, endText, nearestText, paceWord, whyText } from "./reach-text.ts";
import { bearingText, countText, metresText } from "./text.ts";
import type { Theme } from "./theme.ts";

type Reach = FromServer<"reach">;
type Pose = FromServer<"pose">;

const speed = (metres: number): string => `${metres.toFixed(2)} m/s`;

/** The robot's state: free ground around it, pace, pose, and edges of the floor near by. */
export class RobotPanel {
  readonly #fan = new ReachFan(byId<HTMLCanvasElement>("fan"));
  readonly #shown: (reach: Reach) => void;
  #reach: { readonly message: Reach; readonly arrived: number } | null = null;
  #pose: Pose | null = null;
  #brinks: FromServer<"brinks">["brinks"] = [];
  /** Depth of the nearest drop ahead, metres; null when no bottom was seen; undefined without a drop. */
  #depthAhead: number | null | undefined;
  #topSpeed = Number.POSITIVE_INFINITY;

  /** @param shown called with each reach after it is shown */
  constructor(shown: (reach: Reach) => void) {
    this.#shown = shown;
  }

  paint(theme: Theme): void {
    this.#fan.paint(theme);
  }

  draw(): void {
    this.#fan.draw();
  }

  /** Draws neither ages nor edges: see `ReachFan.setPlain`. */
  setPlain(isPlain: boolean): void {
    this.#fan.setPlain(isPlain);
  }

  /** The robot's outline. */
  set body(body: Body) {
    this.#fan.body = body;
  }

  /** The top speed in the settings, m/s. */
  set topSpeed(speed: number) {
    this.#topSpeed = speed;
    this.#sayWhy();
  }

  get pose(): Pose | null {
    return this.#pose;
  }

  /** The shown reach, and the `sharedNow` of its arrival. */
  get reach(): { readonly message: Reach; readonly arrived: number } | null {
    return this.#reach;
  }

  /** Clears everything, because the head is another one. */
  forget(): void {
    this.#reach = this.#pose = null;
    this.#brinks = [];
    this.#showBrinks();
  }

  take(message: Reach, arrived: number): void {
    this.#reach = { message, arrived };
    const { pace, waiver } = message;
    this.#fan.show(message);
    setText("ahead", message.what.length === 0 ? "–" : endText(message, aheadOf(message)));
    setText("nearest", nearestText(message));
    setText("pace-forward", pace === null ? "–" : speed(pace.forward));
    setText("pace-backward", pace === null ? "–" : speed(pace.backward));
    const turning = pace === null ? "–" : `${pace.left.toFixed(2)} left, ${pace.right.toFixed(2)} right`;
    setText("pace-turning", turning);
    const left = waiver === null ? "" : `${waiver.direction}, ${waiver.left.toFixed(1)} s left`;
    setText("waiver", waiver === null ? "none" : `${left}: ${waiver.reason}`);
    setText("frame", countText(message.frame));
    this.#sayWhy();
    this.#shown(message);
  }

  #sayWhy(): void {
    const reach = this.#reach?.message ?? null;
    setText("state-why", reach === null ? "" : whyText(reach, this.#topSpeed, this.#depthAhead));
    const word = reach === null ? null : paceWord(reach, this.#topSpeed);
    document.documentElement.dataset["pace"] = word ?? "unknown";
  }

  takePose(pose: Pose): void {
    this.#pose = pose;
    const { position, rotation } = pose.worldFromBase;
    setText("position", `${position[0].toFixed(2)}, ${position[1].toFixed(2)} m`);
    setText("heading", `${Math.round((yawOf(rotation) * 180) / Math.PI)}°`);
    setText("pose-class", pose.class);
    this.#showBrinks();
  }

  takeBrinks(brinks: FromServer<"brinks">["brinks"]): void {
    this.#brinks = brinks;
    this.#showBrinks();
  }

  /** Shows edges of the floor, relative to the base. */
  #showBrinks(): void {
    const near = this.#pose === null ? [] : brinksFrom(this.#pose.worldFromBase, this.#brinks);
    this.#fan.showBrinks(near);
    this.#depthAhead = near.find(({ nearest }) => nearest[0] > Math.abs(nearest[1]))?.drop;
    this.#sayWhy();
    const [first] = near;
    if (first === undefined) {
      setText("brink", "none near");
      return;
    }
    const [ahead, left] = first.nearest;
    const where = `${metresText(first.distance)}, ${bearingText(Math.atan2(left, ahead))}`;
    setText("brink", `${where}, ${dropText(first.drop)}`);
  }
}

/** Shows the health of the head. */
export function showPulse({ sensors, load, memory, board }: FromServer<"pulse">): void {
  const [sensor] = sensors;
  const names = sensors.map(({ name, state }) => `${name} ${state}`).join();
  const list = byId("sensors");
  if (list.dataset["names"] !== names) {
    list.dataset["names"] = names;
    list.replaceChildren(...sensors.map(rowOf));
  }
  setText("rate", sensor === undefined ? "–" : `${sensor.rate.toFixed(1)} per s`);
  setText("load", `${load.median.toFixed(1)} ms, ${Math.round(100 * load.busy)} % busy`);
  const sum = (field: "missed" | "overtaken" | "skipped"): number =>
    sensors.reduce((all, each) => all + each[field], 0);
  setText("left-out", countText(sum("missed") + sum("overtaken") + sum("skipped")));
  setText("memory", `${Math.round(memory / 1e6)} MB`);
  byId("board-row").hidden = board === undefined;
  if (board !== undefined) setText("board", boardText(board));
}

/** A sensor in the top line: its state is shown by a shape, and by a word unless it runs. */
function rowOf({ name, state }: FromServer<"pulse">["sensors"][number]): HTMLElement {
  const row = document.createElement("li");
  row.dataset["state"] = state;
  row.textContent = state === "running" ? name : `${name} ${state}`;
  return row;
}
