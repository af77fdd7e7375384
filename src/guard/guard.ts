import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import type { Optics } from "../geometry/optics.ts";
import type { RayTable } from "../geometry/rays.ts";
import type { Brink } from "../map/brink-lines.ts";
import type { RangeNoise } from "../sense/noise.ts";
import { FOOTING, type StreamSight, type Verdict } from "../terms/safety.ts";
import { type BodyLimits, bodyLimits, type Footprint, holds, RAMP_SLOPE } from "./body.ts";
import { giveUpDisplaced } from "./displaced.ts";
import { FootingLayer, type IsBlocked, type KeptOutBy, type Place } from "./footing.ts";
import { Glancer } from "./glance.ts";
import type { GlanceFrame } from "./glance-frame.ts";
import { Knocks } from "./knocks.ts";
import { type Pace, PaceMaker, type PaceSettings } from "./pace-maker.ts";
import { limitByFrames, openReach, ReachAround, type ReachNow } from "./reach.ts";
import { type SensorView, SensorViews } from "./sensor-views.ts";
import { type SlowZone, SlowZones } from "./slow-zones.ts";
import { StartTrust } from "./start-trust.ts";
import { type Turned, widened } from "./sweep.ts";

export interface GuardSettings extends PaceSettings {
  /** Longest time, seconds, without a usable view of a direction until motion into it is forbidden. */
  readonly maxBlind: number;
  /** Seconds for which firm ground is remembered. */
  readonly memory: number;
  /** Metres around the start that are taken as firm up to the nearest floor in view: whoever starts the base vouches for it. */
  readonly startTrust: number;
  /** Contacts at one place within this time, seconds, are one knock. */
  readonly knockRepeat: number;
  /** Radians. */
  readonly maxTrim: number;
  /** Zones in which the base drives slowly, in the world. */
  readonly slowIn: readonly SlowZone[];
  /** Amplitude below which the sensor reports nothing; 0: it is learnt. */
  readonly gate: number;
}

/** The answer at one time, from all frames and memory. */
export interface GuardAnswer {
  readonly reach: ReachNow;
  readonly pace: Pace;
  /** Microseconds until which the pace may be obeyed. */
  readonly until: number;
  /** How the floor is seen, over all sensors. */
  readonly state: StreamSight | "late";
  /** Seconds since any sensor had a fit view of the floor. */
  readonly age: number;
  /** Whether memory was used. */
  readonly isRemembered: boolean;
}

/** Drift of the local frame, in which ground is remembered. Times are microseconds. */
export interface Ageing {
  /** Where the base is in it. */
  readonly at: Whereabouts;
  /** Firm ground that was seen before is unseen. */
  readonly firmSince: number;
  /** Cells by which drops may have drifted since the start; floor touched since `touchedSince` stays firm. */
  readonly step: number;
  readonly touchedSince: number;
}

type Whereabouts = Pick<Place, "x" | "y" | "yaw">;

export type { Pace, PaceLimit } from "./pace-maker.ts";

/** A pose that jumps by more than this, metres, discards the memory of the ground. Chosen by hand. */
const ELSEWHERE = 0.5;
/**
 * While no pose is known: seconds without a usable view, and metres that the base may have moved meanwhile, after which the ground too near for
 * the lens counts as unknown. Chosen by hand.
 */
const LONGEST_PAUSE = 0.5;
const LONGEST_WAY = 0.05;
/** Metres around the body that count as what it stands on: the outline that is swept is as much wider. */
const AROUND = 0.02;

/**
 * Gives the base reach and pace: for each frame the glance, then, with a pose, memory. It has no clock: times
 * are the events'.
 */
