import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";

/** A place on the floor: metres and radians. */
export interface Planar {
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
}

/** What is known of the base's motion at the time of a frame. */
export interface MotionKnown {
  /** Microseconds. */
  readonly time: number;
  /** By the wheels, in an origin of their own; null without. */
  readonly wheels: Planar | null;
  /** Radians, by an orientation sensor, in an origin of its own; null without. */
  readonly heading: number | null;
  /** Whether `world` is held by depth, so that it may contradict the wheels. */
  readonly isHeld: boolean;
  /** By tracking or by a reference, in the world; and its horizontal standard deviation, metres, 0 for a reference. */
  readonly world: Planar;
  readonly worldSigma: number;
}

/** Share of the way by which wheels may be wrong, scale and slip together. Common practice, no source. */
const WHEEL_ERROR = 0.03;
/** Metres per radian that wheels may be wrong: a heading error of 3 % at the places half a metre away. Chosen by hand. */
const TURN_ERROR = 0.015;
/** The same where the orientation sensor tells the turn: a scale error of 0.4 %. Common practice for cheap gyros, no source. */
const SENSED_TURN_ERROR = 0.002;
/** Most that one step may add to the doubt, metres. */
const MOST_DOUBT = 0.25;
/** m/s by which the doubt grows while a step cannot have been made. Chosen by hand. */
const UNKNOWN_SPEED = 0.5;
/** Metres of way after which a difference between depth and wheels counts for half. Chosen by hand. */
const FORGOTTEN_AFTER = 2;
/** Metres, and radians, by which the frame must have moved in the world for what lies in it to be asked anew. Chosen by hand. */
const NOTICED = 0.01;
/** Samples of the doubt's growth that are kept: some minutes of frames. */
const MOST_KEPT = 4096;
/** How far a step may differ from that of the last speed: metres, share of the way, m/s^2. Found on drives whose pose jumped. */
const LEAST_JUMP = 0.04;
const JUMP_SHARE = 0.15;
const MOST_ACCELERATION = 1;
/** m/s: faster wheels have been set to another origin. Chosen by hand: no base indoors is. */
const FASTEST_WHEELS = 5;
/** The same of a turn: radians, share of the turn, rad/s^2. Chosen by hand. */
const LEAST_TWIST = 0.06;
const MOST_TWIST = 20;
/** Seconds between steps after which the speed before says nothing. */
const LONGEST_STEP = 1;
/** How far the orientation sensor may turn otherwise than the wheels: radians, and share of the turn. Beyond, its yaw has jumped. */
const LEAST_TURN_APART = 0.02;
const TURN_APART_SHARE = 0.3;

/**
 * Where the base is in a frame that follows its own motion and never jumps: what is remembered of the ground around it stays where it is,
 * however the pose in the world is corrected. The base moves in it by its wheels, else by steps of the pose in the world. A step that a base
 * cannot have made is replaced by one of the speed before. The frame begins as the world's.
 */
export class LocalFrame {
  #place: Planar = { x: 0, y: 0, yaw: 0 };
  #time = Number.NEGATIVE_INFINITY;
  #wheels: Planar | null = null;
  #heading: number | null = null;
  #world: Planar | null = null;
  #worldSigma = 0;
  /** m/s along the base's own axes, and rad/s. */
  #speed: Planar = { x: 0, y: 0, yaw: 0 };
  #doubt = 0;
  #lie: Planar = { x: 0, y: 0, yaw: 0 };
  #apart: Planar = { x: 0, y: 0, yaw: 0 };
  /** Microseconds and metres: how the doubt has grown, oldest first. */
  readonly #grown: { readonly time: number; readonly doubt: number }[] = [];

  /** Metres by which the frame may have drifted since it began. What has grown since a sight is that sight's doubt. */
  get doubt(): number {
    return this.#doubt;
  }

