import type { Optics } from "../geometry/optics.ts";
import type { SensorSetup, Setup } from "../sense/events.ts";
import { DepthMask } from "../sense/mask.ts";
import type { Settings } from "./settings.ts";
import { maskSettings } from "./stage-settings.ts";

/** A range sensor, for all stages. */
export interface OpenSensor {
  readonly setup: SensorSetup;
  /** As declared, with the range limited to the mapped range. */
  readonly optics: Optics;
  readonly mask: DepthMask;
}

/** @throws {RangeError} if a sensor's optics or a setting of the mask are not valid */
export function openSensors(setup: Setup, settings: Settings): OpenSensor[] {
  return setup.sensors.map((sensor) => {
    const optics: Optics = { ...sensor.optics, maxRange: mappedRange(sensor.optics, settings) };
    return { setup: sensor, optics, mask: new DepthMask(optics, maskSettings(settings)) };
  });
}

/** Metres. A laser is mapped at its full range, because its few rays are walked one by one and its noise grows little with range. */
function mappedRange({ model, maxRange }: Optics, settings: Settings): number {
  return model === "scan" ? maxRange : Math.min(maxRange, settings["map.maxRange"]);
}
