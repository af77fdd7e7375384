import { cosOf, sinOf, tanOf } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { solveSymmetric } from "../geometry/solve.ts";

/** Lengths in metres, angles in radians. Counts are those of the frame `wheels`, in its order. */
export type Wheels =
  | {
      /** Two driven wheels on one axle: counts of left and right. */
      readonly kind: "differential";
      readonly radius: number;
      readonly countsPerTurn: number;
      /** Between the middles of the wheels. */
      readonly track: number;
      /** Of the axle ahead of the base's floor point. */
      readonly axle: number;
    }
  | {
      /** Front wheels are steered, rear ones are not: counts of one rear wheel, or of the left and the right one. */
      readonly kind: "steered";
      readonly radius: number;
      readonly countsPerTurn: number;
      readonly wheelbase: number;
      /** Rear wheels with counts: 1 or 2. */
      readonly counted: 1 | 2;
      /** Of the rear axle ahead of the base's floor point. */
      readonly axle: number;
    }
  | {
      /** Three or four wheels with rollers, which drive in any direction. */
      readonly kind: "omnidirectional";
      readonly radius: number;
      readonly countsPerTurn: number;
      readonly wheels: readonly {
        readonly x: number;
        readonly y: number;
        /** Direction in which the wheel rolls forwards, counter-clockwise from ahead. */
        readonly heading: number;
        /** From that direction to the axis of the roller on the floor: 0 for rollers across the wheel, +-pi/4 for slanted ones. */
        readonly roller: number;
      }[];
    };

/** Motion in the frame of the base: forward and left in metres, turn in radians. */
type Twist = readonly [forward: number, left: number, turn: number];

/** How the base moved when its wheels rolled so far. */
function twistOf(wheels: Wheels, rolled: readonly number[], steering: number): Twist {
  switch (wheels.kind) {
    case "differential": {
      const turn = (rolled[1]! - rolled[0]!) / wheels.track;
      return [(rolled[0]! + rolled[1]!) / 2, -turn * wheels.axle, turn];
    }
    case "steered": {
      const forward = wheels.counted === 2 ? (rolled[0]! + rolled[1]!) / 2 : rolled[0]!;
      const turn = (forward * tanOf(steering)) / wheels.wheelbase;
      return [forward, -turn * wheels.axle, turn];
    }
    default:
      return twistOfRollers(wheels.wheels, rolled);
  }
}

/**
 * Least squares over the wheels. A roller slides across its own axis only, so along that axis the floor point of the wheel moves as the wheel
 * rolls: (v + turn x r) . axis = rolled * (rolling direction . axis). Source: the constraint of a wheel with rollers, Siegwart & Nourbakhsh,
 * "Introduction to Autonomous Mobile Robots", 3.2.3 (from memory).
 */
function twistOfRollers(
  wheels: (Wheels & { kind: "omnidirectional" })["wheels"],
  rolled: readonly number[],
): Twist {
  const normal = new Float64Array(9);
  const right = new Float64Array(3);
  wheels.forEach(({ x, y, heading, roller }, i) => {
    const [ax, ay] = [cosOf(heading + roller), sinOf(heading + roller)];
    const row = [ax, ay, x * ay - y * ax];
    const along = rolled[i]! * cosOf(roller);
    for (let r = 0; r < 3; r++) {
      right[r] = right[r]! + row[r]! * along;
      for (let c = 0; c < 3; c++) normal[3 * r + c] = normal[3 * r + c]! + row[r]! * row[c]!;
    }
  });
  const twist = new Float64Array(3);
  return solveSymmetric(twist, normal, right, 3) ? [twist[0]!, twist[1]!, twist[2]!] : [0, 0, 0];
}

/** Metres a second: counts that mean a higher speed are those of a board that has started again. */
const MOST_SPEED = 10;

export interface Odometry {
  /** x, y, yaw since the start, accumulated. */
  readonly pose: Vec3;
  /** Forward, left, turning; null when no time has passed. */
  readonly speed: Vec3 | null;
}

/** Accumulates wheel counts into the odometry of the base. */
export class WheelOdometry {
  readonly #wheels: Wheels;
  #last: { readonly counts: readonly number[]; readonly time: number } | null = null;
  #x = 0;
  #y = 0;
  #yaw = 0;

  constructor(wheels: Wheels) {
    this.#wheels = wheels;
  }

  /**
   * Takes the next counts.
   * @param counts   accumulated, 32-bit, wrapping
   * @param steering radians, of a steered base
   * @param time     microseconds, when they were measured
   * @returns null for the first counts, for counts that are not newer, and after the board has started again
   */
  take(counts: readonly number[], steering: number, time: number): Odometry | null {
    const last = this.#last;
    if (last !== null && time <= last.time) return null;
    this.#last = { counts, time };
    if (last === null) return null;
    const perCount = (2 * Math.PI * this.#wheels.radius) / this.#wheels.countsPerTurn;
    const rolled = counts.map((count, i) => perCount * ((count - last.counts[i]!) | 0));
    const seconds = (time - last.time) / 1e6;
    if (rolled.some((way) => Math.abs(way) > MOST_SPEED * seconds)) return null;
    const [forward, left, turn] = twistOf(this.#wheels, rolled, steering);
    // The chord of the arc points along the mean heading.
    const cos = cosOf(this.#yaw + turn / 2);
    const sin = sinOf(this.#yaw + turn / 2);
    this.#x += cos * forward - sin * left;
    this.#y += sin * forward + cos * left;
    this.#yaw += turn;
    return {
      pose: [this.#x, this.#y, this.#yaw],
      speed: [forward / seconds, left / seconds, turn / seconds],
    };
  }
}
