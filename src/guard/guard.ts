import type { Optics } from "../geometry/optics.ts";
import type { RayTable } from "../geometry/rays.ts";
import type { RangeNoise } from "../sense/noise.ts";
import {
  BEARINGS,
  CURVATURES,
  END,
  END_NAMES,
  type EndName,
  FOOTING,
  type Sight,
  STRAIGHT,
} from "../terms/safety.ts";
import {
  type BodyDescription,
  type BodyLimits,
  bodyLimits,
  type Footprint,
  permittedSpeed,
  RAMP_SLOPE,
  stoppingDistance,
} from "./body.ts";
import { type Brink, FootingLayer, type IsBlocked } from "./footing.ts";
import { type GlanceFrame, Glancer } from "./glance.ts";
import { type Sweep, SweptGround, sweep } from "./sweep.ts";

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

/** All round, from frame and memory. */
export interface ReachNow {
  /** (BEARINGS) metres from the base's floor point; bearing n is n * 2 pi / BEARINGS, counter-clockwise from forward. */
  readonly distance: Float32Array;
  /** (BEARINGS) a `END`. */
  readonly ends: Uint8Array;
  /** (BEARINGS) seconds since the last ground before the end was seen; Infinity when it never was. */
  readonly age: Float32Array;
}

/** What the base's own alarm is worth. */
export type Verdict = "agrees" | "disagrees" | "cannot see";

const NOT_ASKED = 255;
const FIRM: number = FOOTING.firm;

/** Ways that a body can go: along arcs, ahead and back, and on the spot; with the places of the ground that they enter. */
interface Ways {
  readonly arcs: readonly (readonly [forward: Sweep, backward: Sweep])[];
  readonly spot: readonly [left: Sweep, right: Sweep];
  /** Metres, base frame. */
  readonly groundX: Float32Array;
  readonly groundY: Float32Array;
}

/** Those that were asked for last: to find them takes as long as a frame, and settings are changed more often than bodies. */
let known: { readonly name: string; readonly ways: Ways } | null = null;

/** @param length metres that are looked at */
function waysOf(footprint: Footprint, length: number): Ways {
  const name = JSON.stringify([footprint, length]);
  if (known?.name === name) return known.ways;
  const wider = 0.02;
  const ground = new SweptGround();
  const along = (curvature: number): [Sweep, Sweep] => [
    sweep(ground, footprint, wider, curvature, 1, length),
    sweep(ground, footprint, wider, curvature, -1, length),
  ];
  // The straight way first: its sides' points must not be others', which lie a little farther out.
  const straight = along(0);
  const arcs = CURVATURES.map((curvature) => (curvature === 0 ? straight : along(curvature)));
  const spot = along(Number.POSITIVE_INFINITY);
  const ways = { arcs, spot, groundX: ground.x, groundY: ground.y };
  known = { name, ways };
  return ways;
}

/**
 * What the base must know now: for each frame first the glance, then, with a pose, memory: reach all round and pace. Holds no
 * clock: times are the events'.
 */
