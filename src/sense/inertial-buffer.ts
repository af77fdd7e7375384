import type { Vec3 } from "../geometry/optics.ts";
import type { OrientationBuffer } from "./orientation.ts";
import { StampedRing } from "./stamped-ring.ts";

export interface InertialSettings {
  /** Number of samples kept; the oldest are dropped first. */
  readonly capacity: number;
  /** Longest interval, microseconds, that a sample represents. */
  readonly maxGap: number;
}

/** Some seconds at any usual rate; four samples of a 100 Hz sensor may be missing in a row. */
export const DEFAULT_INERTIAL_SETTINGS: InertialSettings = { capacity: 2048, maxGap: 50_000 };

/** Inertial samples of a span of time, cut to it, in the order of time; the first `count` are valid. */
export interface InertialSpan {
  count: number;
  /** Seconds that each stands for. */
  readonly seconds: Float64Array;
  /** (4) worldFromImu in the middle of each, by the orientation sensor. */
  readonly rotation: Float64Array;
  /** (3) rad/s, and (3) specific force, m/s^2, in the imu frame. */
  readonly rate: Float64Array;
  readonly force: Float64Array;
  /**
   * (3) m/s in the imu frame: correction of the previous span, whose end had no sample of its own yet and used the last one;
   * this is the difference to the true one.
   */
  readonly owed: Float64Array;
  /** Seconds in all, and how many of them no sample covers. */
  total: number;
  missing: number;
}

export function emptySpan(capacity: number): InertialSpan {
  return {
    count: 0,
    seconds: new Float64Array(capacity),
    rotation: new Float64Array(4 * capacity),
    rate: new Float64Array(3 * capacity),
    force: new Float64Array(3 * capacity),
    owed: new Float64Array(3),
    total: 0,
    missing: 0,
  };
}

/**
 * The last inertial samples, cut into consecutive spans. A sample is the mean over the interval that ends at its
 * stamp and begins at that of the sample before. Samples may come late, twice or out of order; samples of a span that was
 * cut already are ignored. Nothing is allocated after construction.
 */
export class InertialBuffer {
  /** (6) a sample: rate, force. */
  readonly #samples: StampedRing;
  readonly #maxGap: number;
  readonly #span: InertialSpan;
  readonly #rotation = new Float64Array(4);
  /** Up to where spans were cut. */
  #done = Number.NaN;
  /** Stamp and force of the sample that was extrapolated beyond its stamp, and for how many seconds. */
  #lentAt = 0;
  #lentFor = 0;
  readonly #lent = new Float64Array(3);

  constructor({ capacity, maxGap }: InertialSettings = DEFAULT_INERTIAL_SETTINGS) {
    this.#samples = new StampedRing(capacity, 6);
    this.#maxGap = maxGap;
    this.#span = emptySpan(capacity + 2);
  }

  /**
   * @param time  microseconds
   * @param rate  rad/s in the imu frame
   * @param force specific force, m/s^2, in the imu frame: +g along up at rest
   * @returns false when it was ignored: not finite, a duplicate, or older than everything in a full ring
   */
  push(time: number, rate: Vec3, force: Vec3): boolean {
    if (!Number.isFinite(time + rate[0] + rate[1] + rate[2] + force[0] + force[1] + force[2])) return false;
    const at = this.#samples.placeFor(time);
    if (at < 0) return false;
    for (let i = 0; i < 3; i++) {
      this.#samples.values[at + i] = rate[i]!;
      this.#samples.values[at + 3 + i] = force[i]!;
    }
    return true;
  }

  /**
   * The samples from where the last span ended up to a time, microseconds; from that time on for the first.
   * @returns the same object every time; null for the first span, for one that does not go forward, and without samples
   */
  cut(to: number, orientations: OrientationBuffer): InertialSpan | null {
    const from = this.#done;
    if (to <= from) return null;
    this.#done = to;
    if (Number.isNaN(from) || this.#samples.count === 0) return null;
    const span = this.#span;
    span.count = 0;
    span.missing = 0;
    span.total = (to - from) / 1e6;
    span.owed.fill(0);
    let k = this.#after(from);
    this.#settle(k);
    for (let at = from; at < to; k++) {
      const isPast = k === this.#samples.count;
      const begin = k === 0 ? Number.NEGATIVE_INFINITY : this.#samples.timeOf(k - 1);
      const end = isPast ? to : Math.min(to, this.#samples.timeOf(k));
      const known = isPast ? end - begin : this.#samples.timeOf(k) - begin;
      const isKnown =
        known <= this.#maxGap && this.#add(this.#samples.offsetOf(isPast ? k - 1 : k), at, end, orientations);
      if (!isKnown) span.missing += (end - at) / 1e6;
      else if (isPast) this.#lend(k - 1, at, end);
      at = end;
    }
    return span;
  }

  /** How many samples are stamped up to a time. */
  #after(time: number): number {
    let k = this.#samples.count;
    while (k > 0 && this.#samples.timeOf(k - 1) > time) k--;
    return k;
  }

  /** Corrects the time at the end of the last span for which an older sample was extrapolated, by the first new sample. */
  #settle(k: number): void {
    if (this.#lentFor === 0 || k === this.#samples.count) return;
    const isNext = k > 0 && this.#samples.timeOf(k - 1) === this.#lentAt;
    if (isNext && this.#samples.timeOf(k) - this.#lentAt <= this.#maxGap) {
      const at = this.#samples.offsetOf(k) + 3;
      for (let i = 0; i < 3; i++) {
        this.#span.owed[i] = this.#lentFor * (this.#samples.values[at + i]! - this.#lent[i]!);
      }
    }
    this.#lentFor = 0;
  }

  #lend(k: number, from: number, to: number): void {
    const at = this.#samples.offsetOf(k) + 3;
    for (let i = 0; i < 3; i++) this.#lent[i] = this.#samples.values[at + i]!;
    this.#lentAt = this.#samples.timeOf(k);
    this.#lentFor += (to - from) / 1e6;
  }

  /** Adds a part of a sample's time to the span; false when its attitude is not known. */
  #add(sample: number, from: number, to: number, orientations: OrientationBuffer): boolean {
    const span = this.#span;
    if (span.count === span.seconds.length) return false;
    if (orientations.at((from + to) / 2, this.#rotation) !== "ok") return false;
    const n = span.count++;
    span.seconds[n] = (to - from) / 1e6;
    for (let i = 0; i < 4; i++) span.rotation[4 * n + i] = this.#rotation[i]!;
    for (let i = 0; i < 3; i++) {
      span.rate[3 * n + i] = this.#samples.values[sample + i]!;
      span.force[3 * n + i] = this.#samples.values[sample + 3 + i]!;
    }
    return true;
  }
}
