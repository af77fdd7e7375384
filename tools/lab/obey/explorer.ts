import type { Command } from "../../../src/way/follower.ts";
import type { Answer } from "../../../src/wire/messages.ts";
import type { Base } from "./base.ts";
import type { ClockedHead } from "./clocked-head.ts";
import type { Driver } from "./drive.ts";
import type { Permit } from "./obedience.ts";
import type { Rig } from "./rig.ts";
import { PRICES, Seeker } from "./seeker.ts";

type LookAnswer = Extract<Answer, { about: "look" }>;
type Target = NonNullable<LookAnswer["next"]>;

/** Seconds between two questions, and seconds that a look lasts: the head maps what it sees meanwhile. */
const ASK_EVERY = 0.5;
const LOOKS_FOR = 0.5;
/** Seconds between two questions on the way: what was to be seen may be seen before the base is there. */
const ASK_UNDERWAY = 1.5;
/** Share of the floor of a look that, once seen, ends the way to it. */
const SEEN_SHARE = 0.7;
/** A look that is offered again with more than this share of its floor, this near, was in vain: metres. */
const AGAIN_SHARE = 0.7;
const AGAIN_NEAR = 0.35;
/** Seconds without motion after which a look is given up. */
const GIVEN_UP = 5;
/** The same where there is no way, which may change while people walk. */
const NO_WAY = 1.5;
const MOST_IN_VAIN = 64;
/** Seconds at its start before it looks whether something has become reachable, and how often it does. */
const WAITS_FOR = 3;
const MOST_ROUNDS = 3;
/** Straight drives away from a place where a turn was not permitted: metres, seconds and m/s at most, and how many for one look. */
const SHUNT_BY = 0.3;
const SHUNT_FOR = 4;
const SHUNT_SPEED = 0.15;
const MOST_SHUNTS = 3;

/** A base that maps its home by itself: it asks its head where to look next, goes there and looks, until nothing is left; then it returns. */
export class Explorer implements Driver {
  readonly #head: ClockedHead;
  readonly #rig: Rig;
  #seeker: Seeker | null = null;
  #target: Target | null = null;
  /** Square metres unseen when the target was chosen. */
  #unseen = 0;
  #asked = Number.NEGATIVE_INFINITY;
  #arrived = Number.NaN;
  #since = 0;
  #inVain: (readonly [number, number])[] = [];
  /** A short straight drive away from where a turn was not permitted; null while there is none. And their number for the present look. */
  #shunt: { readonly direction: number; readonly from: number; readonly until: number } | null = null;
  #shunts = 0;
  /** Times that it was back and looked once more. */
  #rounds = 0;
  idleSince = 0;
  /** Looks so far, what the head said last, and seconds when nothing was left and when the base was back; NaN before. */
  looks = 0;
  last: LookAnswer | null = null;
  finished = Number.NaN;
  returned = Number.NaN;

  constructor(head: ClockedHead, rig: Rig) {
    this.#head = head;
    this.#rig = rig;
  }

