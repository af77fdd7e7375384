import { describe, expect, test } from "vitest";
import type { Quat, Vec3 } from "../../src/geometry/optics.ts";
import {
  angleBetween,
  compose,
  conjugate,
  fromMatrix,
  fromRotationVector,
  fromYawPitchRoll,
  IDENTITY,
  interpolate,
  invert,
  meanRotation,
  multiply,
  normalizeRotation,
  OPTICAL_IN_BODY,
  slerp,
  toMatrix,
  toRotationVector,
  toYawPitchRoll,
  transformPoint,
  turn,
} from "../../src/geometry/rigid.ts";
import { degrees, expectClose, seeded } from "../helpers/compare.ts";

const X90 = fromRotationVector([Math.PI / 2, 0, 0]);
const Z90 = fromRotationVector([0, 0, Math.PI / 2]);

describe("axes and order", () => {
  test("a pixel reaches the world through lens, head lever arm, attitude and position in that order", () => {
    // ISO 8855 axes; the numbers from scipy 1.10.1 Rotation and from three.js 0.187, which agree.
    const lens: Vec3 = [((60 - 39.5) / 45.211775) * 0.5, ((45 - 29.5) / 45.211775) * 0.5, 0.5];
    const worldFromHead = {
      rotation: fromYawPitchRoll(degrees(30), degrees(20), degrees(-5)),
      position: [1, 2, 0.3],
    } as const;
    const headFromLens = { rotation: OPTICAL_IN_BODY, position: [0.05, 0, 0.02] } as const;
    expectClose(
      transformPoint(compose(worldFromHead, headFromLens), lens),
      [1.52828546, 2.0289805, -0.01128616],
      1e-7,
    );
  });

  test("the lens's right, down and forward are the body's right, down and forward", () => {
    // ISO 8855: body x forward, y left, z up.
    expectClose(turn(OPTICAL_IN_BODY, [1, 0, 0]), [0, -1, 0], 0);
    expectClose(turn(OPTICAL_IN_BODY, [0, 1, 0]), [0, 0, -1], 0);
    expectClose(turn(OPTICAL_IN_BODY, [0, 0, 1]), [1, 0, 0], 0);
  });

  test("yaw, pitch and roll are turned in that order about the axes as they then are", () => {
    // scipy Rotation.from_euler("ZYX", [30, 20, 10], degrees=True); three.js Euler order "ZYX".
    expectClose(
      fromYawPitchRoll(degrees(30), degrees(20), degrees(10)),
      [0.038134576, 0.189307857, 0.239298338, 0.951548525],
      1e-9,
    );
  });

  test("a product applies its right factor first", () => {
    // Hamilton product.
    expectClose(multiply(Z90, X90), [0.5, 0.5, 0.5, 0.5], 1e-12);
    expectClose(multiply(X90, Z90), [0.5, -0.5, 0.5, 0.5], 1e-12);
  });

  test("an accelerometer at rest gives roll and pitch back", () => {
    // f = 9.80665 m/s^2 along world up, seen from roll 10, pitch 20, yaw 77 degrees: scipy.
    const attitude = fromYawPitchRoll(degrees(77), degrees(20), degrees(10));
    expectClose(
      turn(conjugate(attitude), [0, 0, 9.80665]),
      [-3.354071838545, 1.600209049241, 9.07523648855],
      1e-9,
    );
  });

  test("a pitch that is one degree wrong raises or lowers the floor one metre ahead", () => {
    // Trigonometry: the floor point (1, 0, -0.3) seen from the lens, turned by -+1 degree about y.
    for (const [error, height] of [
      [1, -0.017407],
      [-1, 0.017498],
    ] as const) {
      const seen = turn(fromYawPitchRoll(0, degrees(error), 0), [1, 0, -0.3]);
      expect(Math.abs(seen[2] + 0.3 - height)).toBeLessThan(1e-6);
    }
  });
});

describe("interpolation", () => {
  test("an attitude between two samples turns at a constant rate", () => {
    // scipy Slerp between t = 0.100 and 0.110 at 0.1075.
    const a = fromYawPitchRoll(0, degrees(10), 0);
    const b = fromYawPitchRoll(degrees(4), degrees(14), degrees(2));
    expectClose(slerp(a, b, 0.75), [0.0097962, 0.11359988, 0.02438577, 0.99317895], 1e-8);
  });

  test("it takes the short way, whatever the sign of the quaternions", () => {
    // Shoemake 1985: q and -q are one rotation.
    const q = fromYawPitchRoll(0.3, -0.2, 0.1);
    const minus: Quat = [-q[0], -q[1], -q[2], -q[3]];
    expect(angleBetween(slerp(q, minus, 0.5), q)).toBeLessThan(1e-12);
    const third = fromRotationVector(
      [1, 1, 1].map((c) => (c * degrees(120)) / Math.sqrt(3)) as [number, number, number],
    );
    const quarter = slerp([0, 0, 0, 1], third, 0.25);
    expect(Math.abs(quarter[3] - 0.965925826289)).toBeLessThan(1e-12); // cos 15 degrees
    expect(Math.abs(angleBetween([0, 0, 0, 1], quarter) - degrees(30))).toBeLessThan(1e-12);
  });

  test("it keeps full precision between samples a microradian apart", () => {
    const b = fromRotationVector([1e-6, 0, 0]);
    expect(Math.abs(toRotationVector(slerp([0, 0, 0, 1], b, 0.25))[0] - 2.5e-7)).toBeLessThan(1e-18);
  });

  test("a pose between two goes straight in position", () => {
    const half = interpolate(IDENTITY, { rotation: Z90, position: [2, 4, -6] }, 0.5);
    expectClose(half.position, [1, 2, -3], 1e-15);
    expectClose(toYawPitchRoll(half.rotation), [Math.PI / 4, 0, 0], 1e-15);
  });
});

