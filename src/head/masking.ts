import type { DepthEvent } from "../sense/events.ts";
import type { MaskResult } from "../sense/mask.ts";
import type { Skip } from "./frame.ts";
import type { OpenSensor } from "./sensors.ts";

/** First stage: validity of each pixel of a frame, and its depth along the optical axis. */
export class Masking {
  readonly #sensors: readonly OpenSensor[];
  readonly #newest: (MaskResult | null)[];

  constructor(sensors: readonly OpenSensor[]) {
    this.#sensors = sensors;
    this.#newest = sensors.map(() => null);
  }

  /** Why an event is not a frame of its sensor; null when it is. */
  unfit({ time, sensor, sequence, counts, amplitude }: DepthEvent): Skip | null {
    const optics = this.#sensors[sensor]?.optics;
    if (optics === undefined) {
      const detail = `sensor ${sensor} is not one of the ${this.#sensors.length} in the setup`;
      return { time, sensor, sequence, why: "unfit", detail };
    }
    const pixels = optics.width * optics.height;
    if (counts.length === pixels && (amplitude === null || amplitude.length === pixels)) return null;
    const detail = `${counts.length} pixels, the sensor has ${pixels}`;
    return { time, sensor, sequence, why: "unfit", detail };
  }

  /** @param event a valid frame. The result is overwritten by the sensor's next frame. */
  apply({ sensor, counts, amplitude }: DepthEvent): MaskResult {
    const masked = this.#sensors[sensor]!.mask.apply(counts, amplitude);
    this.#newest[sensor] = masked;
    return masked;
  }

  /** The mask's result for a sensor's newest frame; null before the first. */
  newestOf(sensor: number): MaskResult | null {
    return this.#newest[sensor] ?? null;
  }
}
