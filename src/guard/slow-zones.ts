import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { LEAST_ZONE_SPEED, MOST_ZONE_SPEED, splitZones } from "../terms/areas.ts";
import { doOutlinesCross } from "../terms/polygon.ts";
import { type Footprint, holds, radiusOf } from "./body.ts";
import { checkCount, parseOutline } from "./keep-out.ts";
import { poseAfter, type Turned, widened } from "./sweep.ts";

/** A part of the floor in which the base drives no faster than `speed`, m/s: corners in the world, metres. */
export interface SlowZone {
  readonly name: string;
  readonly speed: number;
  readonly outline: Footprint;
}

/** Metres by which the outline of the body is wider, because it does not follow its path exactly: as in the swept ways. */
const WIDER = 0.02;
/** Metres between the places along a way at which the body is compared with the zones. A zone counts as reached at the place before. */
const STEP = 0.05;

const EXAMPLE = "aisle: 0.3 m/s: 1,2 2,2 2,3; door: 0.15 m/s: 4,0 5,0 5,1";

/**
 * Reads slow zones as settings hold them: "name: 0.3 m/s: x,y x,y x,y; name: ...". Empty text is no zone.
 * @throws {RangeError} saying which zone is wrong, and what to write
 */
export function parseSlowZones(text: string): readonly SlowZone[] {
  const parts = splitZones(text);
  checkCount(parts.length);
  return parts.map(({ name, speed: written, corners }) => {
    const speed = Number(written ?? Number.NaN);
    if (!(speed >= LEAST_ZONE_SPEED && speed <= MOST_ZONE_SPEED)) {
      throw new RangeError(
        `"${name}" needs a speed from ${LEAST_ZONE_SPEED} to ${MOST_ZONE_SPEED} m/s before its corners: write zones like "${EXAMPLE}"`,
      );
    }
    return { name, speed, outline: parseOutline(name, corners, EXAMPLE) };
  });
}

/** A slow zone on a way: the base may be no faster than `speed` from `metres` on. */
export interface ZoneAhead {
  readonly zone: SlowZone;
  readonly metres: number;
}

/** The slow zones around the base, in its own frame. */
export class SlowZones {
  readonly #zones: readonly SlowZone[];
  readonly #body: Footprint;
  readonly #radius: number;
  /** Zones near the base: their outlines in the base frame. */
  #near: readonly { readonly zone: SlowZone; readonly outline: Footprint }[] = [];
  /** The slowest zone that the body reaches into; null outside of all. */
  #inside: SlowZone | null = null;
  #lastInside: SlowZone | null = null;

  /** @param before the zones so far: the base was in the one of the same name */
  constructor(zones: readonly SlowZone[], footprint: Footprint, before: SlowZones | null = null) {
    this.#zones = zones;
    this.#lastInside = zones.find(({ name }) => name === before?.lastInside?.name) ?? null;
    this.#body = widened(footprint, WIDER);
    this.#radius = radiusOf(this.#body);
  }

  /** The slowest zone in which the body was when `note` was called last. */
  get lastInside(): SlowZone | null {
    return this.#lastInside;
  }

  /** Notes that the base is where `standAt` says: other places are only asked about. */
  note(): void {
    this.#lastInside = this.#inside;
  }

  /**
   * Sets the place of the base in the world.
   * @param reach metres: longest way that will be asked about
   */
  standAt({ x, y, yaw }: Turned, reach: number): void {
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    this.#near = this.#zones
      .map((zone) => ({
        zone,
        outline: zone.outline.map(([cornerX, cornerY]) => {
          const [dx, dy] = [cornerX - x, cornerY - y];
          return [cos * dx + sin * dy, cos * dy - sin * dx] as const;
        }),
      }))
      .filter(({ outline }) => mayMeet(outline, 0, 0, this.#radius + reach));
    this.#inside = null;
    for (const { zone, outline } of this.#near) {
      const isSlower = this.#inside === null || zone.speed < this.#inside.speed;
      if (isSlower && doOverlap(this.#body, outline)) this.#inside = zone;
    }
  }

  /**
   * The zones that the body comes into along a way, each with the metres until then: 0 where it is inside.
   * @param curvature as `Sweep.curvature`; the way on the spot is that of the farthest corner
   * @param most      metres of the way
   */
  along(curvature: number, direction: 1 | -1, most: number): readonly ZoneAhead[] {
    const found: ZoneAhead[] = [];
    for (const { zone, outline } of this.#near) {
      for (let way = 0; way < most + STEP; way += STEP) {
        const { x, y, yaw } = poseAfter(curvature, direction, way, this.#radius);
        if (!mayMeet(outline, x, y, this.#radius) || !doOverlap(placed(this.#body, x, y, yaw), outline))
          continue;
        found.push({ zone, metres: Math.max(0, way - STEP) });
        break;
      }
    }
    return found;
  }
}

const placed = (body: Footprint, x: number, y: number, yaw: number): Footprint => {
  const cos = cosOf(yaw);
  const sin = sinOf(yaw);
  return body.map(([px, py]) => [x + cos * px - sin * py, y + sin * px + cos * py] as const);
};

/** Whether a circle around (x, y) reaches the box around an outline. */
function mayMeet(outline: Footprint, x: number, y: number, radius: number): boolean {
  let [left, right, low, high] = [Infinity, -Infinity, Infinity, -Infinity];
  for (const [cornerX, cornerY] of outline) {
    if (cornerX < left) left = cornerX;
    if (cornerX > right) right = cornerX;
    if (cornerY < low) low = cornerY;
    if (cornerY > high) high = cornerY;
  }
  return hypot2(Math.max(left - x, 0, x - right), Math.max(low - y, 0, y - high)) <= radius;
}

const doOverlap = (one: Footprint, other: Footprint): boolean =>
  one.some(([x, y]) => holds(other, x, y)) ||
  other.some(([x, y]) => holds(one, x, y)) ||
  doOutlinesCross(one, other);