describe("round trips and bounds", () => {
  const random = seeded(7);
  const rotations = Array.from({ length: 200 }, () =>
    fromRotationVector([random() * 6 - 3, random() * 6 - 3, random() * 6 - 3]),
  );

  test("rotation vectors, yaw-pitch-roll and matrices give the same rotation back", () => {
    for (const q of rotations) {
      expect(angleBetween(fromRotationVector(toRotationVector(q)), q)).toBeLessThan(1e-14);
      expect(angleBetween(fromYawPitchRoll(...toYawPitchRoll(q)), q)).toBeLessThan(1e-9);
      expect(
        angleBetween(fromMatrix(toMatrix({ rotation: q, position: [1, 2, 3] })).rotation, q),
      ).toBeLessThan(1e-14);
    }
  });

  test("looking straight down has a yaw and no roll", () => {
    for (const pitch of [Math.PI / 2, -Math.PI / 2]) {
      const q = fromYawPitchRoll(0.4, pitch, 0.1);
      const angles = toYawPitchRoll(q);
      expect(angles[2]).toBe(0);
      expect(angleBetween(fromYawPitchRoll(...angles), q)).toBeLessThan(1e-6);
    }
  });

  test("a pose and its inverse cancel", () => {
    for (const rotation of rotations) {
      const pose = { rotation, position: [3, -1, 2] } as const;
      const back = compose(pose, invert(pose));
      expect(angleBetween(back.rotation, IDENTITY.rotation)).toBeLessThan(1e-14);
      expectClose(back.position, [0, 0, 0], 1e-14);
    }
  });

  test("an angle is finite for quaternions a rounding error too long", () => {
    expect(angleBetween([0, 0, 0, 1.0000001], [0, 0, 0, 1.0000001])).toBe(0);
  });

  test("the exact exponential closes a second of turning to the last digit", () => {
    // 1 rad/s about (1, 2, 3) for 1 s in 100 steps: scipy from_rotvec of the whole turn.
    const step = [1, 2, 3].map((c) => (c * 0.01) / Math.sqrt(14)) as [number, number, number];
    let q: Quat = [0, 0, 0, 1];
    for (let i = 0; i < 100; i++) q = multiply(q, fromRotationVector(step));
    expectClose(q, [0.128131865, 0.25626373, 0.384395595, 0.877582562], 1e-9);
  });

  test("the mean of headings wraps at north", () => {
    // scipy Rotation.mean of yaw 350, 10 and 30 degrees is close to 10: by symmetry about 10 exactly.
    const mean = meanRotation([350, 10, 30].map((yaw) => fromYawPitchRoll(degrees(yaw), 0, 0)));
    expectClose(toYawPitchRoll(mean), [degrees(10), 0, 0], 1e-12);
    expect(() => meanRotation([])).toThrow(RangeError);
  });

  test("what is no rotation is refused by name", () => {
    expect(() => normalizeRotation([0, 0, 0, 0])).toThrow(/quaternion/);
    expect(() => normalizeRotation([0, 0, Number.NaN, 1])).toThrow(/quaternion/);
    expect(() => normalizeRotation([0, 0, 1])).toThrow(/quaternion/);
    expect(() => normalizeRotation([0, 0, 0, 1.2], 0.05)).toThrow(/length 1.2/);
    expectClose(normalizeRotation([0, 0, 0, 1.04], 0.05), [0, 0, 0, 1], 0);
    const mirror = [-1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1];
    expect(() => fromMatrix(mirror)).toThrow(/mirrors/);
    expect(() => fromMatrix(mirror.map((v) => 2 * v))).toThrow(/axes 0 and 0/);
    expect(() => fromMatrix([1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 2])).toThrow(/last row/);
    expect(() => fromMatrix([1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, Number.NaN, 0, 0, 1])).toThrow(/position/);
    expect(() => fromMatrix([1])).toThrow(/16 values/);
  });
});
