import { hypot2 } from "../geometry/elementary.ts";
import { HOLD_INTERVALS, HOLD_LEAST, HOLD_MOST, SILENT_AFTER, SILENT_INTERVALS } from "../terms/freshness.ts";
import { BEARINGS, END, type Sight, type StreamSight } from "../terms/safety.ts";
import type { GlanceFrame } from "./glance-frame.ts";
import { bearingOf } from "./sweep.ts";

/** Microseconds: assumed frame interval before it is measured; and the longest pause that counts as an interval. Chosen by hand. */
const USUAL_INTERVAL = 0.1e6;
const LONGEST_INTERVAL = 1e6;
/** Gain of the mean interval. Chosen by hand. */
const INTERVAL_SHARE = 0.2;

/** One sensor's view of the floor, and its age. Times are microseconds of the events' clock. */
export interface SensorView {
  /** The newest frame; the sensor's next one overwrites it. */
  frame: GlanceFrame;
  /** When the newest frame was captured, and whether it is in memory. */
  captured: number;
  isPlaced: boolean;
  /** When the newest frame with a usable view of the floor was captured, and when it arrived. */
  fitCaptured: number;
  fitArrived: number;
  /** Between frames. */
  interval: number;
  /** (BEARINGS) 1 where the view covers ground, and metres from the base's floor point from which on it does. */
  readonly covers: Uint8Array;
  readonly coversFrom: Float32Array;
}

const isFit = (sight: Sight): boolean => sight === "clear" || sight === "dark";

/**
 * The views of all sensors that see floor: which directions each covers, and whether it is fresh. A sensor keeps no direction fresh but
 * those in its own view. No clock is read: the newest stamp of all events is the present time.
 */
export class SensorViews {
  /** Microseconds: the newest stamp of all events. */
  now = Number.NEGATIVE_INFINITY;
  /** Whether a stream is frozen (old content with new stamps): then every direction is stale. */
  isFrozen = false;
  /** (BEARINGS) 0 for a fresh direction, else why it is stale: `END.late`, `END.blind` or `END.frozen`. */
  readonly stale = new Uint8Array(BEARINGS).fill(END.late);
  /** (BEARINGS) metres from the base's floor point from which on a fresh view covers ground; Infinity where none does. */
  readonly inViewFrom = new Float32Array(BEARINGS).fill(Number.POSITIVE_INFINITY);
  readonly #views = new Map<string, SensorView>();
  /** Sensors whose views were stale at the last update of `stale`. */
  #staleSensors: ReadonlySet<string> = new Set();

  /** Takes the stamp of any event. */
  tick(time: number): void {
    if (time > this.now) this.now = time;
  }

  /** Takes a judged frame of a sensor. */
  see(sensor: string, frame: GlanceFrame, time: number): void {
    this.tick(time);
    let view = this.#views.get(sensor);
    if (view === undefined) {
      view = {
        frame,
        captured: Number.NEGATIVE_INFINITY,
        isPlaced: false,
        fitCaptured: Number.NEGATIVE_INFINITY,
        fitArrived: Number.NEGATIVE_INFINITY,
        interval: USUAL_INTERVAL,
        covers: new Uint8Array(BEARINGS),
        coversFrom: new Float32Array(BEARINGS),
      };
      this.#views.set(sensor, view);
    }
    view.frame = frame;
    view.isPlaced = false;
    if (time > view.captured) {
      const interval = time - view.captured;
      if (interval < LONGEST_INTERVAL) view.interval += INTERVAL_SHARE * (interval - view.interval);
      view.captured = time;
    }
    if (isFit(frame.sight)) {
      view.fitCaptured = Math.max(view.fitCaptured, time);
      view.fitArrived = this.now;
    }
    coverOf(frame, view);
  }

  get(sensor: string): SensorView | undefined {
    return this.#views.get(sensor);
  }

