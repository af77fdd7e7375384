import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";

/** A place on the floor: metres and radians. */
export interface Planar {
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
}

/** Motion of the base at the time of a frame, from all sources. */
export interface MotionKnown {
  /** Microseconds. */
  readonly time: number;
  /** Whether the world pose is given from outside: then every step of it is followed. */
  readonly isGiven: boolean;
  /** Pose by wheel odometry, in its own frame; null without odometry. */
  readonly wheels: Planar | null;
  /** Yaw by the orientation sensor, radians, from its own zero; null without one. */
  readonly heading: number | null;
  /** Whether depth constrains `world` fully: only then can it contradict the wheels. */
  readonly isHeld: boolean;
  /** Pose in the world, tracked or from a reference; and its horizontal standard deviation, metres, 0 for a reference. */
  readonly world: Planar;
  readonly worldSigma: number;
}

/** Error of the wheels as a share of the distance, scale and slip together. Common practice, no source. */
const WHEEL_ERROR = 0.03;
/** Error of the wheels in a turn, metres per radian: 3 % of the turn, half a metre from the base. Chosen by hand. */
const TURN_ERROR = 0.015;
/** The same if the orientation sensor measures the turn: a scale error of 0.4 %. Common practice for cheap gyros, no source. */
const SENSED_TURN_ERROR = 0.002;
/** Cap of the uncertainty that one step adds, metres. */
const MOST_DOUBT = 0.25;
/** Growth of the uncertainty, m/s, while the measured steps are impossible. Chosen by hand. */
const UNKNOWN_SPEED = 0.5;
/** Distance after which an older difference between depth and wheels counts half, metres. Chosen by hand. */
const FORGOTTEN_AFTER = 2;
/** Motion of this frame in the world, metres or radians, after which the map's blocked cells are looked up again. Chosen by hand. */
const NOTICED = 0.01;
/** History of the uncertainty, samples: some minutes of frames. */
const MOST_KEPT = 4096;
/** Tolerance of a step against the last velocity: metres, share of the distance, m/s^2. Found on drives with pose jumps. */
const LEAST_JUMP = 0.04;
const JUMP_SHARE = 0.15;
const MOST_ACCELERATION = 1;
/** m/s: a faster step means that the odometry was reset. Chosen by hand: no indoor base is that fast. */
export const FASTEST_WHEELS = 5;
/** The same tolerance for a turn: radians, share of the turn, rad/s^2. Chosen by hand. */
const LEAST_TWIST = 0.06;
const MOST_TWIST = 20;
/** Seconds: after a longer step the velocity before it is no reference. */
const LONGEST_STEP = 1;
/** Largest difference between the turns by orientation sensor and wheels: radians, and share of the turn. Beyond it the yaw has jumped. */
const LEAST_TURN_APART = 0.02;
const TURN_APART_SHARE = 0.3;

