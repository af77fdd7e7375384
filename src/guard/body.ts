/** The body that must not fall, and what its wheels, brakes and delays allow. Lengths in metres of the base frame. */

/** Corners as x, y pairs in order around the body; the base's floor point (0, 0) lies inside. */
export type Footprint = readonly (readonly [x: number, y: number])[];

export interface BodyDescription {
  readonly footprint: Footprint;
  /** The highest point above the floor. */
  readonly height: number;
  readonly wheelRadius: number;
  /** The highest step up that the wheels take; what is lower is not in the way. */
  readonly climbableStep: number;
  /** The deepest step down that the body takes without harm; at least 13 mm (ADA 303.3: a level change, not a drop). */
  readonly tolerableDrop: number;
  /** m/s^2 that the brakes give for certain. */
  readonly deceleration: number;
  /** Seconds from a pace being sent until the brakes act. */
  readonly reactionDelay: number;
}

/** Source: ADA/ABA standards 303.2 and 303.3: level changes up to 13 mm belong to an accessible route. */
export const LEVEL_CHANGE = 0.013;
/** Source: ADA 405.2 (from memory): the steepest ramp of an accessible route rises 1 in 12. */
export const RAMP_SLOPE = 1 / 12;

/**
 * How deep a wheel sinks into a gap between two level edges.
 * @param radius of the wheel
 * @param gap    width across; as wide as the wheel or wider, it falls in: Infinity
 * Source: circle geometry, r - sqrt(r^2 - w^2 / 4).
 */
export function wheelSink(radius: number, gap: number): number {
  return gap >= 2 * radius ? Number.POSITIVE_INFINITY : radius - Math.sqrt(radius * radius - (gap * gap) / 4);
}

/** The widest gap into which a wheel sinks no deeper than `sink`: the inverse of `wheelSink`. */
export function widestGap(radius: number, sink: number): number {
  const depth = Math.min(sink, radius);
  return 2 * Math.sqrt(2 * radius * depth - depth * depth);
}

/**
 * Horizontal force, as a share of the wheel's load, that rolls a wheel up a step; Infinity from the axle's height on.
 * Source: moments about the step's corner, sqrt(2 r s - s^2) / (r - s).
 */
export function climbForce(radius: number, step: number): number {
  return step >= radius
    ? Number.POSITIVE_INFINITY
    : Math.sqrt(2 * radius * step - step * step) / (radius - step);
}

/** Metres from the moment of decision to standstill: v t + v^2 / (2 a). */
export function stoppingDistance(speed: number, delay: number, deceleration: number): number {
  return speed * delay + (speed * speed) / (2 * deceleration);
}

/** The fastest speed, m/s, that stops within `distance`: the inverse of `stoppingDistance`; 0 when there is no room. */
export function permittedSpeed(distance: number, delay: number, deceleration: number): number {
  if (!(distance > 0)) return 0;
  // a (sqrt(t^2 + 2 d / a) - t), without the difference of nearly equal numbers when d is small.
  return (2 * distance) / (Math.sqrt(delay * delay + (2 * distance) / deceleration) + delay);
}

/**
 * Distance at which a protective device must stand from a hazard that people may walk or reach into. Not used to set the
 * pace, which stops the body before things that stand still: it says how far people must be kept.
 *
 * @param resolution of the device, metres, up to 0.04
 * @param stopTime   seconds until the machine stands
 * Source: ISO 13855:2010: S = K T + 8 (d - 14 mm), K 2 m/s; above 0.5 m again with 1.6 m/s, but at least 0.5 m. That
 * text is not ours to check; the formula and its worked example are as quoted by makers of such devices.
 */
export function separationDistance(resolution: number, stopTime: number): number {
  const intrusion = Math.max(0, 8 * (resolution - 0.014));
  const reach = Math.max(0.1, 2 * stopTime + intrusion);
  return reach <= 0.5 ? reach : Math.max(0.5, 1.6 * stopTime + intrusion);
}

