import type { Pose } from "../geometry/optics.ts";
import type { Glancer } from "../guard/glance.ts";
import type { GlanceFrame } from "../guard/glance-frame.ts";
import type { Guard } from "../guard/guard.ts";
import type { Whereabouts } from "../guard/mirror-check.ts";
import { DEFAULT_MASK_SETTINGS, type MaskResult } from "../sense/mask.ts";
import { placement, setPlacement } from "../track/placement.ts";
import type { OpenSensor } from "./sensors.ts";

/** A masked frame and the attitude of its lens. */
export interface Judged {
  readonly sensor: number;
  readonly masked: Pick<MaskResult, "depth" | "reason">;
  /** Pose of the lens relative to the base's floor point, in the base's axes turned upright. */
  readonly levelFromLens: Pose;
}

/** Second stage: judges the floor in one frame. It needs gravity and the height of the lens. Only votes on mirror-like floor need a position. */
export class Judging {
  /** Null for lasers and for images too small to be judged. */
  readonly #glancers: readonly (Glancer | null)[];
  readonly #level = placement();

  constructor(sensors: readonly OpenSensor[], guard: Guard) {
    this.#glancers = sensors.map(({ optics, mask }) =>
      guard.openGlancer(optics, mask.rays, mask.unitsPerMetre, DEFAULT_MASK_SETTINGS.noise),
    );
  }

  /** @returns null for a sensor whose frames cannot be judged; the sensor's next frame overwrites the result */
  look(
    { sensor, masked, levelFromLens }: Judged,
    amplitude: Uint16Array | null,
    at: Whereabouts,
  ): GlanceFrame | null {
    setPlacement(this.#level, levelFromLens);
    const { rotation, position } = this.#level;
    const glancer = this.#glancers[sensor] ?? null;
    return glancer?.look({ ...masked, amplitude }, rotation, position, at) ?? null;
  }

  /** Whether the lens is covered: the part of `look` that the map needs, at a fraction of the cost. */
  isCovered({ sensor, masked, levelFromLens }: Judged): boolean {
    setPlacement(this.#level, levelFromLens);
    const { rotation, position } = this.#level;
    const glancer = this.#glancers[sensor] ?? null;
    return glancer?.judge(masked.depth, masked.reason, rotation, position) === "covered";
  }
}