/**
 * The odometry frame: a frame that follows the base's own motion and never jumps. The memory of the ground near the base lives in it, so that a
 * correction of the world pose does not move that memory. The base moves in it by wheel odometry, or else by the steps of the world pose. A step
 * that no base can make is replaced by dead reckoning with the last velocity. At the start the frame equals the world.
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
  /** Motion of the wheels over the same way, metres; turns count one metre from the base. */
  #rolled = 0;
  /** Microseconds and metres: how the doubt has grown, oldest first. */
  readonly #grown: { readonly time: number; readonly doubt: number }[] = [];

  /** Drift since the frame began, metres, 1 sigma. The growth since an observation is the uncertainty of that observation. */
  get doubt(): number {
    return this.#doubt;
  }

  /** The newest time, microseconds, since which the uncertainty has grown by at least `most` metres; -Infinity before that. */
  sureSince(most: number): number {
    const grown = this.#grown;
    while (grown.length > 1 && this.#doubt - grown[1]!.doubt >= most) grown.shift();
    return grown.length > 0 && this.#doubt - grown[0]!.doubt >= most
      ? grown[0]!.time
      : Number.NEGATIVE_INFINITY;
  }

  /** The base's last pose in this frame. */
  get place(): Planar {
    return this.#place;
  }

  /** The base's pose at another time, extrapolated with its last velocity. */
  at(time: number): Planar {
    return Number.isFinite(this.#time) ? this.#after((time - this.#time) / 1e6) : this.#place;
  }

  /** Transforms a pose from the world to this frame, by the base's last pose in both; and back. */
  fromWorld(place: Planar): Planar {
    return this.#world === null ? place : plus(this.#place, between(this.#world, place));
  }

  toWorld(place: Planar): Planar {
    return this.#world === null ? place : plus(this.#world, between(this.#place, place));
  }

  /** The world's frame has changed: places p in it are now at R(yaw) p + (x, y). That is no motion of the base. */
  moveWorld(x: number, y: number, yaw: number): void {
    if (this.#world !== null) this.#world = plus({ x, y, yaw }, this.#world);
  }

  /** Whether the transform to the world has changed near the base since `noteLie`. */
  get liesOtherwise(): boolean {
    const now = this.toWorld(this.#place);
    const before = plus(this.#lie, this.#place);
    return hypot2(now.x - before.x, now.y - before.y) > NOTICED || Math.abs(now.yaw - before.yaw) > NOTICED;
  }

  /** The pose of this frame's origin in the world; remembers it for `liesOtherwise`. */
  noteLie(): Planar {
    this.#lie = this.toWorld({ x: 0, y: 0, yaw: 0 });
    return this.#lie;
  }

  /**
   * Moves the base to the time of a frame.
   * @returns the base's pose at that time; earlier times are extrapolated with the velocity
   */
  advance({ time, isGiven, wheels, heading, isHeld, world, worldSigma }: MotionKnown): Planar {
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

  /** Difference between the motions by depth and by the wheels since `settle`: from where the base is by the wheels to where it is by depth. */
  get apartBy(): Planar {
    return this.#apart;
  }

  /** Size of that difference, metres; a heading error counts one metre away. */
  get apart(): number {
    return hypot2(this.#apart.x, this.#apart.y) + Math.abs(this.#apart.yaw);
  }

  /** Whether the base was carried: depth and wheels differ by more than all that the wheels have turned. No slip does that. */
  get wasCarried(): boolean {
    return this.apart > this.#rolled;
  }

  settle(): void {
    this.#apart = { x: 0, y: 0, yaw: 0 };
    this.#rolled = 0;
  }

  /** Accumulates the difference between depth and wheels. An impossible step is a correction of the pose and no motion. */
  #compare(step: Planar, seen: Planar, seconds: number): void {
    if (!this.#isPossible(seen, seconds)) return;
    const [cos, sin] = [cosOf(this.#place.yaw), sinOf(this.#place.yaw)];
    const [dx, dy] = [seen.x - step.x, seen.y - step.y];
    // The usual error of wheels fades with the distance.
    const way = hypot2(step.x, step.y);
    const kept = 1 / (1 + way / FORGOTTEN_AFTER);
    this.#rolled = kept * this.#rolled + way + Math.abs(step.yaw);
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

/** A step of the wheels with the turn by the orientation sensor, unless its yaw has jumped: wheels slip most in turns. */
export function turnedBy(step: Planar, before: number | null, heading: number | null): Planar {
  if (before === null || heading === null) return step;
  const yaw = wrapAngle(heading - before);
  const apart = Math.abs(wrapAngle(yaw - step.yaw));
  return apart <= LEAST_TURN_APART + TURN_APART_SHARE * Math.abs(step.yaw) ? { ...step, yaw } : step;
}

/** The step from one pose to another, in the axes of the first. */
export function between(from: Planar, to: Planar): Planar {
  const [dx, dy] = [to.x - from.x, to.y - from.y];
  const [cos, sin] = [cosOf(from.yaw), sinOf(from.yaw)];
  return { x: cos * dx + sin * dy, y: cos * dy - sin * dx, yaw: wrapAngle(to.yaw - from.yaw) };
}

/** A pose moved by a step. */
export function plus({ x, y, yaw }: Planar, step: Planar): Planar {
  const [cos, sin] = [cosOf(yaw), sinOf(yaw)];
  return { x: x + cos * step.x - sin * step.y, y: y + sin * step.x + cos * step.y, yaw: yaw + step.yaw };
}
