import { atan2Of, cosOf, hypot2, sinOf, square } from "../geometry/elementary.ts";
import type { Pose } from "../geometry/optics.ts";
import { fromYawPitchRoll } from "../geometry/rigid.ts";
import { wrapAngle } from "../geometry/vec.ts";

export interface WayPoint {
  readonly x: number;
  readonly y: number;
  /** m/s on the way to this point. */
  readonly speed: number;
  /** How far before the point the turn into the next leg begins, metres; 0 stops and turns on the spot. */
  readonly corner: number;
  /** Headings to face in turn while standing here, radians; standing `pause` seconds after each. */
  readonly look: readonly number[];
  /** Seconds to stand here; above 0 the corner is not rounded. */
  readonly pause: number;
}

export interface Chassis {
  /** Between front and rear wheels, and left and right ones, metres. */
  readonly wheelbase: number;
  readonly track: number;
  readonly wheelRadius: number;
  /** m/s^2, speeding up and braking. */
  readonly acceleration: number;
  readonly braking: number;
  /** rad/s, on the spot and in corners. */
  readonly turnRate: number;
  /** Nose-down pitch per braking, rad per m/s^2, of a damped spring with this natural frequency (Hz) and damping. */
  readonly dip: { readonly gain: number; readonly frequency: number; readonly damping: number };
}

/** Height of the floor under (x, y), looked for from `from` downwards; -Infinity where there is none. */
export type Ground = (x: number, y: number, from: number) => number;

/** The path leads where the wheels cannot go. */
export class DriveError extends Error {
  override readonly name = "DriveError";
}

const STEP = 0.005; // metres between nodes
const PIVOT = 0.2; // metres of way that one radian on the spot counts as
const TICK = 0.001; // seconds between entries of the dip
/** Every drive begins and ends standing this long, seconds: attitudes settle, and laps join with a chassis at rest. */
const STAND = 1;
/** Largest step that a wheel rolls over. */
const HIGHEST_STEP = 0.04;
/** Limits of a scenario, to bound memory: metres of path, seconds of drive. */
const LONGEST_WAY = 20_000;
const LONGEST_TIME = 4 * 3600;

/**
 * A corner of length 1 in `count` intervals: its curvature rises and falls as 6 u (1 - u), scaled so that linear
 * pieces turn exactly by `angle`. Returns the curvature at each node and how far the corner reaches in all.
 */
function unitCorner(angle: number, count: number): { curve: Float64Array; chord: number } {
  const curve = new Float64Array(count + 1);
  for (let i = 0; i <= count; i++) {
    const u = i / count;
    curve[i] = (6 * u * (1 - u) * angle) / (1 - 1 / (count * count)); // the error of the trapezoid rule
  }
  let x = 0;
  let y = 0;
  let yaw = 0;
  for (let i = 0; i < count; i++) {
    const yaw1 = yaw + (curve[i]! + curve[i + 1]!) / (2 * count);
    const middle = yaw + (curve[i]! * 0.375 + curve[i + 1]! * 0.125) / count;
    x += (cosOf(yaw) + 4 * cosOf(middle) + cosOf(yaw1)) / (6 * count);
    y += (sinOf(yaw) + 4 * sinOf(middle) + sinOf(yaw1)) / (6 * count);
    yaw = yaw1;
  }
  return { curve, chord: hypot2(x, y) };
}

interface Interval {
  /** Metres along the way; on the spot, PIVOT for each radian. */
  readonly length: number;
  /** Curvature at both ends, 1/m. */
  readonly curve0: number;
  readonly curve1: number;
  /** Whether the base moves; else it turns on the spot. */
  readonly moves: boolean;
  /** Highest speed along the length, m/s. */
  readonly limit: number;
}

/** Speeds and curvatures at one moment. */
export interface Motion {
  /** Metres driven forward, and radians turned, since the start: what ideal wheels would count. */
  readonly driven: number;
  readonly turned: number;
  /** m/s and rad/s. */
  readonly speed: number;
  readonly turnRate: number;
}

