import type { Optics } from "../geometry/optics.ts";
import type { RayTable } from "../geometry/rays.ts";
import type { RangeNoise } from "../sense/noise.ts";
import { END, END_NAMES, type EndName, FOOTING, type Sight, STRAIGHT } from "../terms/safety.ts";
import {
  type BodyDescription,
  type BodyLimits,
  bodyLimits,
  permittedSpeed,
  RAMP_SLOPE,
  stoppingDistance,
} from "./body.ts";
import type { Brink } from "./brink-lines.ts";
import { FootingLayer, type IsBlocked } from "./footing.ts";
import { Freshness } from "./freshness.ts";
import { Glancer } from "./glance.ts";
import type { GlanceFrame } from "./glance-frame.ts";
import { Knocks } from "./knocks.ts";
import { ReachAround, type ReachNow } from "./reach.ts";
import { StartTrust } from "./start-trust.ts";
import type { Sweep } from "./sweep.ts";
import { type Room, SweptRoom, waysOf } from "./swept-room.ts";

/** Metres of each way that are swept. */
const MOST_SWEPT = 1.6;

export interface GuardSettings {
  readonly body: BodyDescription;
  /** Metres: side of a cell of the floor. */
  readonly cellSize: number;
  /** Metres kept between the footprint and what ends the ground: one cell, and the errors of edge, pose and tilt. */
  readonly margin: number;
  /** Metres: how far the guard looks. */
  readonly maxReach: number;
  /** m/s: faster is never permitted. */
  readonly topSpeed: number;
  /** rad/s likewise. */
  readonly topTurn: number;
  /** Seconds without a fit view after which the pace is 0. */
  readonly maxBlind: number;
  /** Seconds that firm ground is remembered. */
  readonly memory: number;
  /** Metres around the start that are taken as firm up to the nearest floor in view: whoever starts the base vouches for it. */
  readonly startTrust: number;
  /** Seconds within which contacts at one place are one knock. */
  readonly knockRepeat: number;
  /** Radians. */
  readonly maxTrim: number;
  /** Amplitude below which the sensor reports nothing; 0 learns it. */
  readonly gate: number;
}

/** The fastest motion from which the body still stops on free, firm ground. */
export interface Pace {
  /** m/s straight on and straight back. */
  readonly forward: number;
  readonly backward: number;
  /** rad/s on the spot. */
  readonly left: number;
  readonly right: number;
  /** m/s along arcs, one per `CURVATURES`. */
  readonly arcsForward: readonly number[];
  readonly arcsBackward: readonly number[];
  /** Metres of free way straight on, margin included, and what ends it. */
  readonly room: number;
  readonly limit: EndName;
}

/** What the base's own alarm is worth. */
export type Verdict = "agrees" | "disagrees" | "cannot see";

/**
 * What the base must know now: for each frame first the glance, then, with a pose, memory: reach all round and pace. Holds no
 * clock: times are the events'.
 */
export class Guard {
  readonly footing: FootingLayer;
  readonly limits: BodyLimits;
  readonly settings: GuardSettings;
  readonly #freshness: Freshness;
  readonly #startTrust: StartTrust;
  readonly #knocks: Knocks;
  readonly #reach: ReachAround;
  readonly #rooms: SweptRoom;
  /** Where the base was when a frame was last remembered. */
  #last: readonly [x: number, y: number, yaw: number] | null = null;
  /** What the newest frame alone leaves straight on, while memory does not hold it: its place was not sure. */
  #unplaced: Room | null = null;
  #isFrozen = false;