export class Guard {
  readonly footing: FootingLayer;
  readonly limits: BodyLimits;
  readonly settings: GuardSettings;
  readonly #views: SensorViews;
  readonly #startTrust: StartTrust;
  readonly #knocks: Knocks;
  readonly #around: ReachAround;
  readonly #paces: PaceMaker;
  readonly #slowZones: SlowZones;
  /** Transforms a place from the frame in which ground is remembered to the world. */
  toWorld: (at: Turned) => Turned = (at) => at;
  readonly #reach = openReach();
  /** The outline that the body is taken to stand on. */
  readonly #standsOn: Footprint;
  /** Where the base was when a frame was last remembered. */
  #last: readonly [x: number, y: number] | null = null;
  #firmSince = Number.NEGATIVE_INFINITY;
  /** Whether the ground too near for the lens is known without a pose: it was just in view, or the base has just started. */
  #isNearKnown = true;

  /**
   * @param before a guard whose memory this one takes over, or null
   * @throws {RangeError} naming an invalid setting
   */
  constructor(settings: GuardSettings, before: Guard | null = null) {
    this.settings = settings;
    this.limits = bodyLimits(settings.body);
    this.footing = before?.footing ?? new FootingLayer(settings.cellSize);
    this.#views = before === null ? new SensorViews() : before.#views;
    this.#startTrust = before === null ? new StartTrust() : before.#startTrust;
    this.#knocks = before === null ? new Knocks() : before.#knocks;
    this.#last = before === null ? null : before.#last;
    this.#firmSince = before === null ? Number.NEGATIVE_INFINITY : before.#firmSince;
    this.#isNearKnown = before === null ? true : before.#isNearKnown;
    const { gap, radius } = this.limits;
    this.#around = new ReachAround({ maxReach: settings.maxReach, gap, radius });
    const around = AROUND + settings.cellSize / 2;
    this.#standsOn = widened(settings.body.footprint, around, around);
    if (before !== null) this.toWorld = before.toWorld;
    this.#slowZones = new SlowZones(
      settings.slowIn,
      settings.body.footprint,
      before === null ? null : before.#slowZones,
    );
    this.#paces = new PaceMaker(settings, this.limits, before === null ? null : before.#paces);
  }

  /** A glance for one camera; null for a laser and for an image too small to be judged. */
  openGlancer(optics: Optics, rays: RayTable, unitsPerMetre: number, noise: RangeNoise): Glancer | null {
    if (optics.model === "scan" || rays.width < 16 || rays.height < 12) return null;
    const { body, maxTrim, maxReach, gate } = this.settings;
    const { drop, step, gap } = this.limits;
    return new Glancer(rays, unitsPerMetre, {
      drop,
      step,
      gap,
      bodyHeight: body.height,
      // A ramp, plus the tilt error that remains after the trim.
      slope: RAMP_SLOPE + 0.015,
      maxTrim,
      maxReach,
      gate,
      noise,
    });
  }

  /** Takes the stamp of any event. */
  tick(time: number): void {
    this.#views.tick(time);
  }

  /** Forgets all other sensors. */
  keepSensors(names: readonly string[]): void {
    this.#views.keep(names);
  }

  /** Microseconds: capture of the newest frame of any sensor; -Infinity before the first. */
  get newest(): number {
    return this.#views.newest;
  }

  /** Whether a direction has become late or blind since the last answer. */
  get isStaler(): boolean {
    return this.#views.isStaler(this.settings.maxBlind);
  }

  /** While a stream is frozen (old content with new stamps) no motion is permitted, whatever memory says. */
  distrust(isFrozen: boolean): void {
    this.#views.isFrozen = isFrozen;
  }

  /** The position has been unknown for long: the base may have turned, and the ground too near for a lens is unknown. */
  losePlace(): void {
    this.#isNearKnown = false;
  }

  /** Takes a judged frame; comes before anything that needs a position. */
  watch(sensor: string, frame: GlanceFrame, time: number): void {
    const { newestFit } = this.#views;
    const pause = (time - newestFit) / 1e6;
    if (Number.isFinite(pause) && pause > LONGEST_PAUSE && this.#paces.mayHaveGone(newestFit) > LONGEST_WAY) {
      this.#isNearKnown = false;
    }
    this.#views.see(sensor, frame, time);
  }

  /**
   * Remembers a frame that `watch` took.
   * @param at of the base at the frame's time, in the frame in which ground is remembered
   */
  remember(sensor: string, frame: GlanceFrame, time: number, at: Place): void {
    const view = this.#views.get(sensor);
    if (view?.frame === frame) view.isPlaced = true;
    this.#isNearKnown = true;
    const last = this.#last;
    if (last !== null && hypot2(at.x - last[0], at.y - last[1]) > ELSEWHERE) this.forget();
    this.#last = [at.x, at.y];
    const { footing } = this;
    footing.oldest = Math.max(time - 1e6 * this.settings.memory, this.#firmSince);
    const { startTrust } = this.settings;
    this.#startTrust.trust({ footing, frame, time, at, radius: this.limits.radius, most: startTrust });
    footing.add(frame, time, at);
    this.#standAt(at, time);
  }

  /** Notes the ground under the body, and under the cell that its outline reaches into. */
  #standAt({ x, y, yaw }: Place, time: number): void {
    const { cellSize } = this.settings;
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    const radius = this.limits.radius + cellSize;
    const first = (at: number): number => Math.floor((at - radius) / cellSize);
    const last = (at: number): number => Math.floor((at + radius) / cellSize);
    for (let j = first(y); j <= last(y); j++) {
      for (let i = first(x); i <= last(x); i++) {
        const dx = (i + 0.5) * cellSize - x;
        const dy = (j + 0.5) * cellSize - y;
        if (holds(this.#standsOn, cos * dx + sin * dy, cos * dy - sin * dx)) this.footing.standOn(i, j, time);
      }
    }
  }

  /** The local frame has drifted: old evidence may lie elsewhere. */
  age({ at, firmSince, step, touchedSince }: Ageing): void {
    this.#firmSince = firmSince;
    this.footing.stoodSince = firmSince;
    this.footing.widenDrops(step, at, touchedSince);
  }

  /**
   * The base may have been carried: gives up firm ground, keeps drops, and restarts where the base stands. Around it, ground is trusted again if
   * it was firm before. That holds if a person carried the base and vouches for the new place, and if the base was not carried.
   */
  restart(): void {
    this.footing.giveUpFirm();
    this.#startTrust.forget();
  }

  /**
   * The base is perhaps elsewhere in the memory than it should be: gives up the firm ground that is not firm then. Nobody vouches for any ground.
   * @param at    where it should be
   * @param by    the step by which it may be elsewhere, in the axes of the memory's frame
   * @param since microseconds: floor touched later stays firm
   */
  displace(at: Turned, by: Turned, since: number): void {
    giveUpDisplaced(this.footing, { at, by, since, gap: this.limits.gap });
  }

  /** Discards the memory: the base was carried, or its position was lost. */
  forget(): void {
    this.footing.clear();
    this.#startTrust.forget();
    this.#knocks.clear();
    this.#last = null;
  }

  /** See `FootingLayer.setBlocked`. */
  setBlocked(isBlocked: IsBlocked | null, revision: number, keptOutBy: KeptOutBy | null = null): void {
    this.footing.setBlocked(isBlocked, revision, keptOutBy);
  }

  /**
   * The answer at this time. It counts as sent: later answers assume that the base obeys it until its end.
   * @param at    of the base in the world, as it was at `since`; null while that is not known
   * @param since microseconds
   */
  answer(at: Whereabouts | null, since: number): GuardAnswer {
    const { hold, maxBlind } = this.settings;
    const views = this.#views;
    const until = Math.round(views.now + 1e6 * views.hold(hold, maxBlind));
    const reach = this.#look(at);
    return {
      reach,
      pace: this.#pace(at, since, until, true),
      until,
      state: views.state(maxBlind),
      age: views.blindFor,
      isRemembered: at !== null,
    };
  }

  /** Reach all round from a place in the world, by memory; the arrays are reused. */
  reach(x: number, y: number, yaw: number): ReachNow {
    return this.#look({ x, y, yaw });
  }

  /** Pace from a place in the world, by memory, as if the base were there now. It does not count as sent. */
  pace(x: number, y: number, yaw: number): Pace {
    const { hold, maxBlind } = this.settings;
    const at = { x, y, yaw };
    this.#look(at);
    const { now } = this.#views;
    return this.#pace(at, now, now + 1e6 * this.#views.hold(hold, maxBlind), false);
  }

  #pace(at: Whereabouts | null, since: number, until: number, isGiven: boolean): Pace {
    const { now, stale, inViewFrom } = this.#views;
    return this.#paces.pace({
      footing: this.footing,
      at,
      since,
      now,
      until,
      stale,
      inViewFrom,
      reach: this.#reach,
      slowZones: this.#slowZones,
      inWorld: at === null ? null : this.toWorld(at),
      unplaced: this.#unplaced(at === null),
      isNearKnown: this.#isNearKnown,
      isGiven,
    });
  }

  /** Updates reach and staleness to the present time. */
  #look(at: Whereabouts | null): ReachNow {
    const reach = this.#reach;
    const views = this.#views;
    views.refresh(this.settings.maxBlind);
    if (at !== null) this.#around.look(this.footing, at, views.now, reach);
    const frames = this.#unplaced(at === null).map(({ frame }) => frame);
    if (at === null || frames.length > 0) limitByFrames(frames, at === null, reach);
    views.agesInto(reach.viewAge);
    for (let n = 0; n < views.stale.length; n++) {
      const why = views.stale[n]!;
      if (why === 0) continue;
      reach.distance[n] = 0;
      reach.ends[n] = why;
    }
    return reach;
  }

  /**
   * Fresh views whose newest frame is not in memory yet. Alone they are of no use while the ground too near for the lens is
   * unknown, because ground that was not looked at is unseen.
   */
  #unplaced(isAlone: boolean): SensorView[] {
    if (this.#views.isFrozen || (isAlone && !this.#isNearKnown)) return [];
    const fresh = this.#views.fresh(this.settings.maxBlind);
    return isAlone ? fresh : fresh.filter(({ isPlaced }) => !isPlaced);
  }

  /** Brinks near a place in the world. */
  brinks(x: number, y: number): Brink[] {
    return this.footing.brinks([x, y], this.settings.maxReach);
  }

  /**
   * Whether the memory agrees with the base's floor sensor at a place in the world.
   * @param alarm whether that sensor says that the floor is missing
   */
  judgeFloorcheck(wx: number, wy: number, alarm: boolean): Verdict {
    const size = this.settings.cellSize;
    let firm = 0;
    let gone = 0;
    let cells = 0;
    // The position of the sensor's spot is known to one cell.
    for (let di = -1; di <= 1; di++) {
      for (let dj = -1; dj <= 1; dj++) {
        const what = this.footing.at(Math.floor(wx / size) + di, Math.floor(wy / size) + dj);
        cells++;
        if (what === FOOTING.gone) gone++;
        else if (what === FOOTING.firm) firm++;
      }
    }
    if (gone > 0) return alarm ? "agrees" : "disagrees";
    if (firm === cells) return alarm ? "disagrees" : "agrees";
    return "cannot see";
  }

  /**
   * Takes a bump contact at a place in the world.
   * @returns false when it is the bounce of one before
   */
  knock(time: number, wx: number, wy: number): boolean {
    if (!this.#knocks.take(time, wx, wy, this.settings.knockRepeat)) return false;
    this.footing.addKnock(wx, wy);
    return true;
  }

  /** Number of contacts that were dropped as bounces. */
  get repeats(): number {
    return this.#knocks.repeats;
  }
}
