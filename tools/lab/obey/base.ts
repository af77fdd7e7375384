import type { Pose } from "../../../src/geometry/optics.ts";
import { fromYawPitchRoll } from "../../../src/geometry/rigid.ts";
import { type Footprint, holds } from "../../../src/guard/body.ts";
import { Random } from "../../../src/simulate/random.ts";
import type { Scene } from "../../../src/simulate/scene.ts";
import { Contacts } from "./contact.ts";

/** Construction of the base. */
export interface BaseBuild {
  readonly footprint: Footprint;
  readonly height: number;
  readonly wheelRadius: number;
  readonly climbableStep: number;
  readonly tolerableDrop: number;
  /** m/s2 of speeding up, and of the brakes: exactly what was declared. */
  readonly acceleration: number;
  readonly deceleration: number;
  /** Relative errors of what the wheels count, and the share that they slip on rugs. */
  readonly scale: number;
  readonly turnScale: number;
  readonly slip: number;
  /** Radians that the nose dips under full braking. */
  readonly dip: number;
}

/** Where a base starts, and what spoils its odometry. */
interface BaseStart {
  /** World, metres and radians. */
  readonly at: { readonly x: number; readonly y: number; readonly yaw: number };
  /** Areas of rugs: min x, min y, max x, max y; metres. */
  readonly slippery: readonly (readonly [number, number, number, number])[];
  /** Of the errors of the wheels' counts. */
  readonly seed: number;
}

/** Command of the base's own controller: along an arc, or on the spot. */
export interface Command {
  /** 1/m; Infinity turns on the spot. */
  readonly curvature: number;
  /** m/s along the arc, negative backwards; rad/s on the spot. As the wheels count it. */
  readonly speed: number;
}

export interface Fall {
  readonly time: number;
  /** World, metres. */
  readonly x: number;
  readonly y: number;
  /** How fast the wheel's place moved, m/s, and how deep the floor lies there. */
  readonly speed: number;
  readonly drop: number;
}

export interface Contact {
  readonly time: number;
  readonly speed: number;
  /** Base frame. */
  readonly point: readonly [number, number];
}

/** Least distance from the outline to the wheels, metres. */
const WHEEL_INSET = 0.03;
/** Metres above a wheel's last position from which floor below it is sought. */
const LOOK_FROM = 0.06;
/** Tyres and frame are elastic: heights and tilts follow the floor with this time constant, seconds. */
const SOFTNESS = 0.02;
/** Natural frequency (Hz) and damping of the chassis on its springs, as in the simulator's drives. */
const DIP_FREQUENCY = 2.5;
const DIP_DAMPING = 0.4;
const GRAVITY = 9.80665;
/** Slower contacts, m/s, do not close the bumper. */
const CONTACT_SPEED = 0.05;

/** Wheels at the corners of the outline's bounds, drawn in until they are within the outline. */
export function wheelsOf(footprint: Footprint): (readonly [number, number])[] {
  const xs = footprint.map(([x]) => x);
  const half = Math.max(...footprint.map(([, y]) => Math.abs(y)));
  const isWithin = (x: number, y: number): boolean =>
    Array.from({ length: 8 }, (_, n) => (n * Math.PI) / 4).every((a) =>
      holds(footprint, x + WHEEL_INSET * Math.cos(a), y + WHEEL_INSET * Math.sin(a)),
    );
  return [Math.max(...xs), Math.min(...xs)].flatMap((x) =>
    [half, -half].map((y) => {
      let share = 1;
      while (share > 0.05 && !isWithin(share * x, share * y)) share -= 0.01;
      return [share * x, share * y] as const;
    }),
  );
}

/** A base on its wheels: its true pose, and its odometry. */
export class Base {
  readonly build: BaseBuild;
  readonly wheels: readonly (readonly [number, number])[];
  x: number;
  y: number;
  yaw: number;
  /** What the wheels counted: metres, radians; and m/s or, on the spot, rad/s. */
  readonly counted = { x: 0, y: 0, yaw: 0 };
  speed = 0;
  curvature = 0;
  /** Metres driven, and radians turned, in truth. */
  way = 0;
  turned = 0;
  fall: Fall | null = null;
  readonly contacts: Contact[] = [];
  /** Contact of the bumper since the last read, base frame. */
  knock: readonly [number, number] | null = null;

