import { sinOf } from "../geometry/elementary.ts";
import { CURVATURES } from "../terms/safety.ts";
import { type Permit, permittedAlong } from "./permit.ts";
import { errorsAt, isSpot, OFF_HEADING, OFF_PLACE, type Piece, type Stand } from "./pieces.ts";

/** What the base is told, twenty times a second. */
export interface Command {
  /** 1/m, positive to the left; Infinity turns on the spot. */
  readonly curvature: number;
  /** m/s, negative backwards; on the spot rad/s, positive to the left. */
  readonly speed: number;
}

/** How the base drives, besides its pace. */
export interface Driving {
  /** m/s and rad/s: never faster, whatever the pace permits. */
  readonly topSpeed: number;
  readonly topTurn: number;
  /** m/s^2 of its brakes, and seconds until they act. */
  readonly deceleration: number;
  readonly delay: number;
  /** Metres from its floor point to the farthest corner. */
  readonly radius: number;
}

export type FollowState =
  | "drives"
  /** The pace permits no motion along the way now: someone may walk by. */
  | "waits"
  /** It has waited for longer than its patience: another way is needed, or none is left. */
  | "blocked"
  /** The base is too far from its way: another one is needed. */
  | "off"
  | "arrived";

export interface Tick {
  /** Microseconds. */
  readonly now: number;
  /** Where the base is, in the frame of the way. */
  readonly at: Stand;
  /** Its motion as the wheels count it, like a command. */
  readonly speed: number;
  readonly curvature: number;
  readonly permit: Permit;
}

/** Seconds without permission after which another way is wanted. A person walks through 3 m in that time. Chosen by hand. */
export const PATIENCE = 3;
/** Metres in which an error of place or heading falls to 1/e while driving. Chosen by hand: a third of a usual body. */
const RECOVERY = 0.15;
/** Errors within which an exact straight drive is as good. Chosen by hand. */
const SMALL_PLACE = 0.015;
const SMALL_HEADING = 0.02;
/** A leg ends within this many metres, and a turn within this many radians. */
const LEG_DONE = 0.01;
const TURN_DONE = 0.015;
/** Slower counts as standing: m/s, rad/s. */
const STILL = 0.01;
/** Slowest useful speeds near the end of a leg or a turn. */
const CREEP = 0.03;
const CREEP_TURN = 0.08;
const SHARPEST = Math.max(...CURVATURES);

/**
 * Follows the pieces of a way within the pace. Speeds never exceed what the pace permits for the commanded curvature; where a correction would need an
 * arc that is not permitted, the base goes straight while its error is small, or waits.
 *
 * Law of steering: with e the distance beside the way and h the heading against it, the curvature is that of the way minus e / L^2 + 2 h / L. For
 * small errors e'' = -e / L^2 - 2 e' / L along the way, which is critically damped. Derived from e' = sin h, h' = curvature - curvature of the way.
 */
export class Follower {
  readonly #pieces: readonly Piece[];
  readonly #driving: Driving;
  #piece = 0;
  /** Microseconds since which no motion is permitted; null while it is. */
  #waitsSince: number | null = null;
  state: FollowState = "drives";

  constructor(pieces: readonly Piece[], driving: Driving) {
    this.#pieces = pieces;
    this.#driving = driving;
  }

  /** Number of the present piece; the number of pieces at the end. */
  get piece(): number {
    return this.#piece;
  }

  /** Whether the present piece is a turn on the spot. */
  get isTurning(): boolean {
    const piece = this.#pieces[this.#piece];
    return piece !== undefined && isSpot(piece);
  }

  /** The place of the turn on the spot that it is blocked in; null otherwise. Another way must not turn there. */
  get blockedTurn(): readonly [x: number, y: number] | null {
    const piece = this.#pieces[this.#piece];
    if (this.state !== "blocked" || piece === undefined || !isSpot(piece)) return null;
    return [piece.x, piece.y];
  }

  /** The present command. The base brakes along its present arc. */
  tick(tick: Tick): Command {
    const { at, permit } = tick;
    const brake = { curvature: tick.curvature, speed: 0 };
    this.#advance(tick);
    const piece = this.#pieces[this.#piece];
    if (piece === undefined) {
      this.state = "arrived";
      return brake;
    }
    const { along, beside, heading } = errorsAt(piece, at);
    const isOff = Math.abs(beside) > OFF_PLACE || (!isSpot(piece) && Math.abs(heading) > OFF_HEADING);
    if (isOff) {
      this.state = "off";
      return brake;
    }
    // From spot to arc and back, and from ahead to backwards, at a standstill only.
    if (!this.#mayChange(piece, tick)) {
      this.state = "drives";
      return brake;
    }
    const wish = isSpot(piece)
      ? this.#turn(piece, along, permit)
      : this.#drive(piece, along, { beside, heading, permit });
    this.#judge(wish.speed !== 0, tick.now);
    return this.state === "blocked" ? brake : wish;
  }

