import { lengthOf, square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { add, dot, subtract } from "../geometry/vec.ts";
import { PlaceFilter } from "./place-filter.ts";
import { stepOf, type WheelStep } from "./wheel-step.ts";

const DEGREE = Math.PI / 180;
/** Seconds: a copy is used from the first age on, and replaced at the second. */
const INERTIAL_FROM = 0.3;
const INERTIAL_TO = 1.2;
const WHEEL_COPY_FROM = 0.2;
const WHEEL_COPY_TO = 2.4;
/** Wheels and gyro contradict each other beyond this angle plus this share of the turn. Chosen by hand. */
const YAW_APART = 3 * DEGREE;
const YAW_SHARE = 0.15;
/** Sigmas and metres beyond which wheels contradict accelerations, and beyond which depth contradicts both. Chosen by hand. */
const INERTIAL_SIGMAS = 4.5;
const INERTIAL_METRES = 0.025;
const DEPTH_SIGMAS = 3.5;
const DEPTH_METRES = 0.03;
/** 1 sigma: error of the wheels over that time, as a share of the distance, and in metres. */
const WHEEL_SHARE = 0.03;
const WHEEL_METRES = 0.002;
/** Metres, 1 sigma: tolerated bias of depth. A constant bias is part of the map. Chosen by hand. */
const DEPTH_DOUBT = 0.02;

/** A copy of the filter that is propagated by accelerations alone, and the motion by the wheels in the same time. */
interface InertialCopy {
  readonly filter: PlaceFilter;
  /** (9) m^2: covariance of the position at which it began. */
  readonly spread: Float64Array;
  /** Microseconds. */
  since: number;
  from: Vec3;
  rolled: Vec3;
  /** Metres: distance by the wheels. Radians: difference between the turns by wheels and gyro, and the turn by the gyro. */
  way: number;
  apart: number;
  turned: number;
  /** Normalised innovation squared of the wheels against this copy. */
  misfit: number;
}

/** A copy that the wheels correct, too, but not depth. */
interface WheelCopy {
  readonly filter: PlaceFilter;
  since: number;
}

/** A position along an axis, measured by depth. */
export interface SeenPlace {
  readonly axis: Vec3;
  readonly metres: number;
  readonly variance: number;
  readonly lever: number;
}

/**
 * Tells which source is wrong when two contradict each other. For the last second or two it keeps copies of the filter that leave out depth, or
 * depth and wheels, and tests the innovations of these sources against them (Bar-Shalom, Li & Kirubarajan 2001).
 */
export class ConsistencyCheck {
  #inertial: InertialCopy[] = [];
  #wheel: WheelCopy[] = [];
  readonly #spareInertial: InertialCopy[] = [];
  readonly #spareWheel: WheelCopy[] = [];

  /** Drops all copies. */
  restart(): void {
    this.#spareInertial.push(...this.#inertial);
    this.#inertial = [];
    this.restartWheelCopies();
  }

  restartWheelCopies(): void {
    this.#spareWheel.push(...this.#wheel);
    this.#wheel = [];
  }

  /** Calls `change` with all copies. */
  each(change: (filter: PlaceFilter) => void): void {
    for (const { filter } of this.#inertial) change(filter);
    for (const { filter } of this.#wheel) change(filter);
  }

  /** Corrects the copies that use the wheels. */
  correctByWheels(wheels: WheelStep): void {
    for (const { filter } of this.#wheel) filter.correctByWheels(wheels);
  }

  /** Whether the wheels contradict the gyro or the accelerations. */
  contradictWheels(wheels: WheelStep, time: number): boolean {
    let isOut = false;
    for (const copy of this.#inertial) {
      copy.rolled = add(copy.rolled, add(stepOf(wheels), wheels.swing));
      copy.way += Math.abs(wheels.metres);
      copy.apart += wheels.turned - wheels.sensedTurn;
      copy.turned += Math.abs(wheels.sensedTurn);
      copy.misfit = 0;
      if ((time - copy.since) / 1e6 < INERTIAL_FROM) continue;
      if (Math.abs(copy.apart) > YAW_APART + YAW_SHARE * copy.turned) isOut = true;
      if (!copy.filter.isCovered) continue;
      const off = subtract(subtract(copy.filter.place, copy.from), copy.rolled);
      const wheelVariance = square(WHEEL_SHARE * copy.way) + square(WHEEL_METRES);
      for (const axis of [wheels.ahead, wheels.aside, wheels.up]) {
        const variance = copy.filter.varianceAlong(axis) + wheelVariance;
        copy.misfit = Math.max(copy.misfit, square(dot(axis, off)) / variance);
      }
      if (copy.misfit > square(INERTIAL_SIGMAS) && lengthOf(off) > INERTIAL_METRES) isOut = true;
    }
    return isOut;
  }

  /** Metres by which wheels and accelerations differ since the oldest copy. */
  get apart(): number {
    const oldest = this.#oldest();
    if (oldest === null) return 0;
    return lengthOf(subtract(subtract(oldest.filter.place, oldest.from), oldest.rolled));
  }

  /** Resets a filter to the oldest copy that uses accelerations alone. @returns false when there is none */
  restore(filter: PlaceFilter): boolean {
    const oldest = this.#oldest();
    if (oldest === null || !oldest.filter.isCovered) return false;
    filter.copyFrom(oldest.filter);
    filter.widen(oldest.spread);
    this.#spareInertial.push(...this.#inertial);
    this.#inertial = [];
    this.restartWheelCopies();
    return true;
  }

  #oldest(): InertialCopy | null {
    let oldest: InertialCopy | null = null;
    for (const copy of this.#inertial) if (oldest === null || copy.since < oldest.since) oldest = copy;
    return oldest;
  }

  /** Whether depth contradicts wheels and accelerations along an axis. */
  contradictDepth({ axis, metres, variance, lever }: SeenPlace, time: number): boolean {
    const spread = variance + square(lever * DEPTH_DOUBT);
    for (const { filter, since } of this.#wheel) {
      if ((time - since) / 1e6 < WHEEL_COPY_FROM) continue;
      const off = Math.abs(metres - dot(axis, filter.place));
      if (off > DEPTH_METRES && filter.innovationSquared(axis, metres, spread, lever) > square(DEPTH_SIGMAS))
        return true;
    }
    return false;
  }

  /** Normalised innovation squared of depth along an axis, against accelerations alone; 0 without inertial samples. */
  misfitOfDepth({ axis, metres, variance, lever }: SeenPlace): number {
    const oldest = this.#oldest();
    if (oldest === null || !oldest.filter.isCovered) return 0;
    const { filter } = oldest;
    const spread = filter.varianceAlong(axis) + variance + square(lever * DEPTH_DOUBT);
    return square(metres - dot(axis, filter.place)) / spread;
  }

  /** The same for the wheels. */
  get misfitOfWheels(): number {
    return this.#oldest()?.misfit ?? 0;
  }

  /** Metres that the wheels rolled since the oldest copy, at most 1.2 s ago. */
  get rolled(): number {
    return this.#oldest()?.way ?? 0;
  }

  /** Ends the frame: replaces old copies by the filter's present state. */
  renew(filter: PlaceFilter, time: number): void {
    if (this.#isDue(this.#inertial, INERTIAL_TO, time)) {
      const copy = this.#spareInertial.pop() ?? newInertialCopy();
      this.#inertial.push(copy);
      this.#begin(copy, filter, time);
    }
    for (const copy of this.#inertial)
      if (time - copy.since > 1e6 * INERTIAL_TO) this.#begin(copy, filter, time);
    if (this.#isDue(this.#wheel, WHEEL_COPY_TO, time)) {
      const copy = this.#spareWheel.pop() ?? { filter: new PlaceFilter(), since: 0 };
      this.#wheel.push(copy);
      copy.since = time;
      copy.filter.copyFrom(filter);
    }
    for (const copy of this.#wheel) {
      if (time - copy.since <= 1e6 * WHEEL_COPY_TO) continue;
      copy.since = time;
      copy.filter.copyFrom(filter);
    }
  }

  /** There are two copies, and the second begins half a lifetime after the first. */
  #isDue(copies: readonly { readonly since: number }[], life: number, time: number): boolean {
    if (copies.length === 0) return true;
    return copies.length < 2 && time - copies[0]!.since > 0.5e6 * life;
  }

  #begin(copy: InertialCopy, filter: PlaceFilter, time: number): void {
    copy.filter.copyFrom(filter);
    copy.filter.isCovered = true;
    filter.spreadInto(copy.spread);
    copy.filter.beginWay();
    copy.since = time;
    copy.from = filter.place;
    copy.rolled = [0, 0, 0];
    copy.way = 0;
    copy.apart = 0;
    copy.turned = 0;
    copy.misfit = 0;
  }
}

const newInertialCopy = (): InertialCopy => ({
  filter: new PlaceFilter(),
  spread: new Float64Array(9),
  since: 0,
  from: [0, 0, 0],
  rolled: [0, 0, 0],
  way: 0,
  apart: 0,
  turned: 0,
  misfit: 0,
});