/** What follows from a body. */
export interface BodyLimits {
  /** Steps down deeper than this are drops. */
  readonly drop: number;
  /** Things taller than this are in the way. */
  readonly step: number;
  /** A hole narrower than this takes no wheel deeper than the tolerable drop: unseen floor so narrow may be crossed. */
  readonly gap: number;
  /** Of the footprint, in the base frame: the largest and least x, and half the width. */
  readonly front: number;
  readonly rear: number;
  readonly halfWidth: number;
  /** From the base's floor point to the farthest corner. */
  readonly radius: number;
}

/**
 * Checks a body and derives its limits.
 * @throws {RangeError} naming what makes no sense
 */
export function bodyLimits(body: BodyDescription): BodyLimits {
  const { footprint, wheelRadius, climbableStep, tolerableDrop } = body;
  for (const field of ["height", "wheelRadius", "deceleration"] as const) {
    if (!(body[field] > 0 && Number.isFinite(body[field]))) {
      throw new RangeError(`body.${field} is ${body[field]}; it must be above 0`);
    }
  }
  if (!(body.reactionDelay >= 0)) {
    throw new RangeError(`body.reactionDelay is ${body.reactionDelay}; it must be 0 or more`);
  }
  if (!(tolerableDrop >= LEVEL_CHANGE && tolerableDrop < wheelRadius)) {
    throw new RangeError(
      `body.tolerableDrop is ${tolerableDrop}; it must be at least ${LEVEL_CHANGE} and below the wheel's radius of ${wheelRadius}`,
    );
  }
  if (!(climbableStep > 0 && climbableStep < wheelRadius)) {
    throw new RangeError(
      `body.climbableStep is ${climbableStep}; it must be above 0 and below the wheel's radius of ${wheelRadius}`,
    );
  }
  if (footprint.length < 3 || !footprint.flat().every(Number.isFinite)) {
    throw new RangeError(`body.footprint has ${footprint.length} corners; three or more are needed`);
  }
  if (!holds(footprint, 0, 0)) {
    throw new RangeError("body.footprint must go around the base's floor point (0, 0)");
  }
  const xs = footprint.map(([x]) => x);
  return {
    drop: tolerableDrop,
    step: climbableStep,
    gap: widestGap(wheelRadius, tolerableDrop),
    front: Math.max(...xs),
    rear: Math.min(...xs),
    halfWidth: Math.max(...footprint.map(([, y]) => Math.abs(y))),
    radius: Math.max(...footprint.map(([x, y]) => Math.hypot(x, y))),
  };
}

/** Whether the point lies inside; even-odd rule. */
export function holds(polygon: Footprint, x: number, y: number): boolean {
  let inside = false;
  for (let i = 0, k = polygon.length - 1; i < polygon.length; k = i++) {
    const [xi, yi] = polygon[i]!;
    const [xk, yk] = polygon[k]!;
    if (yi > y !== yk > y && x < ((xk - xi) * (y - yi)) / (yk - yi) + xi) inside = !inside;
  }
  return inside;
}

/**
 * Reads a footprint as settings hold it: "x,y x,y x,y ...", metres.
 * @throws {RangeError} saying what is wrong with the text
 */
export function parseFootprint(text: string): Footprint {
  const corners = text
    .trim()
    .split(/\s+/)
    .map((corner) => corner.split(",").map((value) => (value.trim() === "" ? Number.NaN : Number(value))));
  const wrong = corners.findIndex((corner) => corner.length !== 2 || !corner.every(Number.isFinite));
  if (wrong >= 0) {
    throw new RangeError(
      `corner ${wrong + 1} of the footprint is not x,y: write it like "0.2,0.15 0.2,-0.15 -0.2,0"`,
    );
  }
  return corners.map(([x, y]) => [x!, y!] as const);
}