  /**
   * @param before a guard whose memory this one takes over, or null
   * @throws {RangeError} if the body or a setting makes no sense, naming it
   */
  constructor(settings: GuardSettings, before: Guard | null = null) {
    this.settings = settings;
    this.limits = bodyLimits(settings.body);
    this.footing = before?.footing ?? new FootingLayer(settings.cellSize);
    this.#freshness = before === null ? new Freshness() : before.#freshness;
    this.#startTrust = before === null ? new StartTrust() : before.#startTrust;
    this.#knocks = before === null ? new Knocks() : before.#knocks;
    this.#last = before === null ? null : before.#last;
    const { maxReach } = settings;
    const { gap, radius } = this.limits;
    this.#reach = new ReachAround({ maxReach, gap, radius });
    const ways = waysOf(settings.body.footprint, Math.min(maxReach, MOST_SWEPT));
    this.#rooms = new SweptRoom(ways, maxReach, gap);
  }

  /** A glance for one camera; null for a laser and for an image too small to be judged. */
  openGlancer(optics: Optics, rays: RayTable, unitsPerMetre: number, noise: RangeNoise): Glancer | null {
    if (optics.model === "scan" || rays.width < 16 || rays.height < 12) return null;
    const { body, maxTrim, maxReach, gate } = this.settings;
    const { drop, step, gap } = this.limits;
    return new Glancer(rays, unitsPerMetre, {
      ...{ drop, step, gap, bodyHeight: body.height, maxTrim, maxReach, gate, noise },
      // A ramp, and what the trim leaves of a tilt.
      slope: RAMP_SLOPE + 0.015,
    });
  }

  /** Takes the stamp of any event. */
  tick(time: number): void {
    this.#freshness.tick(time);
  }

  get sight(): Sight {
    return this.#freshness.sight;
  }

  /** Seconds since the floor was last in view; Infinity before the first frame. */
  get blindFor(): number {
    return this.#freshness.blindFor;
  }

  /** Whether the last frame is so old that no pace is permitted. */
  get isLate(): boolean {
    return !(this.blindFor <= this.settings.maxBlind);
  }

  /** Permits no pace while the content of a stream is old, whatever is remembered and however new its stamps are. */
  distrust(isFrozen: boolean): void {
    this.#isFrozen = isFrozen;
  }

  /** Takes note of a judged frame; comes before anything that needs a position. */
  watch(frame: GlanceFrame, time: number): void {
    this.#unplaced = this.straightRoom(frame);
    this.#freshness.see(frame.sight, time);
  }

  /**
   * Free way straight on by one frame alone, from the footprint's front, and what ends it. The ground too near for the lens
   * is left to memory.
   */
  straightRoom(frame: GlanceFrame): { readonly room: number; readonly limit: number } {
    const { front, halfWidth } = this.limits;
    const half = halfWidth + 0.02;
    let room = this.settings.maxReach;
    let limit: number = END.open;
    for (let n = 0; n < frame.strips; n++) {
      // Strips are some centimetres wide: the end counts if any of it reaches into the way.
      if (Math.abs(frame.endY[n]!) > half + 0.03 * frame.range[n]!) continue;
      const ahead = frame.endX[n]! - front;
      if (ahead < room) {
        room = ahead;
        limit = frame.kind[n]!;
      }
    }
    return { room, limit };
  }

