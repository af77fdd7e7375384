import { describe, expect, test } from "vitest";
import { Random } from "../../src/simulate/random.ts";
import { YawFilter } from "../../src/track/yaw-filter.ts";

const DEGREE = Math.PI / 180;
const DT = 1 / 12;
const DRIFT = 0.08 * DEGREE;

interface Run {
  /** Radians: errors of the estimated yaw against the map near by and against the world, at the end. */
  readonly ofMap: number;
  readonly ofWorld: number;
  /** Radians, 1 sigma. */
  readonly mapSigma: number;
  readonly worldSigma: number;
}

/**
 * A base whose gyro drifts at a constant rate drives for a time. Depth tells its yaw against the map near by; a share of the ground in view is new
 * in each frame and is added to the map as the base believes.
 */
function drive(
  random: Random,
  seconds: number,
  { fresh, lever = 0 }: { fresh: number; lever?: number },
): Run {
  const filter = new YawFilter();
  filter.start(0, DRIFT);
  const rate = DRIFT * random.gauss();
  // The yaw's error: truth less estimate. The map's: as the map has it less truth.
  let [error, map, range] = [0, 0, 0];
  for (let n = 0; n < seconds / DT; n++) {
    error += rate * DT - filter.drift * DT + 0.025 * DEGREE * Math.sqrt(DT) * random.gauss();
    filter.propagate(DT, DRIFT);
    const kept = Math.exp(-(0.03 / 3));
    range = kept * range + 0.001 * Math.sqrt(1 - kept * kept) * random.gauss();
    filter.age(0.03);
    const seen = error + map + lever * range + 0.05 * DEGREE * random.gauss();
    error -= filter.correct(seen, (0.05 * DEGREE) ** 2, lever);
    map -= fresh * (error + map);
    range *= 1 - fresh;
    filter.build(fresh);
  }
  const { variance, worldSigma } = filter;
  return { ofMap: error + map, ofWorld: error, mapSigma: Math.sqrt(variance), worldSigma };
}

/** Mean square of errors in units of their sigma: 1 for an honest sigma (Bar-Shalom, Li & Kirubarajan 2001, 5.4: normalised error squared). */
const spread = (runs: readonly Run[], of: (run: Run) => number): number =>
  runs.reduce((sum, run) => sum + of(run) ** 2, 0) / runs.length;

describe("the yaw by gyro and depth", () => {
  test("in a place that is known, the gyro's drift is learnt and the error stays small", () => {
    const random = new Random(7);
    const runs = Array.from({ length: 50 }, () => drive(random, 120, { fresh: 0 }));
    // Without depth it would be off by 9.6 degrees, 1 sigma.
    for (const { ofWorld } of runs) expect(Math.abs(ofWorld)).toBeLessThan(0.3 * DEGREE);
  });

  test("its sigmas are honest in known and in new places, with and without errors of depth", () => {
    const random = new Random(8);
    for (const fresh of [0, 0.01, 0.1]) {
      for (const lever of [0, 6]) {
        const runs = Array.from({ length: 300 }, () => drive(random, 60, { fresh, lever }));
        // The upper 99.9 % bound of chi-squared with 300 degrees of freedom, over 300, is 1.28 (scipy.stats.chi2). The lower one would be 0.76; but the
        // doubt against the world also contains what the filter knows of the map's yaw and does not correct.
        for (const of of [
          ({ ofMap, mapSigma }: Run) => ofMap / mapSigma,
          ({ ofWorld, worldSigma }: Run) => ofWorld / worldSigma,
        ]) {
          expect(spread(runs, of)).toBeLessThan(1.28);
          expect(spread(runs, of)).toBeGreaterThan(0.6);
        }
      }
    }
  });

  test("the more ground is new, the more of the drift goes into the map, where only the doubt against the world tells it", () => {
    const random = new Random(9);
    const known = drive(random, 60, { fresh: 0 });
    const fresh = drive(random, 60, { fresh: 0.1 });
    expect(fresh.worldSigma).toBeGreaterThan(5 * known.worldSigma);
    expect(fresh.mapSigma).toBeLessThan(2 * known.mapSigma);
  });

  test("a wild frame turns the yaw by less than one at three sigma, and that one by what a Kalman filter gives", () => {
    const turnBy = (off: number): number => {
      const filter = new YawFilter();
      filter.start((1 * DEGREE) ** 2, 0);
      return filter.correct(off, (1 * DEGREE) ** 2, 0);
    };
    const threeSigma = 3 * Math.sqrt(2) * DEGREE;
    // Two variances that are equal: half of the innovation.
    expect(turnBy(threeSigma)).toBeCloseTo(threeSigma / 2, 12);
    expect(turnBy(40 * DEGREE)).toBeLessThan(threeSigma / 2);
    expect(turnBy(40 * DEGREE)).toBeGreaterThan(0);
  });

  test("at rest the yaw's doubt does not grow", () => {
    const filter = new YawFilter();
    filter.start((0.2 * DEGREE) ** 2, DRIFT);
    for (let n = 0; n < 1000; n++) {
      filter.propagate(DT, DRIFT);
      filter.rest();
    }
    expect(Math.sqrt(filter.variance)).toBeCloseTo(0.2 * DEGREE, 12);
  });
});