/**
 * A smooth drive along way points: straight legs, corners whose curvature grows and fades (so the yaw rate has no
 * steps), turns on the spot, speeds within the acceleration limits. Heights, pitch and roll follow the floor under
 * four wheels; braking dips the nose.
 */
export class Drive {
  /** Seconds from the first to the last point. */
  readonly duration: number;
  // Nodes along the way.
  readonly #x: number[] = [];
  readonly #y: number[] = [];
  readonly #yaw: number[] = [];
  readonly #driven: number[] = [];
  // The interval after each node: its length, curvature at both ends, whether it moves (else it turns on the spot).
  readonly #length: number[] = [];
  readonly #curve0: number[] = [];
  readonly #curve1: number[] = [];
  readonly #moves: boolean[] = [];
  readonly #limit: number[] = [];
  readonly #pause = new Map<number, number>();
  // Worked out from these.
  readonly #speed: Float64Array;
  readonly #arrive: Float64Array;
  readonly #leave: Float64Array;
  readonly #tilt: Float64Array; // z, pitch, roll per node
  readonly #dip: Float64Array; // pitch, rate per tick

  /**
   * @param closed whether the last point leads back to the first, ending with the heading of the start
   * @throws {DriveError} for fewer than two points, for a way without end, or where a wheel would fall or be stopped
   */
  constructor(points: readonly WayPoint[], chassis: Chassis, closed: boolean, ground: Ground | null) {
    this.#layOut(points, chassis, closed);
    this.#speed = this.#planSpeed(chassis);
    const n = this.#x.length;
    this.#arrive = new Float64Array(n);
    this.#leave = new Float64Array(n);
    let time = 0;
    for (let i = 0; i < n; i++) {
      if (i > 0) time += (2 * this.#length[i - 1]!) / (this.#speed[i - 1]! + this.#speed[i]!);
      this.#arrive[i] = time;
      time += this.#pause.get(i) ?? 0;
      this.#leave[i] = time;
    }
    if (time > LONGEST_TIME) {
      throw new DriveError(`the drive lasts ${Math.round(time)} s: give at most ${LONGEST_TIME} s`);
    }
    this.duration = time;
    this.#tilt = ground ? this.#rollOver(chassis, ground) : new Float64Array(3 * n);
    this.#dip = this.#planDip(chassis);
  }

  #node(x: number, y: number, yaw: number, driven: number): void {
    this.#x.push(x);
    this.#y.push(y);
    this.#yaw.push(yaw);
    this.#driven.push(driven);
  }

