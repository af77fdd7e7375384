import { describe, expect, test } from "vitest";
import type { Quat, Vec3 } from "../../src/geometry/optics.ts";
import {
  angleBetween,
  conjugate,
  fromRotationVector,
  fromYawPitchRoll,
  multiply,
  toYawPitchRoll,
  turn,
} from "../../src/geometry/rigid.ts";
import { AttitudeFilter, DEFAULT_ATTITUDE_SETTINGS, levelFromGravity } from "../../src/sense/attitude.ts";
import { degrees, expectClose, seededNormal } from "../helpers/compare.ts";

const G = 9.80665;
const STILL: Vec3 = [0, 0, 0];
const up = (attitude: Quat): Vec3 => turn(conjugate(attitude), [0, 0, G]);
const tilt = (q: Quat, truth: Quat = [0, 0, 0, 1]) => {
  const [x, y, z] = turn(q, turn(conjugate(truth), [0, 0, 1]));
  return Math.atan2(Math.hypot(x, y), z);
};
const settings = DEFAULT_ATTITUDE_SETTINGS;

describe("attitude from raw inertial samples", () => {
  test("gravity alone gives roll and pitch, and the filter starts there with yaw 0", () => {
    // roll 10, pitch 20 degrees at standard gravity: scipy.
    const force: Vec3 = [-3.354071838545, 1.600209049241, 9.07523648855];
    expectClose(toYawPitchRoll(levelFromGravity(force)), [0, degrees(20), degrees(10)], 1e-9);
    const filter = new AttitudeFilter();
    filter.push(0, STILL, force);
    expectClose(toYawPitchRoll(filter.rotation), [0, degrees(20), degrees(10)], 1e-9);
    expect(() => levelFromGravity([0, 0, 0])).toThrow(/no direction/);
  });

  test("a second of turning about a slanted axis is integrated exactly", () => {
    // 1 rad/s about (1, 2, 3) in 100 steps: closed form. First order steps would be 8.3e-6 rad off.
    const rate = [1, 2, 3].map((c) => c / Math.sqrt(14)) as [number, number, number];
    const filter = new AttitudeFilter();
    filter.push(0, STILL, [0, 0, G]);
    for (let k = 1; k <= 100; k++) {
      const truth = fromRotationVector([rate[0] * k * 0.01, rate[1] * k * 0.01, rate[2] * k * 0.01]);
      filter.push(10_000 * k, rate, up(truth));
    }
    expectClose(filter.rotation, [0.128131865, 0.25626373, 0.384395595, 0.877582562], 1e-9);
  });

  test("a lasting push tilts the answer as two low-passes do, not at once", () => {
    // Step response of two equal low-passes: 1 - (1 + t / tau) exp(-t / tau), of the push seen as tilt.
    const filter = new AttitudeFilter({ ...settings, biasGain: 1e-9, restAcceleration: 1e-6 });
    let time = 0;
    for (; time < 60e6; time += 5000) filter.push(time, STILL, [0, 0, G]);
    for (let k = 1; k <= 400; k++, time += 5000) {
      filter.push(time, STILL, [2, 0, G]);
      const t = 0.005 * k;
      const share = 1 - (1 + t / settings.smoothing) * Math.exp(-t / settings.smoothing);
      expect(Math.abs(tilt(filter.rotation) - Math.atan((2 * share) / G))).toBeLessThan(3e-4);
    }
  });

  test("a stop from 0.5 m/s at 1.5 m/s^2 disturbs the tilt by less than 0.4 degrees", () => {
    // The peak after a velocity change dv is about dv / (g tau e) = 0.36 degrees; an accelerometer alone shows 8.7.
    const filter = new AttitudeFilter();
    let time = 0;
    let worst = 0;
    for (; time < 20e6; time += 5000) filter.push(time, STILL, [0, 0, G]);
    for (let k = 0; k < 2000; k++, time += 5000) {
      filter.push(time, STILL, [k * 0.005 < 0.5 / 1.5 ? -1.5 : 0, 0, G]);
      worst = Math.max(worst, tilt(filter.rotation));
    }
    expect(worst).toBeLessThan(degrees(0.4));
  });

  test("with wheels, starts and stops at 1.5 m/s^2 disturb the tilt by less than 0.05 degrees", () => {
    const filter = new AttitudeFilter();
    let worst = 0;
    for (let k = 0; k < 12_000; k++) {
      // Every 4 s: 0.5 m/s within 1/3 s, and back to rest 2 s later. Wheels report at 40 Hz.
      const speedAt = (t: number): number =>
        Math.max(0, Math.min(0.5, 1.5 * (t % 4), 0.5 - 1.5 * ((t % 4) - 2)));
      const t = k * 0.005;
      const force = (speedAt(t) - speedAt(t - 0.005)) / 0.005;
      const velocity: Vec3 = [speedAt(Math.floor(t / 0.025) * 0.025), 0, 0];
      filter.push(5000 * k, STILL, [force, 0, G], { velocity, isStill: velocity[0] === 0 });
      if (t > 3) worst = Math.max(worst, tilt(filter.rotation));
    }
    expect(worst).toBeLessThan(degrees(0.05));
  });

  test("with wheels that stand, a quarter of a second shows the gyro's bias", () => {
    const normal = seededNormal(23);
    const bias: Vec3 = [0.01, -0.012, 0.008];
    const filter = new AttitudeFilter();
    const still = { velocity: [0, 0, 0] as const, isStill: true };
    for (let k = 0; k < 26; k++) {
      const noisy = bias.map((b) => b + 0.004 * normal()) as unknown as Vec3;
      filter.push(10_000 * k, noisy, [0, 0, G], still);
    }
    expect(filter.isBiasKnown).toBe(true);
    // 25 samples of 0.004 rad/s.
    expectClose(filter.gyroBias, bias, 0.0025);
  });

  test("a swing of the chassis after a stop is no bias", () => {
    const filter = new AttitudeFilter();
    const still = { velocity: [0, 0, 0] as const, isStill: true };
    const rolling = { velocity: [0.5, 0, 0] as const, isStill: false };
    let time = 0;
    for (; time < 5e6; time += 5000) filter.push(time, STILL, [0, 0, G], rolling);
    const from = time;
    for (; time < from + 1.5e6; time += 5000) {
      const t = (time - from) / 1e6;
      // One degree at 2.5 Hz, damped to a third in 0.16 s.
      const rate = degrees(1) * 5 * Math.PI * Math.cos(5 * Math.PI * t) * Math.exp(-t / 0.16);
      filter.push(time, [0, rate, 0], [0, 0, G], still);
    }
    expectClose(filter.gyroBias, [0, 0, 0], degrees(0.1));
  });

  test("a slow turn of a base that is carried, with wheels that stand, does not become the bias", () => {
    const filter = new AttitudeFilter();
    const still = { velocity: [0, 0, 0] as const, isStill: true };
    const bias = degrees(0.1);
    let turned = 0;
    for (let time = 0; time < 14e6; time += 10_000) {
      const t = time / 1e6;
      // A rest; then faster and faster up to 1.2 degrees a second; it is set down; and a rest in the new place.
      const rate = t < 4 || t > 9 ? 0 : degrees(Math.min(1.2, 0.4 * (t - 4)));
      const force = G + (Math.abs(t - 9) < 0.02 ? 3 : 0);
      turned += 0.01 * rate;
      filter.push(time, [0, 0, bias + rate], [0, 0, force], still);
    }
    expect(turned).toBeCloseTo(degrees(4.2), 3);
    expectClose(filter.gyroBias, [0, 0, bias], degrees(0.05));
  });

  test("the gyro's bias is learned at rest, and yaw then stays", () => {
    const normal = seededNormal(17);
    const bias: Vec3 = [0.012, -0.02, 0.015];
    const filter = new AttitudeFilter();
    const noisy = (v: Vec3, sigma: number): Vec3 => [
      v[0] + sigma * normal(),
      v[1] + sigma * normal(),
      v[2] + sigma * normal(),
    ];
    let time = 0;
    for (; time < 10e6; time += 5000) filter.push(time, noisy(bias, 0.002), noisy([0, 0, G], 0.03));
    expect(filter.isAtRest).toBe(true);
    expect(filter.isSettled).toBe(true);
    expectClose(filter.gyroBias, bias, 0.0005);
    const [before] = toYawPitchRoll(filter.rotation);
    for (; time < 70e6; time += 5000) filter.push(time, noisy(bias, 0.002), noisy([0, 0, G], 0.03));
    // 0.015 rad/s would be 51 degrees in that minute.
    expect(Math.abs(toYawPitchRoll(filter.rotation)[0] - before)).toBeLessThan(degrees(0.2));
  });

  test("a bias in roll and pitch is found in motion too, and a spin that hides it leads nowhere worse", () => {
    const bias: Vec3 = [0.01, -0.008, 0];
    const drive = (yawRate: (k: number) => number) => {
      const filter = new AttitudeFilter();
      let truth: Quat = [0, 0, 0, 1];
      for (let k = 0; k < 40_000; k++) {
        const rate: Vec3 = [0.3 * Math.sin(k * 0.013), 0.3 * Math.cos(k * 0.017), yawRate(k)];
        truth = multiply(truth, fromRotationVector([rate[0] * 0.005, rate[1] * 0.005, rate[2] * 0.005]));
        filter.push(5000 * k, [rate[0] + bias[0], rate[1] + bias[1], rate[2]], up(truth));
      }
      expect(filter.isAtRest).toBe(false);
      return {
        left: Math.hypot(filter.gyroBias[0] - bias[0], filter.gyroBias[1] - bias[1]),
        off: tilt(filter.rotation, truth),
      };
    };
    const sway = drive((k) => 0.3 * Math.sin(k * 0.004));
    expect(sway.left).toBeLessThan(0.001);
    expect(sway.off).toBeLessThan(degrees(0.3));
    for (const spin of [0.2, 0.5, 1, 2]) {
      const { left, off } = drive(() => spin);
      expect(left).toBeLessThan(Math.hypot(...bias));
      expect(off).toBeLessThan(degrees(3));
    }
  });

  test("a slow steady turn is a turn when the wheels say so", () => {
    const turning = { velocity: [0, 0, 0] as const, isStill: false };
    const spin = (hasWheels: boolean) => {
      const filter = new AttitudeFilter();
      for (let time = 0; time <= 30e6; time += 5000)
        filter.push(time, [0, 0, degrees(1)], [0, 0, G], hasWheels ? turning : null);
      return (toYawPitchRoll(filter.rotation)[0] * 180) / Math.PI;
    };
    expect(Math.abs(spin(true) - 30)).toBeLessThan(0.01);
    expect(spin(false)).toBeLessThan(10); // without them nothing can tell
    // Once the bias is known, a turn faster than it could have changed is one.
    const filter = new AttitudeFilter();
    let time = 0;
    for (; time < 10e6; time += 5000) filter.push(time, STILL, [0, 0, G]);
    for (; time < 40e6; time += 5000) filter.push(time, [0, 0, degrees(1)], [0, 0, G]);
    expect(Math.abs(toYawPitchRoll(filter.rotation)[0] - degrees(30))).toBeLessThan(degrees(1));
  });

  test("after a gap the tilt restarts, yaw and bias are kept, and it is not settled", () => {
    const filter = new AttitudeFilter();
    let time = 0;
    for (; time < 5e6; time += 5000) filter.push(time, [0, 0, 0.002], [0, 0, G]);
    const turning = { velocity: [0, 0, 0] as const, isStill: false };
    for (; time < 6e6; time += 5000) filter.push(time, [0, 0, 1.002], [0, 0, G], turning);
    const [yaw] = toYawPitchRoll(filter.rotation);
    expect(Math.abs(yaw - 1)).toBeLessThan(0.01);
    const bias = filter.gyroBias;
    filter.push(time + 1e6, STILL, up(fromYawPitchRoll(0, degrees(5), degrees(-3))));
    expectClose(toYawPitchRoll(filter.rotation), [yaw, degrees(5), degrees(-3)], 1e-9);
    expect(filter.gyroBias).toEqual(bias);
    expect([filter.isSettled, filter.isAtRest]).toEqual([false, false]);
  });

  test("samples out of order are left out; samples that are no numbers are refused", () => {
    const filter = new AttitudeFilter();
    expect(filter.push(1000, STILL, [0, 0, G])).toBe(true);
    const { rotation } = filter;
    expect(filter.push(1000, [9, 9, 9], [0, G, 0])).toBe(false);
    expect(filter.push(500, [9, 9, 9], [0, G, 0])).toBe(false);
    expect(() => filter.push(2000, [Number.NaN, 0, 0], [0, 0, G])).toThrow(/must be finite/);
    expect(angleBetween(filter.rotation, rotation)).toBe(0);
    expect(filter.push(2000, STILL, [0, 0, 0])).toBe(true); // falling freely says nothing about tilt
    expect(filter.rotation.every(Number.isFinite)).toBe(true);
  });

  test("hanging upside down is an attitude as well", () => {
    const filter = new AttitudeFilter();
    for (let time = 0; time < 2e6; time += 5000) filter.push(time, STILL, [0, 0, -G]);
    expect(Math.abs(tilt(filter.rotation) - Math.PI)).toBeLessThan(1e-6);
  });

  test("a setting that makes no sense is refused by name", () => {
    expect(() => new AttitudeFilter({ ...settings, smoothing: 0 })).toThrow(/attitude\.smoothing/);
    expect(() => new AttitudeFilter({ ...settings, maxGap: Number.NaN })).toThrow(/attitude\.maxGap/);
  });
});
