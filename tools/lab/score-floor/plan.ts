import { DROPS, FLOORS, TRAPS } from "../floor/courses.ts";
import { hasMoved, type Job, type Row } from "./drive-job.ts";

/** Amount of driving. */
export interface Amount {
  /** Approaches at drops of 50 mm and more in which the base moves. */
  readonly approaches: number;
  /** Minutes of driving over floors without a drop. */
  readonly minutes: number;
  /** Runs of each trap. */
  readonly traps: number;
  /** Of the first drive of each kind. */
  readonly seed: number;
}

/** A minute of driving costs about what six approaches do. */
const MINUTE_COST = 6;

/** Chooses the next drive until enough were driven; the number depends on the outcomes so far. */
export class DrivePlan {
  readonly #amount: Amount;
  /** Drives handed out, by kind. */
  readonly #given = { approach: 0, small: 0, cruise: 0, trap: 0 };
  /** Approaches in which the base moved, and seconds driven over floors without a drop. */
  #moved = 0;
  #driven = 0;

  constructor(amount: Amount) {
    this.#amount = amount;
  }

  /** The next drive; null when enough were handed out. Traps come first: their results matter most. */
  next(): Job | null {
    const { approaches, minutes, traps, seed } = this.#amount;
    const given = this.#given;
    if (given.trap < traps * TRAPS.length) {
      const n = given.trap++;
      return { kind: "trap", seed: seed + n, trap: TRAPS[n % TRAPS.length]! };
    }
    if (this.#moved < approaches) {
      const n = given.approach++;
      return { kind: "approach", seed: seed + n, drop: DROPS[n % DROPS.length]! };
    }
    if (given.small < Math.ceil(approaches / 20)) {
      return { kind: "approach", seed: seed + given.small++, drop: "20" };
    }
    if (this.#driven < 60 * minutes) {
      const n = given.cruise++;
      return { kind: "cruise", seed: seed + n, floor: FLOORS[n % FLOORS.length]! };
    }
    return null;
  }

  /** Counts a drive that has ended. @returns share of the whole amount that is done, 0 to 1 */
  take(row: Row): number {
    const { approaches, minutes } = this.#amount;
    if (row.job.kind === "approach" && row.job.drop !== "20" && hasMoved(row)) this.#moved++;
    if (row.job.kind === "cruise") this.#driven += row.outcome.time;
    const done = Math.min(this.#moved, approaches) + (MINUTE_COST * this.#driven) / 60;
    return Math.min(1, done / Math.max(1, approaches + MINUTE_COST * minutes));
  }
}
