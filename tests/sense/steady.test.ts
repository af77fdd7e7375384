import { describe, expect, test } from "vitest";
import type { Quat, Vec3 } from "../../src/geometry/optics.ts";
import { angleBetween, fromRotationVector, fromYawPitchRoll, multiply } from "../../src/geometry/rigid.ts";
import { emptySpan } from "../../src/sense/inertial-buffer.ts";
import { SteadyAttitude } from "../../src/sense/steady.ts";
import { Random } from "../../src/simulate/random.ts";

const DEGREE = Math.PI / 180;
const STEP = 0.01;
/** rad/s about the imu's own axes; rates hold over a step. */
const rateAt = (n: number): Vec3 => [
  0.3 * Math.sin(0.05 * n),
  0.2 * Math.cos(0.03 * n),
  0.8 * Math.sin(0.01 * n),
];

interface Case {
  readonly frames: number;
  readonly noise?: number;
  readonly bias?: Vec3;
  /** Radians by which the sensor's yaw is off in a sample. */
  readonly yaw?: (n: number) => number;
}

/** Spans of eight samples, followed; how far off the end of each is from what the sensor means, and whether it jumped. */
function follow({ frames, noise = 0.3 * DEGREE, bias = [0, 0, 0], yaw = () => 0 }: Case) {
  const random = new Random(11, 3);
  const steady = new SteadyAttitude();
  let truth: Quat = fromYawPitchRoll(0.4, 0.1, -0.1);
  let n = 0;
  return Array.from({ length: frames }, () => {
    const span = emptySpan(8);
    for (; span.count < 8; span.count++, n++) {
      const rate = rateAt(n);
      const half = fromRotationVector(rate.map((r) => (r * STEP) / 2) as unknown as Vec3);
      const middle = multiply(truth, half);
      const jitter = fromRotationVector([
        noise * random.gauss(),
        noise * random.gauss(),
        noise * random.gauss(),
      ]);
      span.rotation.set(multiply(fromYawPitchRoll(yaw(n), 0, 0), multiply(middle, jitter)), 4 * span.count);
      span.rate.set([rate[0] + bias[0], rate[1] + bias[1], rate[2] + bias[2]], 3 * span.count);
      span.seconds[span.count] = STEP;
      truth = multiply(middle, half);
    }
    const { rotation, hasJumped, yawJump } = steady.follow(span)!;
    const said = multiply(fromYawPitchRoll(yaw(n - 1), 0, 0), truth);
    return { off: angleBetween(said, rotation), offTruth: angleBetween(truth, rotation), hasJumped, yawJump };
  });
}

const worst = (ends: readonly { off: number }[]) => Math.max(...ends.map(({ off }) => off)) / DEGREE;

describe("attitudes steadied by the gyro", () => {
  test("have a fifth of the sensor's noise at most, while turning at any rate", () => {
    // Three axes of 0.3 degrees are off by 0.5 on the mean and by 1 now and then.
    expect(worst(follow({ frames: 200 }).slice(20))).toBeLessThan(0.2);
    expect(worst(follow({ frames: 200, noise: 0 }))).toBeLessThan(0.001);
  });

  test("follow a sensor that drifts, whatever the gyro's bias", () => {
    const bias: Vec3 = [0.002, -0.003, 0.003];
    // 2 degrees a minute.
    const drifting = follow({ frames: 1500, noise: 0, bias, yaw: (n) => (n * STEP * 2 * DEGREE) / 60 });
    expect(worst(drifting)).toBeLessThan(0.25);
    expect(worst(drifting.slice(-100))).toBeLessThan(0.03);
  });

  test("do not follow a jump of the sensor's yaw, and tell of it within three samples; a single wild sample is left out", () => {
    const jumped = follow({ frames: 40, yaw: (n) => (n < 161 ? 0 : 20 * DEGREE) });
    const told = jumped.flatMap(({ yawJump }, k) =>
      yawJump === 0 ? [] : [{ k, degrees: yawJump / DEGREE }],
    );
    expect(told.map(({ k }) => k)).toEqual([20]);
    // Noise of one sample: three axes of 0.3 degrees.
    expect(Math.abs(told[0]!.degrees - 20)).toBeLessThan(1);
    for (const { offTruth } of jumped.slice(21)) expect(offTruth / DEGREE).toBeLessThan(1.2);
    const wild = follow({ frames: 40, yaw: (n) => (n === 163 ? 40 * DEGREE : 0) });
    expect(wild.some(({ hasJumped }) => hasJumped)).toBe(false);
    expect(worst(wild.slice(20))).toBeLessThan(0.2);
  });

  test("where samples are missing there is none, and it restarts", () => {
    const steady = new SteadyAttitude();
    const span = emptySpan(4);
    span.count = 1;
    span.seconds[0] = STEP;
    span.rotation.set(fromYawPitchRoll(1, 0, 0));
    expect(steady.follow(span)!.hasJumped).toBe(false);
    span.missing = 0.1;
    expect(steady.follow(span)).toBeNull();
    span.missing = 0;
    span.rotation.set(fromYawPitchRoll(2, 0, 0));
    const { rotation, hasJumped } = steady.follow(span)!;
    expect(hasJumped).toBe(false);
    expect(angleBetween(rotation, fromYawPitchRoll(2, 0, 0))).toBeLessThan(1e-9);
  });
});