  /** An interval from the last node to a new one. */
  #extend({ length, curve0, curve1, moves, limit }: Interval): void {
    const last = this.#x.length - 1;
    const yaw0 = this.#yaw[last]!;
    // Curvature is taken as linear over an interval; position by Simpson's rule over the heading.
    const middle = yaw0 + length * (curve0 * 0.375 + curve1 * 0.125);
    const yaw1 = yaw0 + (length * (curve0 + curve1)) / 2;
    const go = moves ? length / 6 : 0;
    const x = this.#x[last]! + go * (cosOf(yaw0) + 4 * cosOf(middle) + cosOf(yaw1));
    const y = this.#y[last]! + go * (sinOf(yaw0) + 4 * sinOf(middle) + sinOf(yaw1));
    this.#length.push(length);
    this.#curve0.push(curve0);
    this.#curve1.push(curve1);
    this.#moves.push(moves);
    this.#limit.push(limit);
    this.#node(x, y, yaw1, this.#driven[last]! + (moves ? length : 0));
  }

  #straight(toX: number, toY: number, limit: number): void {
    const last = this.#x.length - 1;
    const length = hypot2(toX - this.#x[last]!, toY - this.#y[last]!);
    if (length < 1e-9) return;
    const count = Math.max(2, Math.round(length / STEP)); // 2: between two stops something must move
    for (let i = 0; i < count; i++)
      this.#extend({ length: length / count, curve0: 0, curve1: 0, moves: true, limit });
    this.#x[last + count] = toX; // rounding errors do not accumulate over the laps
    this.#y[last + count] = toY;
  }

  #turnTo(heading: number, chassis: Chassis): void {
    const angle = wrapAngle(heading - this.#yaw[this.#yaw.length - 1]!);
    if (Math.abs(angle) < 1e-9) return;
    const length = Math.abs(angle) * PIVOT;
    const count = Math.max(2, Math.round(length / STEP));
    const curve = Math.sign(angle) / PIVOT;
    this.#stand(0);
    const limit = chassis.turnRate * PIVOT;
    for (let i = 0; i < count; i++)
      this.#extend({ length: length / count, curve0: curve, curve1: curve, moves: false, limit });
    this.#stand(0);
  }

  #stand(seconds: number): void {
    const last = this.#x.length - 1;
    this.#pause.set(last, (this.#pause.get(last) ?? 0) + seconds);
  }

  #layOut(points: readonly WayPoint[], chassis: Chassis, closed: boolean): void {
    const way = closed && points[0] ? [...points, points[0]] : [...points];
    if (way.length < 2) throw new DriveError(`a drive needs two way points, got ${points.length}`);
    const heading = (i: number): number => atan2Of(way[i + 1]!.y - way[i]!.y, way[i + 1]!.x - way[i]!.x);
    const leg = (i: number): number => hypot2(way[i + 1]!.x - way[i]!.x, way[i + 1]!.y - way[i]!.y);
    let total = 0;
    for (let i = 0; i + 1 < way.length; i++) {
      total += leg(i);
      if (leg(i) < 0.01) throw new DriveError(`point ${i} is where the next one is: remove one of them`);
    }
    if (total > LONGEST_WAY) {
      throw new DriveError(`the way is ${Math.round(total)} m long: give at most ${LONGEST_WAY} m`);
    }
    const first = way[0]!;
    this.#node(first.x, first.y, heading(0), 0);
    this.#stand(STAND);
    this.#look(first, heading(0), chassis);
    for (let i = 1; i < way.length; i++) {
      const to = way[i]!;
      const last = i === way.length - 1;
      const onward = last ? (closed ? heading(0) : heading(i - 1)) : heading(i);
      const angle = wrapAngle(onward - heading(i - 1));
      const stands = last || to.pause > 0 || to.look.length > 0 || to.corner === 0 || Math.abs(angle) > 2.6;
      if (stands || Math.abs(angle) < 1e-9) {
        this.#straight(to.x, to.y, to.speed);
        if (!stands) continue;
        if (!(last && closed)) this.#look(to, onward, chassis);
        this.#turnTo(onward, chassis);
        continue;
      }
      const tangent = Math.min(to.corner, leg(i - 1) / 2, leg(i) / 2);
      const count = Math.max(20, Math.round((2 * tangent) / STEP));
      const { curve, chord } = unitCorner(angle, count);
      // Symmetric, so its chord lies across the corner: the length follows from the tangents.
      const length = (2 * tangent * cosOf(angle / 2)) / chord;
      const from = heading(i - 1);
      this.#straight(to.x - tangent * cosOf(from), to.y - tangent * sinOf(from), to.speed);
      const sharpest = (1.5 * Math.abs(angle)) / length;
      const limit = Math.min(to.speed, way[i + 1]!.speed, chassis.turnRate / sharpest);
      for (let k = 0; k < count; k++) {
        const [curve0, curve1] = [curve[k]! / length, curve[k + 1]! / length];
        this.#extend({ length: length / count, curve0, curve1, moves: true, limit });
      }
    }
    this.#stand(STAND);
  }

  #look(at: WayPoint, onward: number, chassis: Chassis): void {
    this.#stand(at.look.length === 0 ? at.pause : 0);
    for (const heading of at.look) {
      this.#turnTo(heading, chassis);
      this.#stand(at.pause);
    }
    if (at.look.length > 0) this.#turnTo(onward, chassis);
  }

  #planSpeed(chassis: Chassis): Float64Array {
    const n = this.#x.length;
    const speed = new Float64Array(n);
    for (let i = 1; i < n - 1; i++) {
      if (!this.#pause.has(i)) speed[i] = Math.min(this.#limit[i - 1]!, this.#limit[i]!);
    }
    for (let i = 1; i < n; i++) {
      const most = Math.sqrt(square(speed[i - 1]!) + 2 * chassis.acceleration * this.#length[i - 1]!);
      speed[i] = Math.min(speed[i]!, most);
    }
    for (let i = n - 2; i >= 0; i--) {
      const most = Math.sqrt(square(speed[i + 1]!) + 2 * chassis.braking * this.#length[i]!);
      speed[i] = Math.min(speed[i]!, most);
    }
    return speed;
  }

  /** Heights and tilts as the wheels roll: a wheel's centre stays its radius away from every floor point. */
  #rollOver(chassis: Chassis, ground: Ground): Float64Array {
    const n = this.#x.length;
    const { wheelbase, track, wheelRadius } = chassis;
    const raw = new Float64Array(3 * n);
    const samples = 5; // to either side
    const under = [0, 0, 0, 0]; // the floor right under each wheel, one node ago
    for (let i = 0; i < n; i++) {
      const cos = cosOf(this.#yaw[i]!);
      const sin = sinOf(this.#yaw[i]!);
      const heights = [0, 0, 0, 0];
      for (let wheel = 0; wheel < 4; wheel++) {
        const wx = wheel < 2 ? wheelbase / 2 : -wheelbase / 2;
        const wy = wheel % 2 === 0 ? track / 2 : -track / 2;
        const from = under[wheel]! + wheelRadius;
        let top = Number.NEGATIVE_INFINITY;
        for (let k = -samples; k <= samples; k++) {
          const along = (k / samples) * wheelRadius * 0.98;
          const x = this.#x[i]! + (wx + along) * cos - wy * sin;
          const y = this.#y[i]! + (wx + along) * sin + wy * cos;
          const height = ground(x, y, from);
          top = Math.max(top, height + Math.sqrt(square(wheelRadius) - square(along)) - wheelRadius);
          if (k !== 0) continue;
          const step = height - under[wheel]!;
          under[wheel] = height;
          if (Math.abs(step) <= HIGHEST_STEP || (i === 0 && height > Number.NEGATIVE_INFINITY)) continue;
          const where = `the wheel at (${x.toFixed(2)}, ${y.toFixed(2)})`;
          const mm = Math.round(1000 * Math.abs(step));
          if (mm === Number.POSITIVE_INFINITY)
            throw new DriveError(`${where} has no floor under it: move the way`);
          throw new DriveError(
            `${where} ${step > 0 ? "is stopped by a step" : "meets a drop"} of ${mm} mm: move the way`,
          );
        }
        heights[wheel] = top;
      }
      const [fl = 0, fr = 0, rl = 0, rr = 0] = heights;
      raw[3 * i] = (fl + fr + rl + rr) / 4;
      raw[3 * i + 1] = atan2Of((rl + rr - fl - fr) / 2, wheelbase);
      raw[3 * i + 2] = atan2Of((fl + rl - fr - rr) / 2, track);
    }
    // Tyres and frame are elastic: two running means over 25 mm smooth the kinks.
    let smooth = raw;
    for (let pass = 0; pass < 2; pass++) {
      const next = new Float64Array(3 * n);
      for (let i = 0; i < n; i++) {
        for (let c = 0; c < 3; c++) {
          let sum = 0;
          for (let k = i - 2; k <= i + 2; k++) sum += smooth[3 * Math.min(Math.max(k, 0), n - 1) + c]!;
          next[3 * i + c] = sum / 5;
        }
      }
      smooth = next;
    }
    return smooth;
  }

  #planDip(chassis: Chassis): Float64Array {
    const { gain, frequency, damping } = chassis.dip;
    if (gain === 0) return new Float64Array(4);
    const ticks = Math.ceil(this.duration / TICK) + 2;
    const dip = new Float64Array(2 * ticks);
    const natural = 2 * Math.PI * frequency;
    let pitch = 0;
    let rate = 0;
    let node = 0;
    for (let i = 1; i < ticks; i++) {
      const time = (i - 0.5) * TICK;
      while (node < this.#x.length - 2 && this.#arrive[node + 1]! < time) node++;
      const driving = this.#moves[node] === true && time > this.#leave[node]! && time < this.duration;
      const pull = driving ? this.#pull(node) : 0;
      rate += TICK * (natural * natural * (-gain * pull - pitch) - 2 * damping * natural * rate);
      pitch += TICK * rate;
      dip[2 * i] = pitch;
      dip[2 * i + 1] = rate;
    }
    return dip;
  }

  /** Acceleration along the interval after `node`. */
  #pull(node: number): number {
    return (square(this.#speed[node + 1]!) - square(this.#speed[node]!)) / (2 * this.#length[node]!);
  }

  /** The interval in use at `time` and how far along it (0 to 1), with the speed there. */
  #find(time: number): { node: number; share: number; speed: number } {
    const t = Math.min(Math.max(time, 0), this.duration);
    let low = 0;
    let high = this.#x.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (this.#arrive[middle]! <= t) low = middle;
      else high = middle - 1;
    }
    const node = Math.min(low, this.#length.length - 1);
    if (low > node) return { node, share: 1, speed: 0 };
    const since = t - this.#leave[node]!;
    if (since <= 0) return { node, share: 0, speed: this.#pause.has(node) ? 0 : this.#speed[node]! };
    const pull = this.#pull(node);
    const speed = this.#speed[node]! + pull * since;
    const share = ((this.#speed[node]! + speed) * since) / 2 / this.#length[node]!;
    return { node, share: Math.min(share, 1), speed };
  }

  #yawAt(node: number, share: number): number {
    const length = this.#length[node]! * share;
    return (
      this.#yaw[node]! +
      length * (this.#curve0[node]! + ((this.#curve1[node]! - this.#curve0[node]!) * share) / 2)
    );
  }

  /** What wheels that never slip would have counted by `time` (seconds). */
  motionAt(time: number): Motion {
    const { node, share, speed } = this.#find(time);
    const moves = this.#moves[node]!;
    const curve = this.#curve0[node]! + (this.#curve1[node]! - this.#curve0[node]!) * share;
    return {
      driven: this.#driven[node]! + (moves ? this.#length[node]! * share : 0),
      turned: this.#yawAt(node, share) - this.#yaw[0]!,
      speed: moves ? speed : 0,
      turnRate: curve * speed,
    };
  }

  /** worldFromBase at `time` (seconds, clamped to the drive). */
  poseAt(time: number): Pose {
    const { node, share } = this.#find(time);
    const length = this.#length[node]! * share;
    const yaw = this.#yawAt(node, share);
    let x = this.#x[node]!;
    let y = this.#y[node]!;
    if (this.#moves[node] && share > 0) {
      const middle = this.#yawAt(node, share / 2);
      const yaw0 = this.#yaw[node]!;
      x += (length / 6) * (cosOf(yaw0) + 4 * cosOf(middle) + cosOf(yaw));
      y += (length / 6) * (sinOf(yaw0) + 4 * sinOf(middle) + sinOf(yaw));
    }
    const at = Math.min(Math.max(time, 0), this.duration) / TICK;
    const tick = Math.min(Math.floor(at), this.#dip.length / 2 - 2);
    const dip = hermite(
      this.#dip[2 * tick]!,
      this.#dip[2 * tick + 1]! * TICK,
      this.#dip[2 * tick + 2]!,
      this.#dip[2 * tick + 3]! * TICK,
      Math.min(at - tick, 1),
    );
    const z = this.#tiltAt(0, node, share);
    const pitch = this.#tiltAt(1, node, share) + dip;
    return { rotation: fromYawPitchRoll(yaw, pitch, this.#tiltAt(2, node, share)), position: [x, y, z] };
  }

  #tiltAt(field: number, node: number, share: number): number {
    const at = (i: number): number => this.#tilt[3 * Math.min(Math.max(i, 0), this.#x.length - 1) + field]!;
    return hermite(
      at(node),
      (at(node + 1) - at(node - 1)) / 2,
      at(node + 1),
      (at(node + 2) - at(node)) / 2,
      share,
    );
  }
}

/** Cubic through values a, b with slopes da, db at u = 0, 1. */
function hermite(a: number, da: number, b: number, db: number, u: number): number {
  const v = 1 - u;
  return a * (1 + 2 * u) * v * v + da * u * v * v + b * u * u * (3 - 2 * u) - db * u * u * v;
}
