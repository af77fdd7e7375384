import { hypot2 } from "../geometry/elementary.ts";
// Model of the base for the guard: what its wheels, brakes and delays allow. Lengths are metres, places in the base frame.

/** Corners in order around the body; the base's floor point (0, 0) lies inside. */
export type Footprint = readonly (readonly [x: number, y: number])[];

/** Metres from the floor point to the farthest corner. */
export const radiusOf = (footprint: Footprint): number =>
  Math.max(...footprint.map(([x, y]) => hypot2(x, y)));

export interface BodyDescription {
  readonly footprint: Footprint;
  /** The highest point above the floor. */
  readonly height: number;
  readonly wheelRadius: number;
  /** The highest step up that the wheels take; lower things are not in the way. */
  readonly climbableStep: number;
  /** The deepest step down that the body takes without harm; at least 13 mm (ADA 303.3: a level change, not a drop). */
  readonly tolerableDrop: number;
  /** m/s^2: guaranteed deceleration of the brakes. */
  readonly deceleration: number;
  /** Seconds from sending a pace until the brakes act. */
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

/**
 * The fastest speed, m/s, that stops within `distance`: the inverse of `stoppingDistance`; 0 when there is no room.
 * @param down speed to which the base slows down instead, and which is permitted without any room
 * Source: v t + (v^2 - down^2) / (2 a) = d, solved for v.
 */
export function permittedSpeed(distance: number, delay: number, deceleration: number, down = 0): number {
  if (!(distance > 0)) return down;
  // a (sqrt(t^2 + 2 d / a) - t) with d + down^2 / (2 a) for d, without the difference of nearly equal numbers when d is small.
  const room = distance + (down * down) / (2 * deceleration);
  return Math.max(down, (2 * room) / (Math.sqrt(delay * delay + (2 * room) / deceleration) + delay));
}

/**
 * Distance at which a protective device must stand from a hazard that people may walk or reach into. It does not set the pace, which
 * stops the body before standing obstacles. It says how far away people must be kept.
 *
 * @param resolution of the device, metres, up to 0.04
 * @param stopTime   seconds until the machine stands
 * Source: ISO 13855, S = K T + C with C = 8 (d - 14 mm) and K = 2 m/s, at least 0.1 m; above 0.5 m with K = 1.6 m/s instead, at least
 * 0.5 m. The constants are from memory and were not checked against the standard's text.
 */
export function separationDistance(resolution: number, stopTime: number): number {
  const intrusion = Math.max(0, 8 * (resolution - 0.014));
  const reach = Math.max(0.1, 2 * stopTime + intrusion);
  return reach <= 0.5 ? reach : Math.max(0.5, 1.6 * stopTime + intrusion);
}

/** Limits that follow from a body. */
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
 * @throws {RangeError} naming the field that makes no sense
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
    radius: radiusOf(footprint),
  };
}

/**
 * Whether a point lies inside a polygon. A ray from the point along +x crosses the outline an odd number of times exactly when the
 * point is inside (Jordan curve theorem).
 *
 * An edge from a to b crosses the ray's line when one end lies above it and the other does not; an end on the line counts as not above,
 * so a corner on the line counts for one of its two edges. The crossing lies on the ray when the point is to the left of an edge that
 * goes up, or to the right of one that goes down: the sign of the cross product (b - a) x (p - a) tells.
 */
export function holds(polygon: Footprint, x: number, y: number): boolean {
  let isInside = false;
  let [ax, ay] = polygon.at(-1)!;
  for (const [bx, by] of polygon) {
    const isUp = ay <= y && y < by;
    const isDown = by <= y && y < ay;
    if (isUp || isDown) {
      const side = (bx - ax) * (y - ay) - (by - ay) * (x - ax);
      if (isUp ? side > 0 : side < 0) isInside = !isInside;
    }
    ax = bx;
    ay = by;
  }
  return isInside;
}

/** Metres from a point to the nearest edge of a polygon, inside or outside. */
export function distanceToOutline(polygon: Footprint, x: number, y: number): number {
  let nearest = Number.POSITIVE_INFINITY;
  let [ax, ay] = polygon.at(-1)!;
  for (const [bx, by] of polygon) {
    const [dx, dy] = [bx - ax, by - ay];
    const along = ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy || 1);
    const t = along < 0 ? 0 : along > 1 ? 1 : along;
    nearest = Math.min(nearest, hypot2(x - ax - t * dx, y - ay - t * dy));
    [ax, ay] = [bx, by];
  }
  return nearest;
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
