import { hypot2 } from "../geometry/elementary.ts";
import { type Finding, isFound, type MountReport } from "./findings.ts";

/** True sizes of the base's wheels divided by those that its odometry was computed with. */
export interface WheelSizes {
  readonly radius: Finding;
  /** Distance between the wheels of a differential base; wheelbase of a steered one. */
  readonly track: Finding;
}

/**
 * Sizes of the wheels from the errors of their odometry. Odometry counts a distance of radius x angle, so it is too long by the share by which
 * the radius is assumed too large. It counts a turn of radius x difference of angles / track.
 */
export function wheelSizes({ scale, turnScale }: MountReport["wheels"]): WheelSizes {
  if (!isFound(scale)) return { radius: scale, track: scale };
  const inverse = 1 / scale.value;
  const radius = { value: inverse, sigma: inverse * inverse * scale.sigma };
  if (!isFound(turnScale)) return { radius, track: turnScale };
  const value = turnScale.value / scale.value;
  const sigma = value * hypot2(scale.sigma / scale.value, turnScale.sigma / turnScale.value);
  return { radius, track: { value, sigma } };
}