  next(base: Base, permit: Permit, time: number): Command {
    const brake = { curvature: base.curvature, speed: 0 };
    // It gives up by itself.
    this.idleSince = time;
    if (!Number.isNaN(this.returned)) return brake;
    if (this.#shunt !== null) return this.#shuntOn(base, permit, time) ?? brake;
    if (this.#seeker === null) {
      if (time - this.#asked > ASK_EVERY && Math.abs(base.speed) < 0.01) this.#choose(time);
      return brake;
    }
    const command = this.#seeker.next(base, permit, time);
    if (this.#seeker.hasArrived) return this.#look(time) ?? brake;
    if (this.#target !== null && time - this.#asked > ASK_UNDERWAY) this.#askUnderway(time);
    if (this.#seeker === null) return brake;
    const stood = Math.min(time - this.#seeker.idleSince, time - this.#since);
    const isThereNoWay = this.#seeker.last !== null && this.#seeker.last.way === null;
    if (stood <= (isThereNoWay ? NO_WAY : GIVEN_UP)) return command;
    // Where the base may not turn or drive on there may be room a little way off.
    if (this.#shunts < MOST_SHUNTS) {
      this.#shunts++;
      this.#seeker = null;
      this.#since = time;
      const direction = permit.backward >= permit.forward ? -1 : 1;
      this.#shunt = { direction, from: base.way, until: time + SHUNT_FOR };
      return brake;
    }
    this.#giveUp(time);
    return brake;
  }

  /** Drives straight on or back a little way. @returns null when that is over */
  #shuntOn(base: Base, permit: Permit, time: number): Command | null {
    const { direction, from, until } = this.#shunt!;
    const most = direction > 0 ? permit.forward : permit.backward;
    if (base.way - from > SHUNT_BY || time > until) {
      this.#shunt = null;
      return null;
    }
    // It may still turn.
    if (base.curvature !== 0 && Math.abs(base.speed) > 0.005) return { curvature: base.curvature, speed: 0 };
    return { curvature: 0, speed: direction * Math.min(SHUNT_SPEED, most) };
  }

  #ask(time: number): LookAnswer | null {
    this.#asked = time;
    const answer = this.#head.ask({ about: "look", inVain: this.#inVain });
    if (answer?.about !== "look") return null;
    this.last = answer;
    return answer;
  }

  #choose(time: number): void {
    const answer = this.#ask(time);
    if (answer === null) return;
    const { next } = answer;
    const before = this.#target;
    if (next !== null && before !== null && isAgain(before, next)) {
      this.#inVain = [...this.#inVain, before.at].slice(-MOST_IN_VAIN);
      this.#target = null;
      return;
    }
    this.#target = next;
    if (this.#target === null || before === null || !isNear(before, this.#target)) this.#shunts = 0;
    this.#unseen = answer.unseen;
    this.#since = time;
    this.#arrived = Number.NaN;
    if (next === null) {
      this.finished = time;
      this.#seeker = new Seeker(this.#head, this.#rig, { to: [0, 0], ...PRICES });
    } else {
      this.looks++;
      this.#seeker = new Seeker(this.#head, this.#rig, { to: next.to, heading: next.heading, ...PRICES });
    }
    this.#seeker.idleSince = time;
  }

  /** At the place of a look. @returns null while the look lasts */
  #look(time: number): null {
    if (Number.isNaN(this.#arrived)) this.#arrived = time;
    if (time - this.#arrived < LOOKS_FOR) return null;
    if (this.#target !== null) this.#seeker = null;
    // Somebody may have stood in the way: it looks once more before it calls the map whole.
    else if (time - this.#arrived >= WAITS_FOR) {
      const answer = this.#rounds++ < MOST_ROUNDS ? this.#ask(time) : null;
      if (answer?.next == null) this.returned = time;
      else this.#seeker = null;
    }
    return null;
  }

  #askUnderway(time: number): void {
    const answer = this.#ask(time);
    if (answer === null || this.#unseen - answer.unseen < SEEN_SHARE * this.#target!.gain) return;
    this.#target = null;
    this.#seeker = null;
  }

  #giveUp(time: number): void {
    this.#seeker = null;
    this.#since = time;
    if (this.#target === null) {
      // There is no way back: it ends here.
      this.returned = time;
      return;
    }
    this.#inVain = [...this.#inVain, this.#target.at].slice(-MOST_IN_VAIN);
    this.#target = null;
  }
}

const isNear = (a: Target, b: Target): boolean =>
  Math.hypot(a.to[0] - b.to[0], a.to[1] - b.to[1]) < AGAIN_NEAR;

const isAgain = (before: Target, now: Target): boolean =>
  Math.hypot(before.at[0] - now.at[0], before.at[1] - now.at[1]) < AGAIN_NEAR &&
  now.gain > AGAIN_SHARE * before.gain;
