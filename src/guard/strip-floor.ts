import { END } from "../terms/safety.ts";
import { missByRatio } from "./budget.ts";

/**
 * Bounds of the balance, in rows, towards a drop and towards floor. Found on drives that fell: npm run lab -- score-floor,
 * seeds in tests/guard/score.test.ts.
 */
const MOST_FOR_DROP = 4;
const MOST_FOR_FLOOR = 2;
/** Metres by which a row must lie higher than expected for the surface to have stepped up onto an object. Chosen by hand. */
const STEP_UP = 0.012;
/** Length, metres, after which such an object is the floor. Chosen by hand. */
const RAISED_FOR = 1;
/** Gain with which the expected surface follows the mean height of each row. Chosen by hand. */
const FOLLOWED = 0.5;
/** Gain of the mean of the floor's signal. Chosen by hand. */
const SIGNAL_SHARE = 0.25;
/**
 * Mean evidence (nats) of the missing returns just beyond the floor from which that floor is doubtful: a floor as bright as the one
 * before would be that much likelier seen than not. The mean and not the sum, because one cause, a floor darker than
 * assumed, explains all neighbouring misses at once. Chosen by hand.
 */
const DOUBT = 1.5;

/** The expected floor along a strip: it follows the returns at no more than the steepest slope of a floor. */
export class Surface {
  /** Metres over the base's floor point. */
  height = Number.NaN;
  /** Whether it has stepped up onto an object; from what height, and where along the line. A step down to that height is no drop. */
  isRaised = false;
  ground = Number.NaN;
  raisedAt = Number.NaN;
  /** How far along the line it has followed. */
  followed = Number.NaN;

  begin(height: number, nearest: number): void {
    this.height = height;
    this.isRaised = height > STEP_UP;
    this.ground = 0;
    this.raisedAt = nearest;
    this.followed = Math.max(0, nearest);
  }

  /** @param offs sum of the heights of `count` returns over the surface */
  follow(offs: number, count: number, along: number, slope: number): void {
    if (!this.isRaised && offs > STEP_UP * count) {
      this.isRaised = true;
      this.ground = this.height;
      this.raisedAt = along;
    }
    const lead = along - this.followed;
    if (lead > 0) {
      const most = slope * lead;
      const wish = (FOLLOWED * offs) / count;
      this.height += wish > most ? most : wish < -most ? -most : wish;
      this.followed = along;
    }
  }

  /** An object as long as this is the floor. */
  settle(along: number): void {
    if (this.isRaised && along > this.raisedAt + RAISED_FOR) this.isRaised = false;
  }

  /** It steps down again, to the level from which it had stepped up. */
  stepDown(): void {
    this.height = this.ground;
    this.isRaised = false;
  }
}

/** How far floor was seen without a gap, what ends it, and the doubt beyond. Lengths are metres. */
export class FirmFloor {
  along = Number.NaN;
  x = Number.NaN;
  y = Number.NaN;
  range = Number.NaN;
  /** Whether nothing has ended the floor yet. */
  isOpen = true;
  /** What ends it, an `END`, and the depth of a brink. */
  kind: number = END.unseen;
  drop = Number.NaN;
  /** Evidence of the missing returns just beyond it: sum in nats, and their number. */
  doubt = Number.NaN;
  doubted = 0;
  /** Amplitude * range^3 / gate of the floor so far; predicts the signal expected farther on. */
  strength = Number.NaN;
  /** Number of rows that looked like floor minus rows that looked like a drop, bounded. */
  balance = 0;

  begin(along: number, x: number, y: number): void {
    this.along = along;
    this.x = x;
    this.y = y;
    this.range = 0;
    this.isOpen = true;
    this.kind = END.unseen;
    this.drop = 0;
    this.doubt = 0;
    this.doubted = 0;
    this.strength = 0;
    this.balance = 0;
  }

  reach(along: number, x: number, y: number, range: number): void {
    this.along = along;
    this.x = x;
    this.y = y;
    this.range = range;
    if (this.doubted > 0) {
      this.doubt = 0;
      this.doubted = 0;
    }
  }

  /** @returns whether a row of returns is floor by the balance of the rows so far, and not a shallow drop */
  weigh(touched: number, leaning: number): boolean {
    const net = touched - 2 * leaning;
    const balance = this.balance + net;
    this.balance =
      balance > MOST_FOR_FLOOR ? MOST_FOR_FLOOR : balance < -MOST_FOR_DROP ? -MOST_FOR_DROP : balance;
    return net > 0 && this.balance > 0;
  }

  /** Learns the floor's brightness from a return. */
  learn(signal: number, range: number, gate: number): void {
    const found = (signal * range * range * range) / gate;
    this.strength += (this.strength === 0 ? 1 : SIGNAL_SHARE) * (found - this.strength);
  }

  /** Evidence of one missing return at a range, nats; 0 while the floor's brightness is unknown. */
  missing(range: number): number {
    return this.strength > 0 ? missByRatio(this.strength / (range * range * range)) : 0;
  }

  doubtBy(says: number, missing: number): void {
    this.doubt += says * missing;
    this.doubted += missing;
  }

  get isDoubtful(): boolean {
    return this.doubted > 0 && this.doubt >= DOUBT * this.doubted;
  }
}
