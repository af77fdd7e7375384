import { describe, expect, test } from "vitest";
import type { Pose, Vec3 } from "../../src/geometry/optics.ts";
import { fromYawPitchRoll, multiply, turn } from "../../src/geometry/rigid.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { InertialBuffer } from "../../src/sense/inertial-buffer.ts";
import { OrientationBuffer } from "../../src/sense/orientation.ts";
import { type InertialNoise, inertialSamples, orientationSamples } from "../../src/simulate/motion.ts";
import { Random } from "../../src/simulate/random.ts";
import { InertialFilter } from "../../src/track/inertial-filter.ts";

const FRAME = 1 / 12;
/** Radians: `track.tiltNoise` as shipped. */
const TILT_NOISE = (resolveSettings()["track.tiltNoise"] * Math.PI) / 180;
const LEVER: Vec3 = [0.11, 0.02, 0.3];
const NONE: Vec3 = [0, 0, 0];
const QUIET: InertialNoise = {
  rate: 100,
  gyroNoise: 0,
  gyroBias: NONE,
  gyroWalk: 0,
  accelNoise: 0,
  accelBias: NONE,
};
const NOISY: InertialNoise = { ...QUIET, accelNoise: 0.002, accelBias: [0.03, -0.02, 0.05] };

/** Stands for 2 s, speeds up to 0.8 m/s with 0.6 m/s^2, then on in bends, nodding. */
function basePose(time: number): Pose {
  const t = Math.max(0, time - 2);
  const way = t < 4 / 3 ? 0.3 * t * t : 0.8 * (t - 2 / 3);
  // A bend of constant curvature: 0.5 radians a metre.
  const yaw = 0.5 * way;
  const pitch = 0.02 * Math.sin(5 * t) * Math.min(1, t);
  const position: Vec3 = [Math.sin(yaw) / 0.5, (1 - Math.cos(yaw)) / 0.5, 0];
  return { rotation: fromYawPitchRoll(yaw, pitch, 0), position };
}

/** The imu is turned in its base, too. */
const TILT = fromYawPitchRoll(0.4, 0.1, -0.2);
const imuPose = (time: number): Pose => {
  const { rotation, position } = basePose(time);
  const [x, y, z] = turn(rotation, LEVER);
  return {
    rotation: multiply(rotation, TILT),
    position: [position[0] + x, position[1] + y, position[2] + z],
  };
};

/** Runs a filter over samples of a motion; `onFrame` is called before each frame's mark, with its number and times. */
function run(
  filter: InertialFilter,
  seconds: number,
  noise: InertialNoise,
  onFrame: (filter: InertialFilter, from: number, to: number) => void,
  { seed = 1, tilt = 0, pose = imuPose, leaveOut = (_: number): boolean => false } = {},
): void {
  const buffer = new InertialBuffer();
  const attitudes = new OrientationBuffer({ capacity: 4096, lateness: 0, maxGap: 50_000 });
  const random = new Random(seed, 1);
  for (const { time, rotation } of orientationSamples(
    pose,
    seconds + 0.1,
    { rate: 100, yawDrift: 0, noise: tilt, late: 0 },
    random,
  )) {
    attitudes.push(time, rotation);
  }
  let frame = 0;
  for (const { time, gyro, accel } of inertialSamples(pose, seconds + 0.02, noise, random)) {
    if (!leaveOut(time / 1e6)) buffer.push(time, gyro, accel);
    for (; time / 1e6 > (frame + 1) * FRAME; frame++) {
      const span = buffer.cut(Math.round(1e6 * frame * FRAME), attitudes);
      if (span === null) continue;
      if (!filter.isRunning) filter.start([0, 0, 0], 0.001);
      filter.advance(span, 0);
      onFrame(filter, (frame - 1) * FRAME, frame * FRAME);
      filter.mark();
    }
  }
}

const difference = (a: Vec3, b: Vec3): Vec3 => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
const trueStep = (from: number, to: number, pose = imuPose): Vec3 =>
  difference(pose(to).position, pose(from).position);
const velocityOf = (time: number, pose = imuPose): Vec3 =>
  trueStep(time - 1e-4, time + 1e-4, pose).map((v) => v / 2e-4) as unknown as Vec3;
const AXES: Vec3[] = [
  [1, 0, 0],
  [0, 1, 0],
  [0, 0, 1],
];

