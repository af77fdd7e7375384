import type { Quat } from "../geometry/optics.ts";
import { normalizeRotation, slerpInto } from "../geometry/rigid.ts";
import { StampedRing } from "./stamped-ring.ts";

export interface OrientationSettings {
  /** Number of samples kept; the oldest are dropped first. */
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

/** The last attitudes, interpolated at any instant between them. Samples may come late, twice or out of order. */
export class OrientationBuffer {
  readonly #rotations: StampedRing;
  readonly #settings: OrientationSettings;

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
    this.#rotations = new StampedRing(capacity, 4);
  }

  get count(): number {
    return this.#rotations.count;
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
    const at = this.#rotations.placeFor(time);
    if (at < 0) return false;
    this.#rotations.values.set(q, at);
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
    const ring = this.#rotations;
    if (ring.count === 0 || !(stamp <= ring.timeOf(ring.count - 1))) return "not yet";
    if (stamp < ring.timeOf(0)) return "too early";
    let low = 0; // the last sample not after the stamp
    let high = ring.count - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (ring.timeOf(middle) <= stamp) low = middle;
      else high = middle - 1;
    }
    const before = ring.timeOf(low);
    const from = ring.offsetOf(low);
    if (before === stamp) {
      for (let k = 0; k < 4; k++) out[k] = ring.values[from + k]!;
      return "ok";
    }
    const span = ring.timeOf(low + 1) - before;
    if (span > this.#settings.maxGap) return "gap";
    slerpInto(out, ring.values, from, ring.offsetOf(low + 1), (stamp - before) / span);
    return "ok";
  }
}