  /** Forgets the views of all other sensors. */
  keep(sensors: readonly string[]): void {
    for (const name of [...this.#views.keys()]) if (!sensors.includes(name)) this.#views.delete(name);
  }

  /** Fresh views, in the order of the sensors' first frames. */
  fresh(maxBlind: number): SensorView[] {
    return [...this.#views.values()].filter((view) => this.#why(view, maxBlind) === 0);
  }

  /** Microseconds: capture of the newest frame of any sensor; -Infinity before the first. */
  get newest(): number {
    let newest = Number.NEGATIVE_INFINITY;
    for (const { captured } of this.#views.values()) newest = Math.max(newest, captured);
    return newest;
  }

  /** Microseconds: capture of the newest frame with a usable view of the floor; -Infinity before the first. */
  get newestFit(): number {
    let newest = Number.NEGATIVE_INFINITY;
    for (const { fitCaptured } of this.#views.values()) newest = Math.max(newest, fitCaptured);
    return newest;
  }

  /** Seconds since any sensor had a usable view of the floor; Infinity before the first frame. */
  get blindFor(): number {
    return (this.now - this.newestFit) / 1e6;
  }

  /** State of the view over all sensors; "late" when none has sent anything for too long. */
  state(maxBlind: number): StreamSight | "late" {
    if (this.isFrozen) return "frozen";
    const fresh = this.fresh(maxBlind);
    if (fresh.length > 0) return fresh.some(({ frame }) => frame.sight === "dark") ? "dark" : "clear";
    const sending = [...this.#views.values()].filter((view) => this.#why(view, maxBlind) === END.blind);
    if (sending.some(({ frame }) => frame.sight === "covered")) return "covered";
    return sending.length > 0 ? "blind" : "late";
  }

  /**
   * Seconds for which a pace of the present time is valid.
   * @param hold the setting; 0: by the frame intervals
   */
  hold(hold: number, maxBlind: number): number {
    if (hold > 0) return hold;
    const intervals = this.fresh(maxBlind).map(({ interval }) => interval);
    const usual = (HOLD_INTERVALS * Math.min(USUAL_INTERVAL * 10, ...intervals)) / 1e6;
    return Math.min(HOLD_MOST, Math.max(HOLD_LEAST, usual));
  }

  /** Updates `stale` to the present time. */
  refresh(maxBlind: number): void {
    this.#staleSensors = new Set(this.#staleNow(maxBlind));
    const { stale } = this;
    const views = [...this.#views.values()].map((view) => ({ view, why: this.#why(view, maxBlind) }));
    const isAny = views.some(({ why }) => why === 0);
    // While no view is fresh, nothing confirms the base's position on the remembered ground: no bearing is answered from memory.
    const otherwise = isAny ? 0 : (views.find(({ why }) => why === END.blind)?.why ?? END.late);
    this.inViewFrom.fill(Number.POSITIVE_INFINITY);
    if (this.isFrozen) {
      stale.fill(END.frozen);
      return;
    }
    for (let n = 0; n < BEARINGS; n++) {
      let why = otherwise;
      let isFresh = false;
      for (const one of views) {
        if (one.view.covers[n] === 0) continue;
        if (one.why === 0) {
          isFresh = true;
          this.inViewFrom[n] = Math.min(this.inViewFrom[n]!, one.view.coversFrom[n]!);
        } else why = one.why;
      }
      stale[n] = isFresh ? 0 : why;
    }
  }

  /** Whether a view has become stale since `refresh`. */
  isStaler(maxBlind: number): boolean {
    return this.#staleNow(maxBlind).some((name) => !this.#staleSensors.has(name));
  }

  /** (BEARINGS) seconds since a sensor that covers the bearing had a usable view; Infinity where none does. */
  agesInto(out: Float32Array): void {
    out.fill(Number.POSITIVE_INFINITY);
    for (const { covers, fitCaptured } of this.#views.values()) {
      const age = (this.now - fitCaptured) / 1e6;
      for (let n = 0; n < BEARINGS; n++) if (covers[n] === 1 && age < out[n]!) out[n] = age;
    }
  }

  #staleNow(maxBlind: number): string[] {
    const names: string[] = [];
    for (const [name, view] of this.#views) if (this.#why(view, maxBlind) !== 0) names.push(name);
    return names;
  }

  /** Why a view is stale, an `END`; 0 when it is fresh. */
  #why(view: SensorView, maxBlind: number): number {
    const limit = Math.min(maxBlind, Math.max(SILENT_AFTER, (SILENT_INTERVALS * view.interval) / 1e6));
    if (isFit(view.frame.sight)) return (this.now - view.fitArrived) / 1e6 > limit ? END.late : 0;
    return (this.now - view.captured) / 1e6 > maxBlind ? END.late : END.blind;
  }
}

/** Marks the bearings in which a frame's strips look at ground, between neighbouring strips, too. */
function coverOf(
  { strips, nearX, nearY, farX, farY }: GlanceFrame,
  out: Pick<SensorView, "covers" | "coversFrom">,
): void {
  out.covers.fill(0);
  let before = -1;
  let rangeBefore = 0;
  for (let n = 0; n < strips; n++) {
    if (nearX[n] === farX[n] && nearY[n] === farY[n]) {
      before = -1; // no floor in the strip's view
      continue;
    }
    const near = bearingOf(nearX[n]!, nearY[n]!);
    const far = bearingOf(farX[n]!, farY[n]!);
    const range = hypot2(nearX[n]!, nearY[n]!);
    markBetween(near, far, range, out);
    if (before >= 0) markBetween(before, far, Math.max(range, rangeBefore), out);
    before = far;
    rangeBefore = range;
  }
}

/** Marks the bearings between two, on the shorter side, as covered from `range` metres on. */
function markBetween(
  from: number,
  to: number,
  range: number,
  { covers, coversFrom }: Pick<SensorView, "covers" | "coversFrom">,
): void {
  const turn = ((((to - from + BEARINGS / 2) % BEARINGS) + BEARINGS) % BEARINGS) - BEARINGS / 2;
  const step = turn < 0 ? -1 : 1;
  for (let k = 0; k <= Math.abs(turn); k++) {
    const n = (from + step * k + BEARINGS) % BEARINGS;
    coversFrom[n] = covers[n] === 1 ? Math.min(coversFrom[n]!, range) : range;
    covers[n] = 1;
  }
}
