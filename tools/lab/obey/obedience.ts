import { CURVATURES, STRAIGHT } from "../../../src/terms/safety.ts";
import type { Permit as Speeds } from "../../../src/way/permit.ts";
import type { FromServer } from "../../../src/wire/messages.ts";

export type Reach = FromServer<"reach">;

/** Permitted speeds of a base. */
export interface Permit extends Speeds {
  /** Millimetres of free way straight on. */
  readonly roomMm: number;
}

const STOP: Permit = {
  forward: 0,
  backward: 0,
  left: 0,
  right: 0,
  arcsForward: [],
  arcsBackward: [],
  roomMm: 0,
};

/**
 * A base by the rules of docs/protocol.md, and nothing else: any state but clear and dark is a stop, and a pace is valid until its reach's
 * `until` only. Times are microseconds of the head's clock.
 */
export class Obedience {
  readonly #delay: number;
  /** Received reaches that do not act yet, and the one that acts now. */
  #waiting: { readonly from: number; readonly reach: Reach }[] = [];
  #acting: Reach | null = null;

  /**
   * @param delay from sending a pace until the motors act, as declared in `body.reactionDelay`; the same for a stop
   */
  constructor(delay: number) {
    this.#delay = delay;
  }

  /** A reach arrived. @param now the head's time */
  hear(reach: Reach, now: number): void {
    const sent = reach.time + reach.age;
    this.#waiting.push({ from: Math.max(now, sent + this.#delay), reach });
  }

  /** The permission that acts now. */
  permit(now: number): Permit {
    while (this.#waiting[0] !== undefined && this.#waiting[0].from <= now) {
      this.#acting = this.#waiting.shift()!.reach;
    }
    const reach = this.#acting;
    if (reach === null || now >= reach.until + this.#delay) return STOP;
    if ((reach.state !== "clear" && reach.state !== "dark") || reach.pace === null) return STOP;
    return reach.pace;
  }
}

/** The highest speed along an arc; between two curvatures with a pace, the slower of the two. */
export function paceAlong(permit: Permit, curvature: number, isForward: boolean): number {
  const arcs = isForward ? permit.arcsForward : permit.arcsBackward;
  if (curvature === 0) return isForward ? permit.forward : permit.backward;
  if (arcs.length !== CURVATURES.length) return 0;
  const above = CURVATURES.findIndex((one) => one >= curvature - 1e-9);
  if (above < 0) return 0;
  const isListed = Math.abs(CURVATURES[above]! - curvature) < 1e-9;
  if (isListed) return above === STRAIGHT ? (isForward ? permit.forward : permit.backward) : arcs[above]!;
  return above === 0 ? 0 : Math.min(arcs[above]!, arcs[above - 1]!);
}
