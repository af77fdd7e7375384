import type { Pose } from "../geometry/optics.ts";
import type { DepthEvent } from "../sense/events.ts";
import { LensCheck } from "../sense/lens-check.ts";
import type { LensOutput } from "./outputs.ts";
import type { OpenSensor } from "./sensors.ts";

/** Checks the setup of each lens against the first floor in its view. */
export class LensChecks {
  /** Per sensor; null for lasers, and after the check is done. */
  readonly #checks: (LensCheck | null)[];

  constructor(sensors: readonly OpenSensor[]) {
    this.#checks = sensors.map(({ optics, mask }) =>
      optics.model === "scan" ? null : new LensCheck(optics, mask.rays),
    );
  }

  /**
   * @param levelFromLens the lens over the base's floor point, in axes turned upright
   * @returns a fault, once for each sensor; else null
   */
  take({ sensor, counts, time }: DepthEvent, levelFromLens: Pose): LensOutput | null {
    const check = this.#checks[sensor] ?? null;
    if (check === null) return null;
    const fault = check.take(counts, levelFromLens, time);
    if (check.isDone) this.#checks[sensor] = null;
    return fault === null ? null : { kind: "lens", time, sensor, fault };
  }
}