  /** The newest time, microseconds, since which the doubt has grown by at least `most` metres; -Infinity while it has not. */
  sureSince(most: number): number {
    const grown = this.#grown;
    while (grown.length > 1 && this.#doubt - grown[1]!.doubt >= most) grown.shift();
    return grown.length > 0 && this.#doubt - grown[0]!.doubt >= most
      ? grown[0]!.time
      : Number.NEGATIVE_INFINITY;
  }

  /** Where the base was last. */
  get place(): Planar {
    return this.#place;
  }

  /** Where the base is at another time, by its speed. */
  at(time: number): Planar {
    return Number.isFinite(this.#time) ? this.#after((time - this.#time) / 1e6) : this.#place;
  }

  /** The place in the frame of one in the world, by where the base was last in both; and the other way round. */
  fromWorld(place: Planar): Planar {
    return this.#world === null ? place : plus(this.#place, between(this.#world, place));
  }

  toWorld(place: Planar): Planar {
    return this.#world === null ? place : plus(this.#world, between(this.#place, place));
  }

  /** Whether the frame has come to lie otherwise in the world around the base since `noteLie`. */
  get liesOtherwise(): boolean {
    const now = this.toWorld(this.#place);
    const before = plus(this.#lie, this.#place);
    return hypot2(now.x - before.x, now.y - before.y) > NOTICED || Math.abs(now.yaw - before.yaw) > NOTICED;
  }

  /** How the frame lies in the world: the place of its origin there. */
  noteLie(): Planar {
    this.#lie = this.toWorld({ x: 0, y: 0, yaw: 0 });
    return this.#lie;
  }

  /**
   * Brings the frame up to a time.
   * @param isGiven whether the pose in the world is given from outside: then it is followed wherever it goes
   * @returns where the base was then; earlier times are answered by the speed
   */
  advance({ time, wheels, heading, isHeld, world, worldSigma }: MotionKnown, isGiven: boolean): Planar {
    const seconds = (time - this.#time) / 1e6;
    if (seconds <= 0) return this.at(time);
    const before = {
      wheels: this.#wheels,
      heading: this.#heading,
      world: this.#world,
      sigma: this.#worldSigma,
    };
    this.#time = time;
    this.#wheels = wheels;
    this.#heading = heading;
    this.#world = world;
    this.#worldSigma = worldSigma;
    if (before.world === null) {
      this.#place = world;
      return world;
    }
    const byWheels = wheels !== null && before.wheels !== null;
    const step = byWheels
      ? turnedBy(between(before.wheels!, wheels), before.heading, heading)
      : between(before.world, world);
    const isPossible = byWheels
      ? hypot2(step.x, step.y) < LEAST_JUMP + FASTEST_WHEELS * seconds
      : this.#isPossible(step, seconds);
    if (byWheels && isHeld) this.#compare(step, between(before.world, world), seconds);
    if (isGiven || seconds > LONGEST_STEP || isPossible) {
      this.#place = plus(this.#place, step);
      this.#speed = { x: step.x / seconds, y: step.y / seconds, yaw: step.yaw / seconds };
      const turnError = heading === null || before.heading === null ? TURN_ERROR : SENSED_TURN_ERROR;
      const error = WHEEL_ERROR * hypot2(step.x, step.y) + turnError * Math.abs(step.yaw);
      this.#doubtBy(byWheels ? error : Math.max(0, worldSigma - before.sigma));
    } else {
      this.#place = this.#after(seconds);
      this.#doubtBy(UNKNOWN_SPEED * seconds);
    }
    return this.#place;
  }

  /** Metres by which depth and wheels have come apart since `settle`, errors of heading a metre away included. */
  get apart(): number {
    return hypot2(this.#apart.x, this.#apart.y) + Math.abs(this.#apart.yaw);
  }

  settle(): void {
    this.#apart = { x: 0, y: 0, yaw: 0 };
  }

  /** Sums up by how much depth tells of another motion than the wheels. A step that no base makes is a correction of the pose, and no motion. */
  #compare(step: Planar, seen: Planar, seconds: number): void {
    if (!this.#isPossible(seen, seconds)) return;
    const [cos, sin] = [cosOf(this.#place.yaw), sinOf(this.#place.yaw)];
    const [dx, dy] = [seen.x - step.x, seen.y - step.y];
    // What wheels are usually wrong by is forgotten with the way.
    const kept = 1 / (1 + hypot2(step.x, step.y) / FORGOTTEN_AFTER);
    this.#apart = {
      x: kept * this.#apart.x + cos * dx - sin * dy,
      y: kept * this.#apart.y + sin * dx + cos * dy,
      yaw: kept * this.#apart.yaw + wrapAngle(seen.yaw - step.yaw),
    };
  }

  #doubtBy(metres: number): void {
    if (metres === 0) return;
    this.#doubt += Math.min(MOST_DOUBT, metres);
    this.#grown.push({ time: this.#time, doubt: this.#doubt });
    if (this.#grown.length > MOST_KEPT) this.#grown.shift();
  }

  #after(seconds: number): Planar {
    const { x, y, yaw } = this.#speed;
    return plus(this.#place, { x: x * seconds, y: y * seconds, yaw: yaw * seconds });
  }

  #isPossible(step: Planar, seconds: number): boolean {
    const { x, y, yaw } = this.#speed;
    const way = hypot2(x, y) * seconds;
    const turn = Math.abs(yaw) * seconds;
    const jump = hypot2(step.x - x * seconds, step.y - y * seconds);
    const twist = Math.abs(wrapAngle(step.yaw - yaw * seconds));
    const gained = seconds * seconds;
    return (
      jump <= LEAST_JUMP + JUMP_SHARE * way + MOST_ACCELERATION * gained &&
      twist <= LEAST_TWIST + JUMP_SHARE * turn + MOST_TWIST * gained
    );
  }
}

/** A step of the wheels that turns as the orientation sensor does, unless that has jumped: wheels slip most in turns. */
export function turnedBy(step: Planar, before: number | null, heading: number | null): Planar {
  if (before === null || heading === null) return step;
  const yaw = wrapAngle(heading - before);
  const apart = Math.abs(wrapAngle(yaw - step.yaw));
  return apart <= LEAST_TURN_APART + TURN_APART_SHARE * Math.abs(step.yaw) ? { ...step, yaw } : step;
}

/** The step from one place to another, along the first one's axes. */
export function between(from: Planar, to: Planar): Planar {
  const [dx, dy] = [to.x - from.x, to.y - from.y];
  const [cos, sin] = [cosOf(from.yaw), sinOf(from.yaw)];
  return { x: cos * dx + sin * dy, y: cos * dy - sin * dx, yaw: wrapAngle(to.yaw - from.yaw) };
}

/** Where a step leads from a place. */
export function plus({ x, y, yaw }: Planar, step: Planar): Planar {
  const [cos, sin] = [cosOf(yaw), sinOf(yaw)];
  return { x: x + cos * step.x - sin * step.y, y: y + sin * step.x + cos * step.y, yaw: yaw + step.yaw };
}
