import { atan2Of, cosOf, sinOf } from "../geometry/elementary.ts";
import { HOLD_MOST } from "../terms/freshness.ts";
import { END, STRAIGHT } from "../terms/safety.ts";
import { type BodyDescription, type BodyLimits, stoppingDistance } from "./body.ts";
import type { FootingLayer, Place } from "./footing.ts";
import { seesFloor } from "./glance-frame.ts";
import { fastest, Permits, worstWay } from "./pace.ts";
import type { ReachNow } from "./reach.ts";
import type { SensorView } from "./sensor-views.ts";
import type { SlowZone, SlowZones } from "./slow-zones.ts";
import type { Sweep, Turned } from "./sweep.ts";
import { type Room, SweptRoom, waysOf } from "./swept-room.ts";

export interface PaceSettings {
  readonly body: BodyDescription;
  /** Metres: side of a cell of the floor. */
  readonly cellSize: number;
  /** Metres kept between the footprint and what ends the ground, for the errors of edge, pose and tilt; a cell is kept besides. */
  readonly margin: number;
  /** Largest distance that the guard looks at, metres. */
  readonly maxReach: number;
  /** Highest pace that is ever permitted: m/s, and rad/s on the spot. */
  readonly topSpeed: number;
  readonly topTurn: number;
  /** Seconds for which a pace is valid; 0: by the frame interval. */
  readonly hold: number;
}

/** What keeps the pace straight ahead below the top speed. Lengths are metres of the base frame. */
export interface PaceLimit {
  /** An `END`. */
  readonly cause: number;
  /** Radians from ahead, counter-clockwise: where it is from the base's floor point. */
  readonly bearing: number;
  /** Distance until the outline meets it, and the point of the outline that does. */
  readonly distance: number;
  readonly outline: readonly [x: number, y: number];
  /** Seconds since that ground was last seen; Infinity when it never was. */
  readonly age: number;
  /** The name of the area that keeps the base out, or of the slow zone, where that is the cause; else null. */
  readonly area: string | null;
}

/** The fastest motion from which the body still stops on free, firm ground. */
export interface Pace {
  /** m/s straight on and straight back. */
  readonly forward: number;
  readonly backward: number;
  /** rad/s on the spot. */
  readonly left: number;
  readonly right: number;
  /** m/s along arcs, one per `CURVATURES`; empty while only frames are used. */
  readonly arcsForward: readonly number[];
  readonly arcsBackward: readonly number[];
  /**
   * Whether the body is shut in: then it may go back or turn at a crawl, over ground where it has stood, and past what the map has in the
   * way where no sensor looks now.
   */
  readonly isWayOut: boolean;
  /** Free, firm way straight on, metres; no more than was looked at. */
  readonly room: number;
  /** Null when nothing keeps the pace straight on below the top speed. */
  readonly limit: PaceLimit | null;
}

/** Inputs of a pace. Times are microseconds. */
export interface PaceInput {
  readonly footing: FootingLayer;
  /** Where the base was at `since`; null while that is not known. */
  readonly at: Pick<Place, "x" | "y" | "yaw"> | null;
  readonly since: number;
  readonly now: number;
  /** End of validity of the pace. */
  readonly until: number;
  /** (BEARINGS) 0, or the `END` for which nothing is known now in that direction. */
  readonly stale: Uint8Array;
  /** (BEARINGS) metres from which on a sensor looks there now; Infinity where none does. */
  readonly inViewFrom: Float32Array;
  /** Reach all round from the same place. */
  readonly reach: ReachNow;
  readonly slowZones: SlowZones;
  /** The same place in the world; null while it is not known. */
  readonly inWorld: Turned | null;
  /** Fresh views of which memory does not hold the newest frame. */
  readonly unplaced: readonly SensorView[];
  /** Whether the ground too near for a lens is known without a place. */
  readonly isNearKnown: boolean;
  /** Whether the pace will be sent to a base. */
  readonly isGiven: boolean;
}

/** Margin of width for the straight way in single frames, metres; and a strip's width per metre of range. */
const WIDER = 0.02;
const STRIP_WIDTH = 0.03;
/** Age of evidence, seconds, for which the swept ways are long enough, besides hold and reaction; older evidence costs speed. Chosen by hand. */
const USUAL_AGE = 0.2;
/** m/s on the way out of where a body is shut in: a contact at that speed does no harm. And m/s up to which it is shut in. By hand. */
const CRAWL = 0.1;
const SHUT_IN = 0.02;
/** A pace within this of the top speed, m/s, counts as the top speed; no base can measure the difference. */
const AS_GOOD_AS = 1e-6;

