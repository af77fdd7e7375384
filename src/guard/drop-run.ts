/** Log-likelihood at which a strip has decided on a drop. Source: Wald 1947, ln 3000: one false alarm in 3000. */
const DECIDED = 8;
/** Log-likelihood from which returns no longer count as floor. Chosen by hand. */
const SUSPECTED = 1.5;
/** Largest contribution of one return, nats: an outlier alone decides nothing. Chosen by hand. */
const MOST_PER_RETURN = 3;
/** Upper bound of the sum, nats: a few returns from floor end a run. Chosen by hand. */
const MOST_HELD = 12;
/** Sigmas by which a return must lie lower than `drop` to count as evidence for one: the drift of Page's sum. Chosen by hand. */
const DRIFT = 0.7;
/** Fewest returns from below that make a drop: fewer are stray pixels. Chosen by hand. */
const FEWEST_BELOW = 4;

/**
 * The suspicion, along one strip, that the floor has dropped: Page's cumulative sum (Page 1954) of the log-likelihoods of single
 * returns. It restarts whenever it falls to 0. The returns since the last restart are a run.
 */
export class DropRun {
  /** Nats. */
  suspicion = Number.NaN;
  /** First row of evidence of the run, its image row, and where it lies along the strip's line, metres; -1 without a run. */
  start = -1;
  startRow = 0;
  startAlong = Number.NaN;
  /** Returns from below, rays without a return, and the sum of the heights of the former over the expected surface, metres. */
  below = 0;
  absent = 0;
  depthBelow = Number.NaN;

  begin(): void {
    this.suspicion = 0;
    this.start = -1;
    this.startRow = 0;
    this.startAlong = 0;
    this.below = 0;
    this.absent = 0;
    this.depthBelow = 0;
  }

  /**
   * Takes one return.
   * @param off   metres over the expected surface, and its standard deviation
   * @param drop  metres: deeper is a drop
   * @returns whether the return is evidence for a drop
   */
  add(off: number, sigma: number, drop: number): boolean {
    const says = (-off - drop) / sigma - DRIFT;
    if (says > 0) {
      this.below++;
      this.depthBelow += off;
    }
    const sum =
      this.suspicion +
      (says > MOST_PER_RETURN ? MOST_PER_RETURN : says < -MOST_PER_RETURN ? -MOST_PER_RETURN : says);
    if (sum <= 0) {
      this.suspicion = 0;
      this.below = 0;
      this.absent = 0;
      this.depthBelow = 0;
      this.start = -1;
    } else this.suspicion = sum > MOST_HELD ? MOST_HELD : sum;
    return says > 0;
  }

  /** The lower returns are the floor behind an object on which the surface stood, and no drop: forget the run. */
  dismiss(): void {
    this.suspicion = 0;
    this.below = 0;
    this.start = -1;
  }

  /** Notes the start of a run. */
  follow(row: number, v: number, along: number): void {
    if (this.suspicion > 0 && this.start < 0) {
      this.start = row;
      this.startRow = v;
      this.startAlong = along;
    }
  }

  /** Whether returns still count as floor. */
  get isFloor(): boolean {
    return this.suspicion < SUSPECTED;
  }

  /** Whether the run, up to image row `v`, is a drop: more returns from below than missing ones, over more than one row. */
  isDrop(v: number): boolean {
    return (
      this.suspicion >= DECIDED &&
      this.below >= FEWEST_BELOW &&
      this.below >= this.absent &&
      this.startRow > v
    );
  }

  /** Metres: mean depth of the returns from below. */
  get depth(): number {
    return -this.depthBelow / this.below;
  }
}