  #judge(moves: boolean, now: number): void {
    if (moves) this.#waitsSince = null;
    else this.#waitsSince ??= now;
    const waited = this.#waitsSince === null ? 0 : (now - this.#waitsSince) / 1e6;
    this.state = moves ? "drives" : waited > PATIENCE ? "blocked" : "waits";
  }

  /** Goes on to the next piece where the present one is done. */
  #advance({ at, speed }: Tick): void {
    for (;;) {
      const piece = this.#pieces[this.#piece];
      if (piece === undefined) return;
      const next = this.#pieces[this.#piece + 1];
      const left = Math.abs(piece.length) - errorsAt(piece, at).along;
      const goesOn = next !== undefined && continues(piece, next);
      if (isSpot(piece)) {
        if (Math.abs(left) > TURN_DONE || Math.abs(speed) > CREEP_TURN) return;
      } else if (left > (goesOn ? 0 : LEG_DONE) || (!goesOn && Math.abs(speed) > 2 * CREEP)) return;
      this.#piece++;
    }
  }

  #mayChange(piece: Piece, { speed, curvature }: Tick): boolean {
    if (Math.abs(speed) < STILL) return true;
    const isTurning = curvature === Number.POSITIVE_INFINITY;
    if (isTurning !== isSpot(piece)) return false;
    return isTurning || speed > 0 === piece.length > 0;
  }

  #turn(piece: Piece, along: number, permit: Permit): Command {
    const { topTurn, deceleration, delay, radius } = this.#driving;
    const left = Math.abs(piece.length) - along;
    // A turn that went too far is turned back.
    const isLeft = piece.length > 0 === left > 0;
    const brakes = deceleration / radius;
    const most = Math.min(topTurn, stopsWithin(Math.abs(left), brakes, delay));
    const speed = Math.min(Math.max(most, CREEP_TURN), isLeft ? permit.left : permit.right);
    return { curvature: Number.POSITIVE_INFINITY, speed: isLeft ? speed : -speed };
  }

  #drive(
    piece: Piece,
    along: number,
    { beside, heading, permit }: { beside: number; heading: number; permit: Permit },
  ): Command {
    const { topSpeed, deceleration, delay } = this.#driving;
    const isForward = piece.length > 0;
    let left = Math.abs(piece.length) - along;
    for (let k = this.#piece; k + 1 < this.#pieces.length; k++) {
      if (!continues(this.#pieces[k]!, this.#pieces[k + 1]!)) break;
      left += Math.abs(this.#pieces[k + 1]!.length);
    }
    const most = Math.min(topSpeed, Math.max(CREEP, stopsWithin(left, deceleration, delay)));
    // Errors are measured along the drive: backwards, left and right change sides.
    const steer = beside / (RECOVERY * RECOVERY) + (2 * sinOf(heading)) / RECOVERY;
    const wanted = piece.curvature - (isForward ? steer : -steer);
    const curvature = Math.max(-SHARPEST, Math.min(SHARPEST, wanted));
    const steered = permittedAlong(permit, curvature, isForward);
    const isSmall = Math.abs(beside) < SMALL_PLACE && Math.abs(heading) < SMALL_HEADING;
    const straight = permittedAlong(permit, piece.curvature, isForward);
    const keeps = isSmall && straight > steered;
    const speed = Math.min(most, keeps ? straight : steered);
    return { curvature: keeps ? piece.curvature : curvature, speed: isForward ? speed : -speed };
  }
}

/** The fastest speed that stops within a distance after a delay: v t + v^2 / (2 a) = d. */
function stopsWithin(distance: number, deceleration: number, delay: number): number {
  if (distance <= 0) return 0;
  const lost = deceleration * delay;
  return Math.sqrt(lost * lost + 2 * deceleration * distance) - lost;
}

/** Whether the base drives on from one piece to the next without a stop. */
const continues = (piece: Piece, next: Piece): boolean =>
  !isSpot(piece) && !isSpot(next) && piece.length > 0 === next.length > 0;