/** m/s along the backward arcs, and of the farthest corner on the spot, to the left and to the right. */
type Speeds = readonly [back: number[], spin: number[]];

/** The pace that a slow zone permits, m/s, and the metres until it begins; none: Infinity. */
interface Slowed {
  readonly speed: number;
  readonly zone: SlowZone | null;
  readonly metres: number;
}

/** Free way straight on and the place that ends it. Lengths are metres of the base frame. */
interface Ahead {
  readonly room: number;
  readonly cause: number;
  readonly x: number;
  readonly y: number;
  readonly outline: readonly [x: number, y: number];
  readonly age: number;
}

/**
 * Finds the highest speeds from which the body stops on free, firm ground with margin, if it obeys them until they end, then takes its
 * reaction delay, then brakes. Ground that was not looked at is not free. A way is swept as far as its top speed needs; where that is
 * impossible, the speed is lower.
 */
export class PaceMaker {
  readonly #settings: PaceSettings;
  readonly #limits: BodyLimits;
  readonly #rooms: SweptRoom;
  readonly #permits: Permits;

  /** @param before earlier paces, which the base may still obey */
  constructor(settings: PaceSettings, limits: BodyLimits, before: PaceMaker | null = null) {
    this.#settings = settings;
    this.#limits = limits;
    const { body, cellSize, margin, maxReach, topSpeed, hold } = settings;
    const horizon = USUAL_AGE + Math.max(hold, HOLD_MOST) + body.reactionDelay;
    const needed = margin + 2 * cellSize + stoppingDistance(topSpeed, horizon, body.deceleration);
    const length = Math.min(maxReach, needed);
    const ways = waysOf({ footprint: body.footprint, cellSize, ahead: maxReach, length });
    this.#rooms = new SweptRoom(ways, limits.gap);
    this.#permits = new Permits(2 * ways.arcs.length + 2, body.deceleration, body.reactionDelay);
    if (before !== null) this.#permits.takeOver(before.#permits);
  }

