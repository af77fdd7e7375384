import type { Quat } from "../geometry/optics.ts";
import { normalizeRotation, slerpInto } from "../geometry/rigid.ts";

export interface OrientationSettings {
  /** How many samples are kept; the oldest go first. */
  readonly capacity: number;
  /** Microseconds by which the sensor's stamps are late: a sample stamped t shows the attitude of t - lateness. */
  readonly lateness: number;
  /** Microseconds; samples farther apart are not interpolated between. */
  readonly maxGap: number;
}

/** 5 s at 200 Hz; four samples of a 100 Hz sensor may be missing in a row. */
export const DEFAULT_ORIENTATION_SETTINGS: OrientationSettings = {
  capacity: 1024,
  lateness: 0,
  maxGap: 50_000,
};

/** "not yet": a later sample is needed and may still come. The others will not change by waiting. */
export type OrientationStatus = "ok" | "too early" | "not yet" | "gap";

/** The last attitudes, asked for at any instant between them. Samples may come late, twice or out of order. */
export class OrientationBuffer {
  // A ring in the order of time: sample k is at (#first + k) % capacity.
  readonly #times: Float64Array;
  readonly #rotations: Float64Array;
  readonly #settings: OrientationSettings;
  #first = 0;
  #count = 0;

  /** @throws {RangeError} naming a setting that is not valid */
  constructor(settings: OrientationSettings = DEFAULT_ORIENTATION_SETTINGS) {
    const { capacity, lateness, maxGap } = settings;
    if (!(Number.isInteger(capacity) && capacity >= 2 && capacity <= 1_000_000)) {
      throw new RangeError(
        `orientation.capacity is ${capacity}; it must be a whole number from 2 to 1000000`,
      );
    }
    if (!Number.isFinite(lateness))
      throw new RangeError(`orientation.lateness is ${lateness}; it must be finite`);
    if (!(maxGap > 0)) throw new RangeError(`orientation.maxGap is ${maxGap}; it must be above 0`);
    this.#settings = settings;
    this.#times = new Float64Array(capacity);
    this.#rotations = new Float64Array(4 * capacity);
  }

  get count(): number {
    return this.#count;
  }

  /**
   * @param time     microseconds, the sensor's stamp
   * @param rotation worldFromImu
   * @returns false when nothing was stored: that stamp is there already, or all samples held are newer and the ring is
   *          full
   * @throws {RangeError} if the time is not finite or the rotation is none
   */
  push(time: number, rotation: Quat): boolean {
    if (!Number.isFinite(time)) throw new RangeError(`orientation stamped ${time}`);
    const q = normalizeRotation(rotation);
    let place = this.#count; // how many samples are older
    while (place > 0 && this.#timeOf(place - 1) >= time) place--;
    if (place < this.#count && this.#timeOf(place) === time) return false;
    const capacity = this.#times.length;
    if (this.#count === capacity) {
      if (place === 0) return false;
      this.#first = (this.#first + 1) % capacity;
      this.#count--;
      place--;
    }
    for (let k = this.#count; k > place; k--) {
      const from = this.#slot(k - 1);
      const to = this.#slot(k);
      this.#times[to] = this.#times[from]!;
      this.#rotations.copyWithin(4 * to, 4 * from, 4 * from + 4);
    }
    const slot = this.#slot(place);
    this.#times[slot] = time;
    this.#rotations.set(q, 4 * slot);
    this.#count++;
    return true;
  }

  /**
   * The attitude at an instant, turning at a constant rate between the samples around it.
   *
   * @param time microseconds of the head's clock
   * @param out  (4) receives worldFromImu when the status is "ok", else it is left as it was
   */
  at(time: number, out: Float64Array): OrientationStatus {
    const stamp = time + this.#settings.lateness;
    if (this.#count === 0 || !(stamp <= this.#timeOf(this.#count - 1))) return "not yet";
    if (stamp < this.#timeOf(0)) return "too early";
    let low = 0; // the last sample not after the stamp
    let high = this.#count - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (this.#timeOf(middle) <= stamp) low = middle;
      else high = middle - 1;
    }
    const before = this.#timeOf(low);
    if (before === stamp) {
      const from = 4 * this.#slot(low);
      for (let k = 0; k < 4; k++) out[k] = this.#rotations[from + k]!;
      return "ok";
    }
    const span = this.#timeOf(low + 1) - before;
    if (span > this.#settings.maxGap) return "gap";
    slerpInto(out, this.#rotations, 4 * this.#slot(low), 4 * this.#slot(low + 1), (stamp - before) / span);
    return "ok";
  }

  #slot(k: number): number {
    return (this.#first + k) % this.#times.length;
  }

  #timeOf(k: number): number {
    return this.#times[this.#slot(k)]!;
  }
}
