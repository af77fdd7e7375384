import { permittedSpeed } from "./body.ts";

/** Iterations of the bisection for the highest speed: to 1/4096 of the interval. */
const HALVINGS = 12;

/** A speed that was permitted, and the seconds from now for which the base may still obey it. */
export interface StandingPermit {
  /** m/s. */
  readonly speed: number;
  /** Seconds, reaction delay included. */
  readonly lasts: number;
}

/**
 * The longest way, metres, that a base may go, whichever of its permits arrive and whenever. It obeys one of them until it ends and
 * then brakes. At a time t it is no faster than V(t), the highest of min(speed, speed + deceleration * (lasts - t)) over all permits.
 *
 * The way is the integral of V over time, computed as an integral over speed: V exceeds s until the last of the times at which permits
 * faster than s have slowed down to s, which is (speed + deceleration * lasts - s) / deceleration.
 * @param permits sorted by speed, fastest first
 * @param down    m/s: the way until the base is certainly no faster than this
 */
export function worstWay(permits: readonly StandingPermit[], deceleration: number, down = 0): number {
  let way = 0;
  let latest = 0; // the largest speed + deceleration * lasts of the permits so far
  for (let k = 0; k < permits.length && permits[k]!.speed > down; k++) {
    const { speed, lasts } = permits[k]!;
    latest = Math.max(latest, speed + deceleration * lasts);
    const slower = Math.max(down, permits[k + 1]?.speed ?? 0);
    way += latest * (speed - slower) - (speed * speed - slower * slower) / 2;
  }
  // Until that time it has gone at least at that speed.
  return (way + down * Math.max(0, latest - down)) / deceleration;
}

/**
 * The highest speed from which a base still stops within its room.
 *
 * A single permit must satisfy v * lasts + v^2 / (2 a) <= room. But the base may receive it at any time before it ends, and
 * obey the earlier permits until then. So the new permit must also not carry it beyond its room after those, nor farther than those alone,
 * if those alone already exceed the room.
 * @param room    metres, margin subtracted
 * @param lasts   seconds from now for which the new permit may be obeyed, reaction delay included
 * @param before  permits that may still be obeyed
 * @param down    m/s: beyond its room the base may go on at this speed
 */
export function fastest(
  room: number,
  lasts: number,
  deceleration: number,
  before: readonly StandingPermit[],
  down = 0,
): number {
  const alone = permittedSpeed(room, lasts, deceleration, down);
  if (before.length === 0 || alone === down) return alone;
  const most = Math.max(room, worstWay(before, deceleration, down));
  const goesTooFar = (speed: number): boolean => {
    const at = before.findIndex((permit) => permit.speed < speed);
    const all = before.toSpliced(at < 0 ? before.length : at, 0, { speed, lasts });
    return worstWay(all, deceleration, down) > most + 1e-9;
  };
  if (!goesTooFar(alone)) return alone;
  let low = down;
  let high = alone;
  for (let k = 0; k < HALVINGS; k++) {
    const middle = (low + high) / 2;
    if (goesTooFar(middle)) high = middle;
    else low = middle;
  }
  return low;
}

/** A permit with the time until which it may be obeyed, microseconds. */
interface Given {
  readonly speed: number;
  readonly until: number;
}

/** Most permits per way: more than a second of frames at any usual rate. */
const MOST_KEPT = 32;

/** The permits that were sent, for each way of the base, as long as they may have an effect. */
export class Permits {
  readonly #given: Given[][];
  readonly #deceleration: number;
  readonly #reactionDelay: number;

  /** @param deceleration m/s^2, and `reactionDelay` in seconds, of the body */
  constructor(ways: number, deceleration: number, reactionDelay: number) {
    this.#given = Array.from({ length: ways }, () => []);
    this.#deceleration = deceleration;
    this.#reactionDelay = reactionDelay;
  }

  /**
   * The permits that are still valid for a way, fastest first.
   * @param since microseconds: the origin of `lasts`; a permit that ended before counts with the speed to which the base has braked by then
   */
  standing(way: number, since: number): StandingPermit[] {
    const out: StandingPermit[] = [];
    for (const { speed, until } of this.#given[way]!) {
      const lasts = (until - since) / 1e6 + this.#reactionDelay;
      const left = lasts < 0 ? speed + this.#deceleration * lasts : speed;
      if (left > 0) out.push({ speed: left, lasts: Math.max(0, lasts) });
    }
    return out.sort((a, b) => b.speed - a.speed);
  }

  /**
   * Records a permit for a way. Forgets permits that it outlasts at no less speed, and those from which the base has braked to rest.
   * @param since, until microseconds: its validity
   */
  give(way: number, speed: number, since: number, until: number): void {
    const given = this.#given[way]!.filter((old) => {
      const lasts = (old.until - since) / 1e6 + this.#reactionDelay;
      const left = lasts < 0 ? old.speed + this.#deceleration * lasts : old.speed;
      return left > 0 && (left > speed || old.until > until);
    });
    if (speed > 0) given.push({ speed, until });
    if (given.length > MOST_KEPT) {
      const [one, two] = given.splice(0, 2) as [Given, Given];
      given.unshift({ speed: Math.max(one.speed, two.speed), until: Math.max(one.until, two.until) });
    }
    this.#given[way] = given;
  }

  /** Takes over the permits of another instance for the same ways. */
  takeOver(other: Permits): void {
    other.#given.forEach((given, way) => {
      this.#given[way] = [...given];
    });
  }
}