  readonly #scene: Scene;
  readonly #contacts: Contacts;
  readonly #slippery: readonly (readonly [number, number, number, number])[];
  readonly #random: Random;
  readonly #reach: number;
  readonly #under: number[];
  #z = 0;
  #pitch = 0;
  #roll = 0;
  #dip = 0;
  #dipRate = 0;
  #touches = false;

  /** @param scene without movers */
  constructor(build: BaseBuild, scene: Scene, { at, slippery, seed }: BaseStart) {
    this.build = build;
    this.wheels = wheelsOf(build.footprint);
    this.#scene = scene;
    this.#contacts = new Contacts(scene);
    this.#slippery = slippery;
    this.#random = new Random(seed, 91);
    this.#reach = Math.max(...build.footprint.map(([x, y]) => Math.hypot(x, y)));
    this.x = at.x;
    this.y = at.y;
    this.yaw = at.yaw;
    this.#under = this.wheels.map(() => 0);
    this.#under.forEach((_, n) => {
      const [x, y] = this.#placeOf(this.wheels[n]!);
      this.#under[n] = LOOK_FROM - scene.cast(x, y, LOOK_FROM, 0, 0, -1, 0);
    });
    [this.#z, this.#pitch, this.#roll] = this.#stand();
  }

  #placeOf([px, py]: readonly [number, number]): [number, number] {
    const [cos, sin] = [Math.cos(this.yaw), Math.sin(this.yaw)];
    return [this.x + px * cos - py * sin, this.y + px * sin + py * cos];
  }

  /** worldFromBase. */
  get pose(): Pose {
    return {
      rotation: fromYawPitchRoll(this.yaw, this.#pitch + this.#dip, this.#roll),
      position: [this.x, this.y, this.#z],
    };
  }

  /** Metres from the base's floor point to its farthest corner. */
  get radius(): number {
    return this.#reach;
  }

  /** Moves on by `dt` seconds. */
  step(command: Command, time: number, dt: number): void {
    if (this.fall !== null) return;
    const { build } = this;
    const before = this.speed;
    this.#drive(command, dt);
    const onSpot = this.curvature === Number.POSITIVE_INFINITY;
    // Positive: the base is pushed forward.
    const pull = onSpot ? 0 : (this.speed - before) / dt;
    const counted = this.speed * dt;
    const slips = this.#slippery.some(
      ([x0, y0, x1, y1]) => this.x > x0 && this.x < x1 && this.y > y0 && this.y < y1,
    );
    const grip = slips ? 1 - build.slip : 1;
    const trueWay = onSpot ? 0 : counted * (1 + build.scale) * grip;
    const countedTurn = onSpot ? counted : counted * this.curvature;
    const trueTurn = countedTurn * (1 + build.turnScale) * grip;
    this.#count(onSpot ? 0 : counted, countedTurn);
    this.#move(trueWay, trueTurn, time);
    this.#settle(pull, dt);
    this.#look(time, Math.abs(trueWay / dt) + Math.abs(trueTurn / dt) * this.#reach);
  }

  /** Follows the commanded speed. The base changes between arcs in motion, and between arc and spot at a standstill. */
  #drive({ curvature, speed }: Command, dt: number): void {
    const { acceleration, deceleration, scale } = this.build;
    this.curvature = curvature;
    const lever = curvature === Number.POSITIVE_INFINITY ? this.#reach : 1;
    const change = speed - this.speed;
    const isBraking = Math.abs(speed) < Math.abs(this.speed) || speed * this.speed < 0;
    // Wheels that measure too little make the base faster than it assumes; its brakes stay the same.
    const most = ((isBraking ? deceleration / (1 + Math.max(0, scale)) : acceleration) / lever) * dt;
    this.speed += Math.max(-most, Math.min(most, change));
  }

  #count(ahead: number, turned: number): void {
    const { counted } = this;
    const noisy = (value: number): number =>
      value + 0.002 * Math.sqrt(Math.abs(value)) * this.#random.gauss();
    const [way, turn] = [noisy(ahead), noisy(turned)];
    counted.x += way * Math.cos(counted.yaw + turn / 2);
    counted.y += way * Math.sin(counted.yaw + turn / 2);
    counted.yaw += turn;
  }

  #move(way: number, turn: number, time: number): void {
    const [x, y, yaw] = [this.x, this.y, this.yaw];
    this.x += way * Math.cos(yaw + turn / 2);
    this.y += way * Math.sin(yaw + turn / 2);
    this.yaw += turn;
    const outline = this.build.footprint.map((corner) => this.#placeOf(corner));
    const { climbableStep, height } = this.build;
    const from = this.#z + climbableStep;
    const at = this.#contacts.touch(outline, { x: this.x, y: this.y, reach: this.#reach }, [
      from,
      this.#z + height,
    ]);
    if (at === null) {
      this.way += Math.abs(way);
      this.turned += Math.abs(turn);
      this.#touches = false;
      return;
    }
    // It stays where it is, and its motors stall.
    this.x = x;
    this.y = y;
    this.yaw = yaw;
    const onSpot = this.curvature === Number.POSITIVE_INFINITY;
    const speed = Math.abs(this.speed) * (onSpot ? this.#reach : 1);
    this.speed = 0;
    const [cos, sin] = [Math.cos(yaw), Math.sin(yaw)];
    const [dx, dy] = [at[0] - x, at[1] - y];
    const point = [dx * cos + dy * sin, dy * cos - dx * sin] as const;
    if (!this.#touches && speed > CONTACT_SPEED) this.contacts.push({ time, speed, point });
    this.#touches = true;
    this.knock = point;
  }

  /** Height, pitch and roll by the floor under the wheels. */
  #stand(): [z: number, pitch: number, roll: number] {
    const [fl = 0, fr = 0, rl = 0, rr = 0] = this.#under;
    const [[fx, fy] = [0.1, 0.1], , [rx] = [-0.1]] = this.wheels;
    const front = (fl + fr) / 2;
    const rear = (rl + rr) / 2;
    const pitch = Math.atan2(rear - front, Math.max(0.05, fx - rx));
    const roll = Math.atan2((fl + rl - fr - rr) / 2, Math.max(0.05, 2 * Math.abs(fy)));
    return [rear + ((front - rear) * -rx) / Math.max(0.05, fx - rx), pitch, roll];
  }

  #settle(pull: number, dt: number): void {
    const [z, pitch, roll] = this.#stand();
    const share = 1 - Math.exp(-dt / SOFTNESS);
    this.#z += share * (z - this.#z);
    this.#pitch += share * (pitch - this.#pitch);
    this.#roll += share * (roll - this.#roll);
    const { dip, deceleration } = this.build;
    const wished = (-dip * pull) / Math.min(deceleration, GRAVITY);
    const natural = 2 * Math.PI * DIP_FREQUENCY;
    const bound = Math.max(-1.5 * dip, Math.min(1.5 * dip, wished));
    this.#dipRate +=
      dt * (natural * natural * (bound - this.#dip) - 2 * DIP_DAMPING * natural * this.#dipRate);
    this.#dip += dt * this.#dipRate;
  }

  /** Whether a wheel has left the floor. */
  #look(time: number, speed: number): void {
    this.wheels.forEach((wheel, n) => {
      if (this.fall !== null) return;
      const [x, y] = this.#placeOf(wheel);
      const from = this.#under[n]! + LOOK_FROM;
      const height = from - this.#scene.cast(x, y, from, 0, 0, -1, 0);
      const drop = this.#under[n]! - height;
      if (drop > this.build.tolerableDrop) this.fall = { time, x, y, speed, drop };
      else this.#under[n] = height;
    });
  }
}
