import type { Optics } from "../geometry/optics.ts";
import type { SensorSetup, Setup } from "../sense/events.ts";
import { DepthMask } from "../sense/mask.ts";
import type { Settings } from "./settings.ts";
import { maskSettings } from "./stage-settings.ts";

/** A range sensor as all stages see it. */
export interface OpenSensor {
  readonly setup: SensorSetup;
  /** As declared, but with no longer range than is mapped. */
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

/** Metres. A laser's few rays are walked one by one, and its noise grows little with range: it maps as far as it sees. */
function mappedRange({ model, maxRange }: Optics, settings: Settings): number {
  return model === "scan" ? maxRange : Math.min(maxRange, settings["map.maxRange"]);
}