  pace(input: PaceInput): Pace {
    const { at, reach, stale, footing } = input;
    const { topSpeed, topTurn, maxReach, cellSize, body } = this.#settings;
    const seen = this.#aheadByFrames(input);
    if (at === null) return this.#byFramesAlone(input, seen);
    const rooms = this.#rooms;
    const { arcs, spot } = rooms.ways;
    rooms.standAt(footing, stale, at);
    const lasts = (input.until - input.since) / 1e6 + body.reactionDelay;
    // The ground may end anywhere within a cell: half a cell is subtracted from the room, half is in the margin.
    const along = (way: Sweep, most: number, inViewFrom: Float32Array | null = null): number => {
      const enough = this.#spare + cellSize / 2 + stoppingDistance(most, lasts, body.deceleration);
      return rooms.along(way, enough, inViewFrom).room - cellSize / 2;
    };
    const straight = arcs[STRAIGHT]![0];
    const ahead = [
      this.#aheadBySweep(straight, rooms.along(straight, maxReach), input),
      aheadByBearing(reach, this.#limits.front),
      ...(seen === null ? [] : [seen]),
    ].reduce((one, other) => (other.room < one.room ? other : one));
    const unplaced = seen?.room ?? Number.POSITIVE_INFINITY;
    const corner = topTurn * this.#limits.radius;
    if (input.inWorld !== null) {
      const reach = this.#spare + stoppingDistance(Math.max(topSpeed, corner), lasts, body.deceleration);
      input.slowZones.standAt(input.inWorld, reach);
      if (input.isGiven) input.slowZones.note();
    }
    const slowed = [...arcs.map(([way]) => way), ...arcs.map(([, way]) => way), ...spot].map((way, n) =>
      this.#slowedBy(way, n, input),
    );
    const speed = (room: number, most: number, n: number): number =>
      this.#speed(room, Math.min(most, slowed[n]!.speed), n, input);
    const forwards = arcs.map(([way], n) => {
      const room = n === STRAIGHT ? ahead.room : Math.min(along(way, topSpeed), unplaced);
      return speed(room, topSpeed, n);
    });
    const backOrTurn = (drive: number, turn: number, inViewFrom: Float32Array | null): Speeds => [
      arcs.map(([, way], n) => speed(along(way, drive, inViewFrom), drive, arcs.length + n)),
      spot.map((way, n) => speed(along(way, turn, inViewFrom), turn, 2 * arcs.length + n)),
    ];
    let others = backOrTurn(topSpeed, corner, null);
    let isWayOut = false;
    if (Math.max(...forwards, ...others.flat()) < SHUT_IN) {
      const out = backOrTurn(Math.min(topSpeed, CRAWL), Math.min(corner, CRAWL), input.inViewFrom);
      isWayOut = Math.max(...out.flat()) >= SHUT_IN;
      if (isWayOut) others = out;
    }
    const [arcsBackward, spins] = others;
    const forward = forwards[STRAIGHT]!;
    return {
      forward,
      backward: arcsBackward[STRAIGHT]!,
      left: spins[0]! / this.#limits.radius,
      right: spins[1]! / this.#limits.radius,
      arcsForward: forwards,
      arcsBackward,
      isWayOut,
      room: Math.max(0, ahead.room),
      limit: this.#limit(forward, ahead, slowed[STRAIGHT]!, input),
    };
  }

  /** What keeps the pace straight on below the top speed: a slow zone, if the ground permits as much; else the end of the ground. */
  #limit(forward: number, ahead: Ahead, { speed, zone, metres }: Slowed, input: PaceInput): PaceLimit | null {
    if (forward >= this.#settings.topSpeed - AS_GOOD_AS) return null;
    if (zone === null || forward < speed - AS_GOOD_AS) return limitOf(ahead, input);
    const outline = [this.#limits.front, 0] as const;
    return { cause: END.slowZone, bearing: 0, distance: metres, outline, age: Infinity, area: zone.name };
  }

  /**
   * The pace along a way, by the slow zones that the body comes into: it has slowed down by then.
   * @param n number of the way among the permits
   */
  #slowedBy({ curvature, direction }: Sweep, n: number, { slowZones, since, until }: PaceInput): Slowed {
    const { body, margin, topSpeed, topTurn } = this.#settings;
    const most = curvature === Number.POSITIVE_INFINITY ? topTurn * this.#limits.radius : topSpeed;
    const lasts = (until - since) / 1e6 + body.reactionDelay;
    const zones = slowZones.along(
      curvature,
      direction,
      margin + stoppingDistance(most, lasts, body.deceleration),
    );
    let slowest: Slowed = { speed: Number.POSITIVE_INFINITY, zone: null, metres: 0 };
    for (const { zone, metres } of zones) {
      const before = this.#permits.standing(n, since);
      const speed = fastest(metres - margin, lasts, body.deceleration, before, zone.speed);
      if (speed < slowest.speed) slowest = { speed, zone, metres };
    }
    return slowest;
  }

  /** Longest way, metres, that a base may have gone since a time, microseconds, under its earlier permits. */
  mayHaveGone(since: number): number {
    const ways = 2 * this.#rooms.ways.arcs.length + 2;
    let most = 0;
    for (let way = 0; way < ways; way++) {
      const standing = this.#permits.standing(way, since);
      most = Math.max(most, worstWay(standing, this.#settings.body.deceleration));
    }
    return most;
  }

  /** Metres kept between the body and the end of its room. */
  get #spare(): number {
    return this.#settings.margin + this.#settings.cellSize / 2;
  }

  /** The highest speed along a way with `room` metres; recorded as a permit if it is sent. */
  #speed(room: number, most: number, way: number, { since, until, isGiven }: PaceInput): number {
    const { deceleration, reactionDelay } = this.#settings.body;
    const lasts = (until - since) / 1e6 + reactionDelay;
    const before = this.#permits.standing(way, since);
    const speed = Math.min(most, fastest(room - this.#spare, lasts, deceleration, before));
    if (isGiven) this.#permits.give(way, speed, since, until);
    return speed;
  }

  /** While no position is known, only the view of frames straight ahead counts. */
  #byFramesAlone(input: PaceInput, seen: Ahead | null): Pace {
    const { topSpeed } = this.#settings;
    const { front } = this.#limits;
    const why = input.stale[0]!;
    const ahead = seen ?? {
      room: 0,
      cause: why !== 0 ? why : input.isNearKnown ? END.unlooked : END.unplaced,
      x: front,
      y: 0,
      outline: [front, 0] as const,
      age: input.reach.viewAge[0]!,
    };
    // The zone in which the body was when its place was last known.
    const zone = input.slowZones.lastInside;
    const slowed = { speed: zone?.speed ?? Number.POSITIVE_INFINITY, zone, metres: 0 };
    const forward = this.#speed(ahead.room, Math.min(topSpeed, slowed.speed), STRAIGHT, input);
    const ways = 2 * this.#rooms.ways.arcs.length + 2;
    for (let way = 0; way < ways; way++) if (way !== STRAIGHT) this.#speed(0, topSpeed, way, input);
    return {
      forward,
      backward: 0,
      left: 0,
      right: 0,
      arcsForward: [],
      arcsBackward: [],
      isWayOut: false,
      room: Math.max(0, ahead.room),
      limit: this.#limit(forward, ahead, slowed, input),
    };
  }

  #aheadBySweep(way: Sweep, { room, cause, point }: Room, { now }: PaceInput): Ahead {
    const told = room - this.#settings.cellSize / 2;
    const { front } = this.#limits;
    if (point < 0) return { room: told, cause, x: front + room, y: 0, outline: [front, 0], age: Infinity };
    const { place, outline, seen } = this.#rooms.meeting(way, point);
    return { room: told, cause, x: place[0], y: place[1], outline, age: (now - seen) / 1e6 };
  }

  /**
   * Free way straight on by frames that memory does not hold; null when none of them looks there. The ground too near for a lens is left
   * to memory. A frame that is older than the place counts with the way that the base may have gone since.
   */
  #aheadByFrames({ at, unplaced, since, now }: PaceInput): Ahead | null {
    const { front, halfWidth } = this.#limits;
    const { maxReach, topSpeed } = this.#settings;
    const half = halfWidth + WIDER;
    let found: Ahead | null = null;
    for (const { frame, captured } of unplaced) {
      const gone = (Math.max(0, since - captured) / 1e6) * topSpeed;
      for (let n = 0; n < frame.strips; n++) {
        const x = frame.endX[n]!;
        const y = frame.endY[n]!;
        // Strips are some centimetres wide: an end counts if any part of it reaches into the way.
        if (frame.farX[n]! < front || Math.abs(y) > half + STRIP_WIDTH * frame.range[n]!) continue;
        // Without memory the ground may end anywhere between the base and the nearest row of a strip that sees no floor.
        const isLost = at === null && !seesFloor(frame, n);
        const room = isLost ? 0 : Math.min(maxReach, x - front) - gone;
        if (found !== null && found.room <= room) continue;
        const outline = [front, Math.max(-halfWidth, Math.min(halfWidth, y))] as const;
        found = { room, cause: frame.kind[n]!, x, y, outline, age: (now - captured) / 1e6 };
      }
    }
    return found;
  }
}

