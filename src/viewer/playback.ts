import { REACH_STATES } from "../terms/safety.ts";
import { ENDS } from "../terms/words.ts";
import { type CurvePoint, readCurve } from "../wire/curve.ts";
import type { FromClient, FromServer } from "../wire/messages.ts";
import { byId, setText } from "./dom.ts";
import { EventList } from "./event-list.ts";
import { signOf } from "./event-signs.ts";
import { RecordingFiles } from "./recording-files.ts";
import { countText, metresText, secondsText } from "./text.ts";
import type { Theme } from "./theme.ts";
import { Timeline } from "./timeline.ts";
import type { Ask } from "./worker-messages.ts";

type Playing = FromServer<"playing">;
type Recording = FromServer<"recording">;
type Play = Omit<FromClient<"play">, "kind" | "id">;

/** Microseconds: an event this close to the present position does not count as the next or previous one. */
const SAME_MOMENT = 60_000;

/** The controls of a recording: pause, speed, frames, events, and the choice of the recording. */
export class Playback {
  readonly #ask: Ask;
  readonly #timeline: Timeline;
  readonly #events: EventList;
  #curve: readonly CurvePoint[] = [];
  #topSpeed = 1;
  /** Time under the pointer, whose values are shown instead of the present place; null without one. */
  #readAt: number | null = null;
  readonly #files = new RecordingFiles((name) => this.#open(name));
  readonly #speed = byId<HTMLSelectElement>("speed");
  readonly #loop = byId<HTMLInputElement>("loop");
  readonly #names = byId<HTMLSelectElement>("recordings");
  #recording: Recording | null = null;
  #playing: Playing | null = null;
  /** Numbers of this page's connections so far. */
  readonly #sessions = new Set<string>();

  constructor(ask: Ask) {
    this.#ask = ask;
    this.#timeline = new Timeline(
      byId<HTMLCanvasElement>("timeline"),
      (to) => this.#play({ to }),
      (at) => this.#read(at),
    );
    this.#events = new EventList(
      (to) => this.#play({ to }),
      () => this.#showCurve(),
    );
    byId("play").addEventListener("click", () => this.toggle());
    byId("frame-previous").addEventListener("click", () => this.step(-1));
    byId("frame-next").addEventListener("click", () => this.step(1));
    byId("event-previous").addEventListener("click", () => this.toEvent(-1));
    byId("event-next").addEventListener("click", () => this.toEvent(1));
    this.#speed.addEventListener("change", () => this.#play({ speed: Number(this.#speed.value) }));
    this.#loop.addEventListener("change", () => this.#play({ repeat: this.#loop.checked }));
    this.#names.addEventListener("change", () => this.#open(this.#names.value));
  }

  /** Clears everything, because the head is another one or gone. */
  forget(): void {
    this.#recording = this.#playing = null;
    this.#curve = [];
    this.#files.most = undefined;
  }

  get playing(): Playing | null {
    return this.#playing;
  }

  get curve(): readonly CurvePoint[] {
    return this.#curve;
  }

  /** Top speed in the settings, m/s. */
  get topSpeed(): number {
    return this.#topSpeed;
  }

  /** Takes the number of this page's connection. */
  set session(session: string) {
    this.#sessions.add(session);
  }

  /** Length of the recording, microseconds. */
  get length(): number {
    return this.#recording?.length ?? 0;
  }

  #play(wish: Play): void {
    this.#ask({ kind: "play", wish }).catch((error: Error) => this.#say(error.message));
  }

  #open(name: string): void {
    this.#ask({ kind: "open", name }).catch((error: Error) => this.#say(error.message));
  }

  #say(text: string): void {
    setText("playback-say", text);
  }

  /** Pauses or resumes. */
  toggle(): void {
    const isRunning = (this.#playing?.speed ?? 0) > 0;
    this.#play({ speed: isRunning ? 0 : Number(this.#speed.value) });
  }

  /** Goes to the next or the previous frame. */
  step(by: 1 | -1): void {
    this.#play({ step: by });
  }

  /** Goes to the next or the previous event. */
  toEvent(by: 1 | -1): void {
    const at = this.#playing?.goal ?? this.#playing?.at ?? 0;
    const events = this.#events.shown;
    const next =
      by > 0
        ? events.find((one) => one.at > at + SAME_MOMENT)
        : events.findLast((one) => one.at < at - SAME_MOMENT);
    if (next === undefined) {
      this.#say(by > 0 ? "No event after this." : "No event before this.");
      return;
    }
    this.#say(`${secondsText(next.at)}: ${signOf(next.what).name}, ${next.text}`);
    this.#play({ to: next.at });
  }

  paint(theme: Theme): void {
    this.#timeline.paint(theme);
  }

  draw(): void {
    this.#timeline.draw();
  }

  show(playing: Playing): void {
    this.#playing = playing;
    const isRunning = playing.speed > 0;
    setText("play", isRunning ? "Pause" : "Play");
    // While paused, the chosen speed stays selected.
    if (isRunning && document.activeElement !== this.#speed) this.#speed.value = String(playing.speed);
    this.#loop.checked = playing.repeat;
    this.#timeline.show(this.#recording, playing);
    this.#events.markUpTo(playing.goal ?? playing.at);
    const { moved } = playing;
    setText("moved-by", moved === null || this.#sessions.has(moved.session) ? "" : `Moved by ${moved.by}`);
    this.#sayPlace();
  }

  set topSpeed(speed: number) {
    this.#topSpeed = Number.isFinite(speed) ? speed : 1;
    this.#showCurve();
  }

  #showCurve(): void {
    this.#timeline.showCurve(this.#curve, this.#events.shown, this.#topSpeed);
  }

  /** Shows the values of the curves at a time in words; null clears them. */
  #read(at: number | null): void {
    this.#readAt = at;
    if (at === null) {
      this.#sayPlace();
      return;
    }
    const point = this.#curve.findLast((one) => one.at <= at);
    if (point === undefined) {
      setText("playback-at", `${secondsText(at)}: not looked at yet`);
      return;
    }
    const { pace, room, cause, state, age, load } = point;
    const why = cause === null ? "" : `, limited by: ${ENDS[cause] ?? "unknown"}`;
    const sight = REACH_STATES[state] === "clear" ? "" : `, head: ${REACH_STATES[state]}`;
    const seen = cause === null || age === null ? "" : `, seen ${age.toFixed(1)} s ago`;
    setText(
      "playback-at",
      `${secondsText(at)}: ${pace.toFixed(2)} m/s, ${metresText(room)} free ahead${why}${seen}${sight}; load ${Math.round(100 * load)} %`,
    );
  }

  #sayPlace(): void {
    if (this.#readAt !== null) return;
    if (this.#playing === null || this.#recording === null) return;
    const { at, frame } = this.#playing;
    const { length, frames } = this.#recording;
    const place = `${secondsText(at)} of ${secondsText(length)}`;
    setText(
      "playback-at",
      `${place}, frame ${countText(frame)} of ${countText(frames)}; area: pace (amber: below half, pale: stop), line: free way up to 3 m; below: load, line: age up to 2 s`,
    );
  }

  list(recording: Recording): void {
    this.#recording = recording;
    const { names, name, moments, curve } = recording;
    this.#curve = readCurve(curve);
    const all = names.includes(name) ? names : [name, ...names];
    this.#names.replaceChildren(...all.map((one) => new Option(one, one, false, one === name)));
    this.#files.most = recording.most;
    this.#events.show(moments);
    this.#showCurve();
    this.#timeline.show(recording, this.#playing);
    this.#sayPlace();
  }
}