describe("the inertial filter", () => {
  test("without noise follows the imu's own point, through bends and nods, to 0.3 mm a frame", () => {
    const filter = new InertialFilter(TILT_NOISE);
    let worst = 0;
    run(filter, 10, QUIET, (f, from, to) => {
      worst = Math.max(worst, ...difference(f.step, trueStep(from, to)).map(Math.abs));
    });
    // Per step; the way is 6 m. Between samples the rotation changes while the mean force is taken with that of the middle.
    expect(worst).toBeLessThan(0.0003);
    expect(Math.hypot(...difference(filter.velocity, velocityOf(10 - FRAME)))).toBeLessThan(0.02);
  });

  test("learns the bias while steps are measured; without measurements its drift is within its covariance", () => {
    const scores: number[] = [];
    for (let seed = 1; seed <= 40; seed++) {
      const filter = new InertialFilter(TILT_NOISE);
      const random = new Random(seed, 7);
      let [x, y] = [0, 0];
      run(
        filter,
        10,
        NOISY,
        (f, from, to) => {
          const truth = trueStep(from, to);
          if (to < 5)
            AXES.forEach((axis, k) => {
              f.correctStep(axis, truth[k]! + 0.003 * random.gauss(), 9e-6);
            });
          else {
            x += f.step[0] - truth[0];
            y += f.step[1] - truth[1];
          }
          if (to >= 5 && to < 5 + FRAME) f.forget();
        },
        { seed, tilt: (0.3 * Math.PI) / 180 },
      );
      filter.bias.forEach((b, k) => {
        expect(Math.abs(b - NOISY.accelBias[k]!), `bias ${k}, seed ${seed}`).toBeLessThan(0.05);
      });
      const spread = filter.sumSpread;
      scores.push((x * x) / spread[0]!, (y * y) / spread[4]!);
    }
    // Chi-squared of one degree: mean 1. It must not be bolder than it may, and need not be as sure.
    const mean = scores.reduce((sum, s) => sum + s, 0) / scores.length;
    expect(mean).toBeLessThan(1.3);
    expect(mean).toBeGreaterThan(0.1);
    expect(scores.filter((s) => s > 9).length).toBeLessThanOrEqual(1);
  });

  test("at rest the position stays and the bias becomes known", () => {
    const filter = new InertialFilter(TILT_NOISE);
    run(
      filter,
      20,
      NOISY,
      (f) => {
        if (f.isAtRest) f.rest();
      },
      { tilt: (0.3 * Math.PI) / 180, pose: () => imuPose(0) },
    );
    expect(Math.hypot(...filter.sum)).toBeLessThan(0.03);
    expect(Math.sqrt(filter.sumSpread[0]!)).toBeLessThan(0.05);
    filter.bias.forEach((b, k) => {
      expect(b).toBeCloseTo(NOISY.accelBias[k]!, 1);
      expect(Math.sqrt(filter.biasSpread[4 * k]!)).toBeLessThan(0.03);
    });
  });

  test("even motion is not taken for rest, neither at an unknown speed nor after speeding up from rest", () => {
    const smooth = (time: number): Pose => ({ rotation: TILT, position: [0.8 * time, 0, 0] });
    const unknown = new InertialFilter(TILT_NOISE);
    unknown.start([0, 0, 0], 0.45);
    let rests = 0;
    run(
      unknown,
      6,
      QUIET,
      (f) => {
        if (f.isAtRest) rests++;
      },
      { pose: smooth },
    );
    expect(rests).toBe(0);
    expect(unknown.sumSpread[0]!).toBeGreaterThan(2 ** 2);
    // Straight on after speeding up from rest.
    const begun = (time: number): Pose => {
      const t = Math.max(0, time - 2);
      return { rotation: TILT, position: [t < 1 ? 0.3 * t * t : 0.6 * (t - 0.5), 0, 0] };
    };
    const felt = new InertialFilter(TILT_NOISE);
    let late = 0;
    run(
      felt,
      10,
      QUIET,
      (f, from) => {
        if (f.isAtRest) f.rest();
        if (from > 2 && f.isAtRest) late++;
      },
      { pose: begun },
    );
    expect(late).toBe(0);
    expect(felt.velocity[0]).toBeCloseTo(0.6, 1);
  });

  test("missing samples make the velocity less sure", () => {
    const spreadOf = (leaveOut: (time: number) => boolean) => {
      const filter = new InertialFilter(TILT_NOISE);
      let at = 0;
      run(
        filter,
        1,
        QUIET,
        (f, _, to) => {
          if (to < 0.76) at = Math.sqrt(f.velocitySpread[0]!);
        },
        { leaveOut },
      );
      return at;
    };
    const whole = spreadOf(() => false);
    // 0.15 s without, over three frames, at 2 m/s^2 in each.
    const holed = spreadOf((time) => time > 0.455 && time < 0.605);
    expect(whole).toBeLessThan(0.08);
    expect(holed).toBeGreaterThan(0.15);
  });

  test("a step measured along one axis corrects that axis alone; a turn of the world turns the covariance", () => {
    const filter = new InertialFilter(TILT_NOISE);
    filter.start([0, 0, 0], 0.45);
    run(filter, 1, QUIET, (f, from, to) => f.correctStep([0, 1, 0], trueStep(from, to)[1], 1e-6));
    const spread = filter.velocitySpread;
    expect(Math.sqrt(spread[4]!)).toBeLessThan(0.02);
    expect(Math.sqrt(spread[0]!)).toBeGreaterThan(0.4);
    filter.turn(fromYawPitchRoll(Math.PI / 2, 0, 0));
    expect(filter.velocitySpread[0]).toBeCloseTo(spread[4]!, 12);
    expect(filter.velocitySpread[4]).toBeCloseTo(spread[0]!, 12);
  });
});
