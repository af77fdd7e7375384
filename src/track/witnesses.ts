import { lengthOf, square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { add, dot, subtract } from "../geometry/vec.ts";
import { PlaceFilter } from "./place-filter.ts";
import { stepOf, type WheelStep } from "./wheel-step.ts";

const DEGREE = Math.PI / 180;
/** Seconds: a copy of the filter is a witness from this age on, and is made anew at that one. */
const FELT_FROM = 0.3;
const FELT_TO = 1.2;
const ROLLED_FROM = 0.2;
const ROLLED_TO = 2.4;
/** Wheels and gyro contradict each other beyond this angle and share of the turn. Chosen by hand. */
const YAW_APART = 3 * DEGREE;
const YAW_SHARE = 0.15;
/** Sigmas and metres beyond which wheels contradict what is felt, and depth contradicts both. Chosen by hand. */
const FELT_SIGMAS = 4.5;
const FELT_METRES = 0.025;
const DEPTH_SIGMAS = 3.5;
const DEPTH_METRES = 0.03;
/** 1 sigma: error of the wheels' way over such a time, and metres. */
const WHEEL_SHARE = 0.03;
const WHEEL_METRES = 0.002;
/** Metres, 1 sigma: a lasting error of depth that is no contradiction. A constant one is the map's. Chosen by hand. */
const DEPTH_DOUBT = 0.02;

/** A copy of the filter that goes on by what is felt alone; what the wheels say meanwhile. */
interface FeltCopy {
  readonly filter: PlaceFilter;
  /** (9) m^2: of the place where it began. */
  readonly spread: Float64Array;
  /** Microseconds. */
  since: number;
  from: Vec3;
  rolled: Vec3;
  /** Metres that the wheels went, and radians that they and the gyro turned. */
  way: number;
  apart: number;
  turned: number;
  /** Squared sigmas by which the wheels contradict it. */
  misfit: number;
}

/** A copy that is corrected by the wheels, too, but not by depth. */
interface RolledCopy {
  readonly filter: PlaceFilter;
  since: number;
}

/** A place that depth measured along an axis. */
export interface SeenPlace {
  readonly axis: Vec3;
  readonly metres: number;
  readonly variance: number;
  readonly lever: number;
}

/**
 * Copies of the filter that leave out depth, or depth and wheels, for the last second or two: witnesses that tell which source is wrong when
 * two contradict each other. Tests of innovations, as in Bar-Shalom, Li & Kirubarajan 2001.
 */
export class Witnesses {
  #felt: FeltCopy[] = [];
  #rolled: RolledCopy[] = [];
  readonly #spareFelt: FeltCopy[] = [];
  readonly #spareRolled: RolledCopy[] = [];

  /** Begins anew. */
  restart(): void {
    this.#spareFelt.push(...this.#felt);
    this.#felt = [];
    this.restartRolled();
  }

  restartRolled(): void {
    this.#spareRolled.push(...this.#rolled);
    this.#rolled = [];
  }

  /** Calls `change` with all copies. */
  each(change: (filter: PlaceFilter) => void): void {
    for (const { filter } of this.#felt) change(filter);
    for (const { filter } of this.#rolled) change(filter);
  }

  /** Wheels that are trusted correct the copies that roll. */
  rollOn(wheels: WheelStep): void {
    for (const { filter } of this.#rolled) filter.rollOn(wheels);
  }

  /** Whether the wheels contradict the gyro, or what is felt. */
  contradictWheels(wheels: WheelStep, time: number): boolean {
    let isOut = false;
    for (const copy of this.#felt) {
      copy.rolled = add(copy.rolled, add(stepOf(wheels), wheels.swing));
      copy.way += Math.abs(wheels.metres);
      copy.apart += wheels.turned - wheels.felt;
      copy.turned += Math.abs(wheels.felt);
      copy.misfit = 0;
      if ((time - copy.since) / 1e6 < FELT_FROM) continue;
      if (Math.abs(copy.apart) > YAW_APART + YAW_SHARE * copy.turned) isOut = true;
      if (!copy.filter.isFelt) continue;
      const off = subtract(subtract(copy.filter.place, copy.from), copy.rolled);
      const wheelVariance = square(WHEEL_SHARE * copy.way) + square(WHEEL_METRES);
      for (const axis of [wheels.ahead, wheels.aside, wheels.up]) {
        const variance = copy.filter.varianceAlong(axis) + wheelVariance;
        copy.misfit = Math.max(copy.misfit, square(dot(axis, off)) / variance);
      }
      if (copy.misfit > square(FELT_SIGMAS) && lengthOf(off) > FELT_METRES) isOut = true;
    }
    return isOut;
  }

  /** Sets a filter to what is felt alone since the oldest copy was made; false when there is none. */
  goBack(filter: PlaceFilter): boolean {
    const oldest = this.#oldest();
    if (oldest === null || !oldest.filter.isFelt) return false;
    filter.copyFrom(oldest.filter);
    filter.widen(oldest.spread);
    this.#spareFelt.push(...this.#felt);
    this.#felt = [];
    this.restartRolled();
    return true;
  }

  #oldest(): FeltCopy | null {
    let oldest: FeltCopy | null = null;
    for (const copy of this.#felt) if (oldest === null || copy.since < oldest.since) oldest = copy;
    return oldest;
  }

  /** Whether depth contradicts wheels and accelerations along an axis. */
  contradictDepth({ axis, metres, variance, lever }: SeenPlace, time: number): boolean {
    const spread = variance + square(lever * DEPTH_DOUBT);
    for (const { filter, since } of this.#rolled) {
      if ((time - since) / 1e6 < ROLLED_FROM) continue;
      const off = Math.abs(metres - dot(axis, filter.place));
      if (off > DEPTH_METRES && filter.surprise(axis, metres, spread, lever) > square(DEPTH_SIGMAS))
        return true;
    }
    return false;
  }

  /** Squared sigmas by which what is felt alone contradicts depth along an axis; 0 when nothing is felt. */
  misfitOfDepth({ axis, metres, variance, lever }: SeenPlace): number {
    const oldest = this.#oldest();
    if (oldest === null || !oldest.filter.isFelt) return 0;
    const { filter } = oldest;
    const spread = filter.varianceAlong(axis) + variance + square(lever * DEPTH_DOUBT);
    return square(metres - dot(axis, filter.place)) / spread;
  }

  /** The same of the wheels. */
  get misfitOfWheels(): number {
    return this.#oldest()?.misfit ?? 0;
  }

  /** The frame is done: old copies are made anew from the filter. */
  renew(filter: PlaceFilter, time: number): void {
    if (this.#isDue(this.#felt, FELT_TO, time)) {
      const copy = this.#spareFelt.pop() ?? newFeltCopy();
      this.#felt.push(copy);
      this.#begin(copy, filter, time);
    }
    for (const copy of this.#felt) if (time - copy.since > 1e6 * FELT_TO) this.#begin(copy, filter, time);
    if (this.#isDue(this.#rolled, ROLLED_TO, time)) {
      const copy = this.#spareRolled.pop() ?? { filter: new PlaceFilter(), since: 0 };
      this.#rolled.push(copy);
      copy.since = time;
      copy.filter.copyFrom(filter);
    }
    for (const copy of this.#rolled) {
      if (time - copy.since <= 1e6 * ROLLED_TO) continue;
      copy.since = time;
      copy.filter.copyFrom(filter);
    }
  }

  /** Two copies, the second half a life after the first. */
  #isDue(copies: readonly { readonly since: number }[], life: number, time: number): boolean {
    if (copies.length === 0) return true;
    return copies.length < 2 && time - copies[0]!.since > 0.5e6 * life;
  }

  #begin(copy: FeltCopy, filter: PlaceFilter, time: number): void {
    copy.filter.copyFrom(filter);
    copy.filter.isFelt = true;
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

const newFeltCopy = (): FeltCopy => ({
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
