import { atan2Of, square, tanOf } from "../geometry/elementary.ts";
import { floorHorizon } from "../sense/noise.ts";

/** How a head is mounted and what its base does: what decides where the floor is seen. Metres, radians, seconds. */
export interface ViewPlan {
  /** Lens above the floor. */
  readonly height: number;
  /** Of the optical axis below level. */
  readonly pitch: number;
  /** From the optical axis to the lower and the upper edge of the image. */
  readonly below: number;
  readonly above: number;
  /** From the lens ahead to the base's front edge; negative when the lens overhangs it. */
  readonly front: number;
  /** Of the base's highest point. */
  readonly bodyHeight: number;
  readonly speed: number;
  /** From exposure until the brakes act, and what they give, m/s^2. */
  readonly delay: number;
  readonly deceleration: number;
  /** Kept free before the base where it stands. */
  readonly margin: number;
  /** Distance along the floor at which things as high as the base must be in view; nearer ones are remembered. */
  readonly lookout: number;
  /** Range at which the sensor still just sees a wall that returns 80 %, faced squarely. */
  readonly wallRange: number;
}

/** What follows; distances along the floor from the point below the lens, Infinity for "no end". */
export interface View {
  /** Nearest and farthest floor in the image. */
  readonly near: number;
  readonly far: number;
  /** Floor between the base's front and the nearest that is seen. */
  readonly blind: number;
  /** From exposure until it stands; and how far ahead of the lens an edge must be known for that. */
  readonly stopping: number;
  readonly needed: number;
  /** The fastest speed from which the base stops before the nearest floor that is seen; 0 when that is under its front. */
  readonly blindSpeed: number;
  /** Pitches that serve: the shallowest that sees floor where the base would come to stand, and the steepest that sees as high as the base at `lookout`. */
  readonly shallowest: number;
  readonly steepest: number;
  /** Error of the floor's height at `needed` for each degree of pitch. */
  readonly heightError: number;
  /** Where the last return comes from on a floor of 5, 20 and 50 % reflectance. */
  readonly dark: readonly (readonly [reflectance: number, distance: number])[];
  /** Nearer than this to the edge of stairs of 178 / 279 mm their first lower tread comes into view. */
  readonly treads: number;
}

const DEGREE = Math.PI / 180;
/** Stairs of IBC 1011.5.2, metres: riser and tread. */
const RISER = 0.178;
const TREAD = 0.279;
const WALL = 0.8;

/** Way until the base stands: at full speed for the delay, then braking. */
export const stoppingDistance = (speed: number, delay: number, deceleration: number): number =>
  speed * delay + square(speed) / (2 * deceleration);

/** The fastest speed from which the base stops within a distance; 0 for none. */
export function fastestWithin(distance: number, delay: number, deceleration: number): number {
  if (!(distance > 0)) return 0;
  return deceleration * (Math.sqrt(delay * delay + (2 * distance) / deceleration) - delay);
}

/** Where a ray that looks down by `angle` meets the floor; Infinity when it never does, 0 straight below and behind. */
export function floorAt(height: number, angle: number): number {
  if (angle <= 0) return Number.POSITIVE_INFINITY;
  return angle >= Math.PI / 2 ? 0 : height / tanOf(angle);
}

/** Within this distance from the edge of a stair its first lower tread can be seen past the lip: similar triangles. */
export const treadsFrom = (height: number, riser = RISER, tread = TREAD): number => (height * tread) / riser;

/** @throws {RangeError} naming the invalid value */
export function planView(plan: ViewPlan): View {
  checkPlan(plan);
  const {
    height,
    pitch,
    below,
    above,
    front,
    bodyHeight,
    speed,
    delay,
    deceleration,
    margin,
    lookout,
    wallRange,
  } = plan;
  const near = floorAt(height, pitch + below);
  const far = floorAt(height, pitch - above);
  const stopping = stoppingDistance(speed, delay, deceleration);
  const needed = front + margin + stopping;
  return {
    near,
    far,
    stopping,
    needed,
    blind: Math.max(0, near - front),
    blindSpeed: fastestWithin(near - front - margin, delay, deceleration),
    shallowest: atan2Of(height, needed) - below,
    steepest: above - atan2Of(bodyHeight - height, lookout),
    heightError: needed * tanOf(DEGREE),
    dark: [0.05, 0.2, 0.5].map((reflectance) => [
      reflectance,
      floorHorizon(reflectance, height, WALL / square(wallRange)),
    ]),
    treads: treadsFrom(height),
  };
}

const BOUNDS: Readonly<Record<keyof ViewPlan, readonly [low: number, high: number, unit: string]>> = {
  height: [0.03, 3, "m"],
  pitch: [-30, 90, "degrees"],
  below: [1, 85, "degrees"],
  above: [1, 85, "degrees"],
  front: [-1, 2, "m"],
  bodyHeight: [0.05, 3, "m"],
  speed: [0.01, 5, "m/s"],
  delay: [0, 3, "s"],
  deceleration: [0.05, 10, "m/s2"],
  margin: [0, 1, "m"],
  lookout: [0.2, 10, "m"],
  wallRange: [0.3, 100, "m"],
};

function checkPlan(plan: ViewPlan): void {
  for (const [name, [low, high, unit]] of Object.entries(BOUNDS)) {
    const value = plan[name as keyof ViewPlan] / (unit === "degrees" ? DEGREE : 1);
    if (!(value >= low - 1e-9 && value <= high + 1e-9)) {
      throw new RangeError(`${name} is ${value} ${unit}; it must be ${low} to ${high}`);
    }
  }
}