/** Free way straight on, from the bearing straight ahead: pace and reach must not contradict each other. */
function aheadByBearing({ distance, ends, age, viewAge }: ReachNow, front: number): Ahead {
  const end = ends[0]!;
  const isStale = end === END.late || end === END.blind || end === END.frozen;
  return {
    room: distance[0]! - front,
    cause: end === END.open ? END.unlooked : end,
    x: Math.max(front, distance[0]!),
    y: 0,
    outline: [front, 0],
    age: isStale ? viewAge[0]! : age[0]!,
  };
}

const limitOf = ({ room, cause, x, y, outline, age }: Ahead, { footing, at }: PaceInput): PaceLimit => ({
  cause,
  bearing: atan2Of(y, x),
  distance: Math.max(0, room),
  outline,
  age,
  area: cause === END.keptOut && at !== null ? areaBefore(footing, at, x, y) : null,
});

/** The name of the area at a place of the base frame, metres. */
function areaBefore(
  footing: FootingLayer,
  at: Pick<Place, "x" | "y" | "yaw">,
  x: number,
  y: number,
): string | null {
  const cos = cosOf(at.yaw);
  const sin = sinOf(at.yaw);
  return footing.areaAt(at.x + cos * x - sin * y, at.y + sin * x + cos * y);
}