  /** m/s for so much room from the footprint on, in metres, by the delays of this moment. */
  speedFor(room: number): number {
    const { body, margin, topSpeed } = this.settings;
    if (this.isLate || this.#isFrozen) return 0;
    return Math.min(topSpeed, permittedSpeed(room - margin, this.#delay(), body.deceleration));
  }

  /** Seconds from the capture of the evidence until the brakes act, at worst: age, the wait for the next frame, reaction. */
  #delay(): number {
    return Math.max(0, this.blindFor) + this.#freshness.interval + this.settings.body.reactionDelay;
  }

  /**
   * Remembers a frame.
   * @param x, y, yaw of the base in the world at the frame's time; `floor` is the height of the floor under it
   */
  remember(frame: GlanceFrame, time: number, x: number, y: number, yaw: number, floor: number): void {
    this.#unplaced = null;
    const last = this.#last;
    // A base that finds itself elsewhere knows nothing of the floor there.
    if (last !== null && Math.hypot(x - last[0], y - last[1]) > 0.5) this.forget();
    this.#last = [x, y, yaw];
    const { footing } = this;
    footing.oldest = time - 1e6 * this.settings.memory;
    const { radius } = this.limits;
    this.#startTrust.trust(footing, frame, time, { x, y, yaw, floor }, radius, this.settings.startTrust);
    footing.add(frame, time, x, y, yaw, floor);
  }

  /** The world's frame was corrected: what is remembered goes with it, every place p to R(yaw) p + (x, y). */
  move(x: number, y: number, yaw: number): void {
    const cos = Math.cos(yaw);
    const sin = Math.sin(yaw);
    const moved = (px: number, py: number) => [cos * px - sin * py + x, sin * px + cos * py + y] as const;
    this.footing.move(x, y, yaw);
    this.#startTrust.move(moved);
    this.#knocks.move(moved);
    if (this.#last !== null) this.#last = [...moved(this.#last[0], this.#last[1]), this.#last[2] + yaw];
  }

  /** Nothing remembered holds any more: the base was carried, or its position was lost. */
  forget(): void {
    this.footing.clear();
    this.#startTrust.forget();
    this.#knocks.clear();
    this.#last = null;
  }

  /** Where the map has something in the body's way; `revision` changes whenever the answers may. */
  setBlocked(isBlocked: IsBlocked | null, revision: number): void {
    this.footing.setBlocked(isBlocked, revision);
  }

  /** Reach all round from a place in the world; the arrays are reused. */
  reach(x: number, y: number, yaw: number): ReachNow {
    return this.#reach.look(this.footing, x, y, yaw, this.#freshness.now);
  }

  /** Pace from a place in the world, by all that is remembered. */
  pace(x: number, y: number, yaw: number): Pace {
    // Beyond the way in which the base stops from its top speed nothing slows it; straight on, the way itself is told.
    const { margin, topSpeed, topTurn, maxReach, body } = this.settings;
    const { radius } = this.limits;
    const rooms = this.#rooms;
    rooms.standAt(this.footing, x, y, yaw);
    const toStop = margin + stoppingDistance(topSpeed, this.#delay(), body.deceleration);
    const toStand = margin + stoppingDistance(topTurn * radius, this.#delay(), body.deceleration);
    const unplaced = this.#unplaced;
    const ahead = rooms.ways.arcs.map(([forward], n) => {
      const known = rooms.along(forward, n === STRAIGHT ? maxReach : toStop);
      return unplaced !== null && unplaced.room < known.room ? unplaced : known;
    });
    const straight = ahead[STRAIGHT]!;
    const backward = rooms.ways.arcs.map(([, back]) => this.speedFor(rooms.along(back, toStop).room));
    const arcs = ahead.map((one) => this.speedFor(one.room));
    const spin = (way: Sweep) => Math.min(topTurn, this.speedFor(rooms.along(way, toStand).room) / radius);
    return {
      forward: arcs[STRAIGHT]!,
      backward: backward[STRAIGHT]!,
      left: spin(rooms.ways.spot[0]),
      right: spin(rooms.ways.spot[1]),
      arcsForward: arcs,
      arcsBackward: backward,
      room: straight.room,
      limit: END_NAMES[straight.limit]!,
    };
  }

  /** Brinks near a place in the world. */
  brinks(x: number, y: number): Brink[] {
    return this.footing.brinks([x, y], this.settings.maxReach);
  }

  /**
   * Whether what was seen bears out the base's floor sensor at a place in the world.
   * @param alarm whether that sensor says that the floor is missing
   */
  judgeFloorcheck(wx: number, wy: number, alarm: boolean): Verdict {
    const size = this.settings.cellSize;
    let firm = 0;
    let gone = 0;
    let cells = 0;
    // The sensor looks at a spot, and where that is is known to a cell.
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

  /** How many contacts were taken for repeats. */
  get repeats(): number {
    return this.#knocks.repeats;
  }
}