export class Guard {
  readonly footing: FootingLayer;
  readonly limits: BodyLimits;
  readonly settings: GuardSettings;
  readonly #ways: Ways;
  /** What the ground of all ways is: a `FOOTING`, or `NOT_ASKED` by the newest pace. */
  readonly #ground: Uint8Array;
  readonly #reach: ReachNow = {
    distance: new Float32Array(BEARINGS),
    ends: new Uint8Array(BEARINGS),
    age: new Float32Array(BEARINGS),
  };
  readonly #cos = Float64Array.from({ length: BEARINGS }, (_, n) => Math.cos((2 * Math.PI * n) / BEARINGS));
  readonly #sin = Float64Array.from({ length: BEARINGS }, (_, n) => Math.sin((2 * Math.PI * n) / BEARINGS));
  /** Where the base was when its memory began, null before. */
  #start: readonly [number, number] | null = null;
  #isStarting = true;
  #last: readonly [x: number, y: number, yaw: number] | null = null;
  /** Microseconds: newest frame with a view, newest frame, and the time between frames. */
  #sightTime = Number.NEGATIVE_INFINITY;
  #frameTime = Number.NEGATIVE_INFINITY;
  #interval = 0.1e6;
  #now = Number.NEGATIVE_INFINITY;
  #knocks: { time: number; x: number; y: number }[] = [];
  /** What the newest frame alone leaves straight on, while memory does not hold it: its place was not sure. */
  #unplaced: { readonly room: number; readonly limit: number } | null = null;
  /** How many contacts were taken for repeats. */
  repeats = 0;
  sight: Sight = "blind";

  /**
   * @param before a guard whose memory this one takes over, or null
   * @throws {RangeError} if the body or a setting makes no sense, naming it
   */
  constructor(settings: GuardSettings, before: Guard | null = null) {
    this.settings = settings;
    this.limits = bodyLimits(settings.body);
    this.footing = before?.footing ?? new FootingLayer(settings.cellSize);
    if (before !== null) {
      this.#start = before.#start;
      this.#isStarting = before.#isStarting;
      this.#last = before.#last;
      this.#sightTime = before.#sightTime;
      this.#frameTime = before.#frameTime;
      this.#interval = before.#interval;
      this.#now = before.#now;
    }
    const { footprint } = settings.body;
    this.#ways = waysOf(footprint, Math.min(settings.maxReach, 1.6));
    this.#ground = new Uint8Array(this.#ways.groundX.length);
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

  /** Time goes on: any event's stamp. */
  tick(time: number): void {
    if (time > this.#now) this.#now = time;
  }

  /** Seconds since the floor was last in view; Infinity before the first frame. */
  get blindFor(): number {
    return (this.#now - this.#sightTime) / 1e6;
  }

  /** Whether the last frame is so old that no pace is permitted. */
  get isLate(): boolean {
    return !(this.blindFor <= this.settings.maxBlind);
  }

  /** Takes note of a judged frame; comes before anything that needs a position. */
  watch(frame: GlanceFrame, time: number): void {
    this.tick(time);
    this.#unplaced = this.straightRoom(frame);
    this.sight = frame.sight;
    if (time > this.#frameTime) {
      const interval = time - this.#frameTime;
      if (interval < 1e6) this.#interval += 0.2 * (interval - this.#interval);
      this.#frameTime = time;
    }
    if ((frame.sight === "clear" || frame.sight === "dark") && time > this.#sightTime) this.#sightTime = time;
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
    if (this.isLate) return 0;
    return Math.min(topSpeed, permittedSpeed(room - margin, this.#delay(), body.deceleration));
  }

  /** Seconds from the capture of the evidence until the brakes act, at worst: age, the wait for the next frame, reaction. */
  #delay(): number {
    return Math.max(0, this.blindFor) + this.#interval / 1e6 + this.settings.body.reactionDelay;
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
    if (this.#start === null) {
      this.#start = [x, y];
      this.#isStarting = true;
      this.#trustDisc(x, y, this.limits.radius + 0.06, time, floor);
    }
    if (this.#isStarting) {
      this.#isStarting = Math.hypot(x - this.#start[0], y - this.#start[1]) < 0.05;
      if (this.#isStarting) this.#trustNear(frame, time, x, y, yaw, floor);
    }
    footing.add(frame, time, x, y, yaw, floor);
  }

  #trustDisc(x: number, y: number, radius: number, time: number, floor: number): void {
    const size = this.settings.cellSize;
    for (let dx = -radius; dx <= radius; dx += size / 2) {
      for (let dy = -radius; dy <= radius; dy += size / 2) {
        if (dx * dx + dy * dy <= radius * radius) this.footing.trust(x + dx, y + dy, time, floor);
      }
    }
  }

  /** From where the base stands to the nearest floor in view, where there is floor to be seen. */
  #trustNear(frame: GlanceFrame, time: number, x: number, y: number, yaw: number, floor: number): void {
    const cos = Math.cos(yaw);
    const sin = Math.sin(yaw);
    const size = this.settings.cellSize;
    for (let n = 0; n < frame.strips; n++) {
      const bx = frame.nearX[n]!;
      const by = frame.nearY[n]!;
      const far = Math.hypot(bx, by);
      const seen = Math.hypot(frame.endX[n]! - bx, frame.endY[n]! - by);
      if (seen < 0.05 || far - this.limits.radius > this.settings.startTrust) continue;
      for (let s = 0; s <= far + size; s += size / 2) {
        const px = (bx * s) / far;
        const py = (by * s) / far;
        this.footing.trust(x + cos * px - sin * py, y + sin * px + cos * py, time, floor);
      }
    }
  }

  /** The world's frame was corrected: what is remembered goes with it, every place p to R(yaw) p + (x, y). */
  move(x: number, y: number, yaw: number): void {
    const cos = Math.cos(yaw);
    const sin = Math.sin(yaw);
    const moved = (px: number, py: number) => [cos * px - sin * py + x, sin * px + cos * py + y] as const;
    this.footing.move(x, y, yaw);
    if (this.#start !== null) this.#start = moved(...this.#start);
    if (this.#last !== null) this.#last = [...moved(this.#last[0], this.#last[1]), this.#last[2] + yaw];
    for (const knock of this.#knocks) [knock.x, knock.y] = moved(knock.x, knock.y);
  }

  /** Nothing remembered holds any more: the base was carried, or its position was lost. */
  forget(): void {
    this.footing.clear();
    this.#start = null;
    this.#last = null;
    this.#knocks = [];
  }

  /** Where the map has something in the body's way; `revision` changes whenever the answers may. */
  setBlocked(isBlocked: IsBlocked | null, revision: number): void {
    this.footing.setBlocked(isBlocked, revision);
  }

  /** Reach all round from a place in the world; the arrays are reused. */
  reach(x: number, y: number, yaw: number): ReachNow {
    const { footing } = this;
    const { maxReach, cellSize } = this.settings;
    const { distance, ends, age } = this.#reach;
    const { gap, radius } = this.limits;
    const cy = Math.cos(yaw);
    const sy = Math.sin(yaw);
    const per = 1 / cellSize;
    const step = cellSize / 2;
    const from = 0.5 * radius; // the base stands on what is nearer
    for (let n = 0; n < BEARINGS; n++) {
      const dx = cy * this.#cos[n]! - sy * this.#sin[n]!;
      const dy = sy * this.#cos[n]! + cy * this.#sin[n]!;
      // From cell to cell, none left out. Source: Amanatides and Woo 1987.
      let i = Math.floor((x + dx * from) * per);
      let j = Math.floor((y + dy * from) * per);
      const stepI = dx < 0 ? -1 : 1;
      const stepJ = dy < 0 ? -1 : 1;
      const acrossI = Math.abs(cellSize / dx);
      const acrossJ = Math.abs(cellSize / dy);
      let nextI = dx === 0 ? Number.POSITIVE_INFINITY : ((i + (dx < 0 ? 0 : 1)) * cellSize - x) / dx;
      let nextJ = dy === 0 ? Number.POSITIVE_INFINITY : ((j + (dy < 0 ? 0 : 1)) * cellSize - y) / dy;
      let firm = 0;
      let end: number = END.open;
      let doubtful = false;
      for (let enter = from; enter <= maxReach; ) {
        const leave = nextI < nextJ ? nextI : nextJ;
        const what = footing.at(i, j);
        if (what === FIRM) {
          firm = leave - step; // the ground may end anywhere within the last cell
          doubtful = false;
        } else if (what === FOOTING.gone || what === FOOTING.blocked) {
          end = what === FOOTING.gone ? END.brink : END.obstacle;
          firm = Math.max(firm, enter - step);
          break;
        } else {
          if (what === FOOTING.doubtful) doubtful = true;
          if (leave - firm > gap + step && leave > radius) {
            end = doubtful ? END.doubtful : END.unseen;
            break;
          }
        }
        if (nextI < nextJ) {
          i += stepI;
          nextI += acrossI;
        } else {
          j += stepJ;
          nextJ += acrossJ;
        }
        enter = leave;
      }
      distance[n] = end === END.open ? maxReach : firm;
      ends[n] = end;
      const at = Math.max(0, distance[n]! - step);
      const seen = footing.timeAt(Math.floor((x + dx * at) * per), Math.floor((y + dy * at) * per));
      age[n] = (this.#now - seen) / 1e6;
    }
    return this.#reach;
  }

  /** Free way along a sweep from a place in the world, metres, and what ends it; `enough` metres are looked at. */
  #room(
    { point, way }: Sweep,
    x: number,
    y: number,
    cos: number,
    sin: number,
    enough: number,
  ): { room: number; limit: number } {
    const ground = this.#ground;
    const { groundX, groundY } = this.#ways;
    for (let k = 0; k < point.length && way[k]! < enough; k++) {
      const p = point[k]!;
      let what = ground[p]!;
      if (what === NOT_ASKED) {
        what = this.#groundAt(groundX[p]!, groundY[p]!, x, y, cos, sin);
        ground[p] = what;
      }
      if (what === FIRM) continue;
      if (what === FOOTING.doubtful) return { room: way[k]!, limit: END.doubtful };
      if (what === FOOTING.unseen) return { room: way[k]!, limit: END.unseen };
      return { room: way[k]!, limit: what === FOOTING.gone ? END.brink : END.obstacle };
    }
    return { room: this.settings.maxReach, limit: END.open };
  }

  /** Footing at a point of the base; a hole of one cell between firm ones takes no wheel, and is firm. */
  #groundAt(bx: number, by: number, x: number, y: number, cos: number, sin: number): number {
    const { footing } = this;
    const per = 1 / this.settings.cellSize;
    const i = Math.floor((x + cos * bx - sin * by) * per);
    const j = Math.floor((y + sin * bx + cos * by) * per);
    const what = footing.at(i, j);
    if (what !== FOOTING.unseen && what !== FOOTING.doubtful) return what;
    const isNarrow =
      this.settings.cellSize <= this.limits.gap &&
      ((footing.at(i - 1, j) === FIRM && footing.at(i + 1, j) === FIRM) ||
        (footing.at(i, j - 1) === FIRM && footing.at(i, j + 1) === FIRM));
    return isNarrow ? FIRM : what;
  }

  /** Pace from a place in the world, by all that is remembered. */
  pace(x: number, y: number, yaw: number): Pace {
    const cos = Math.cos(yaw);
    const sin = Math.sin(yaw);
    // Beyond the way in which the base stops from its top speed nothing slows it; straight on, the way itself is told.
    const { margin, topSpeed, topTurn, maxReach, body } = this.settings;
    const { radius } = this.limits;
    this.#ground.fill(NOT_ASKED);
    const toStop = margin + stoppingDistance(topSpeed, this.#delay(), body.deceleration);
    const toStand = margin + stoppingDistance(topTurn * radius, this.#delay(), body.deceleration);
    const room = (way: Sweep, enough: number) => this.#room(way, x, y, cos, sin, enough);
    const unplaced = this.#unplaced;
    const ahead = this.#ways.arcs.map(([forward], n) => {
      const known = room(forward, n === STRAIGHT ? maxReach : toStop);
      return unplaced !== null && unplaced.room < known.room ? unplaced : known;
    });
    const straight = ahead[STRAIGHT]!;
    const backward = this.#ways.arcs.map(([, back]) => this.speedFor(room(back, toStop).room));
    const arcs = ahead.map((one) => this.speedFor(one.room));
    const spin = (way: Sweep) => Math.min(topTurn, this.speedFor(room(way, toStand).room) / radius);
    return {
      forward: arcs[STRAIGHT]!,
      backward: backward[STRAIGHT]!,
      left: spin(this.#ways.spot[0]),
      right: spin(this.#ways.spot[1]),
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
    const repeat = 1e6 * this.settings.knockRepeat;
    this.#knocks = this.#knocks.filter((old) => time - old.time < repeat);
    const old = this.#knocks.find((one) => Math.hypot(one.x - wx, one.y - wy) < 0.1);
    if (old !== undefined) {
      old.time = time; // as long as it bounces it is one
      this.repeats++;
      return false;
    }
    this.#knocks.push({ time, x: wx, y: wy });
    this.footing.addKnock(wx, wy);
    return true;
  }
}
