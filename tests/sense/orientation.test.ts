import { describe, expect, test } from "vitest";
import { conjugate, fromYawPitchRoll, turn } from "../../src/geometry/rigid.ts";
import { DEFAULT_ORIENTATION_SETTINGS, OrientationBuffer } from "../../src/sense/orientation.ts";
import { degrees, expectClose, seeded } from "../helpers/compare.ts";

const yaw = (angle: number) => fromYawPitchRoll(angle, 0, 0);
const settings = { capacity: 8, lateness: 0, maxGap: 20_000 };
const out = new Float64Array(4);

describe("orientation buffer", () => {
  test("an instant between two samples gets the attitude between them", () => {
    // scipy Slerp between t = 0.100 (pitch 10) and t = 0.110 (yaw 4, pitch 14, roll 2 degrees) at 0.1075.
    const buffer = new OrientationBuffer(settings);
    buffer.push(100_000, fromYawPitchRoll(0, degrees(10), 0));
    buffer.push(110_000, fromYawPitchRoll(degrees(4), degrees(14), degrees(2)));
    expect(buffer.at(107_500, out)).toBe("ok");
    expectClose(out, [0.0097962, 0.11359988, 0.02438577, 0.99317895], 1e-8);
  });

  test("using the newest sample 20 ms late in a 30 deg/s dip fakes a 10 mm step 1 m ahead; interpolating does not", () => {
    // x * omega * dt = 1 m * 0.5236 rad/s * 0.02 s = 10.47 mm.
    const rate = degrees(30);
    const attitude = (time: number) => fromYawPitchRoll(0, rate * 1e-6 * time, 0);
    const buffer = new OrientationBuffer(settings);
    for (let time = 0; time <= 60_000; time += 10_000) buffer.push(time, attitude(time));
    const floorHeight = (believed: readonly [number, number, number, number]) => {
      const seen = turn(conjugate(attitude(43_700)), [1, 0, -0.3]);
      return turn(believed, seen)[2] + 0.3;
    };
    expect(Math.abs(floorHeight(attitude(23_700)) / 0.01047 - 1)).toBeLessThan(0.01);
    buffer.at(43_700, out);
    expect(Math.abs(floorHeight([out[0]!, out[1]!, out[2]!, out[3]!]))).toBeLessThan(1e-4);
  });

  test("stamps that are late by a known time are moved back", () => {
    const buffer = new OrientationBuffer({ ...settings, lateness: 5000 });
    buffer.push(10_000, yaw(0));
    buffer.push(20_000, yaw(0.1));
    expect(buffer.at(10_000, out)).toBe("ok"); // halfway: the samples are really from 5000 and 15000
    expectClose(out, yaw(0.05), 1e-12);
    expect(buffer.at(4999, out)).toBe("too early");
    expect(buffer.at(15_001, out)).toBe("not yet");
  });

  test("before, after and inside a gap the answer gives the reason", () => {
    const buffer = new OrientationBuffer(settings);
    out.fill(7);
    expect(buffer.at(0, out)).toBe("not yet");
    buffer.push(1000, yaw(0));
    buffer.push(2000, yaw(0.1));
    buffer.push(30_000, yaw(0.2));
    expect(buffer.at(999, out)).toBe("too early");
    expect(buffer.at(30_001, out)).toBe("not yet");
    expect(buffer.at(2001, out)).toBe("gap");
    expect(buffer.at(Number.NaN, out)).toBe("not yet");
    expect([...out]).toEqual([7, 7, 7, 7]);
    expect(buffer.at(2000, out)).toBe("ok"); // on a sample, beside the hole
    expectClose(out, yaw(0.1), 1e-15);
    expect(buffer.at(30_000, out)).toBe("ok");
  });

  test("samples in any order, some twice, give the same answers as in order", () => {
    const random = seeded(12);
    const times = Array.from({ length: 40 }, (_, i) => 10_000 * i);
    const shuffled = [...times, ...times.slice(5, 20)].sort(() => random() - 0.5);
    const straight = new OrientationBuffer({ ...settings, capacity: 64 });
    const mixed = new OrientationBuffer({ ...settings, capacity: 64 });
    for (const time of times) expect(straight.push(time, yaw(time / 1e6))).toBe(true);
    const stored = shuffled.filter((time) => mixed.push(time, yaw(time / 1e6)));
    expect([stored.length, mixed.count]).toEqual([40, 40]);
    const other = new Float64Array(4);
    for (let time = 0; time <= 390_000; time += 1234) {
      expect(straight.at(time, out)).toBe("ok");
      expect(mixed.at(time, other)).toBe("ok");
      expect([...other]).toEqual([...out]);
    }
  });

  test("when it is full the oldest go, and older ones still do not come in", () => {
    const buffer = new OrientationBuffer(settings);
    for (let k = 0; k < 20; k++) buffer.push(1000 * k, yaw(0.01 * k));
    expect(buffer.count).toBe(8);
    expect(buffer.at(11_999, out)).toBe("too early");
    expect(buffer.at(12_500, out)).toBe("ok");
    expectClose(out, yaw(0.125), 1e-12);
    expect(buffer.push(500, yaw(0))).toBe(false);
    expect(buffer.push(12_500, yaw(9))).toBe(true); // pushes 12000 out
    expect(buffer.at(12_400, out)).toBe("too early");
    expect(buffer.at(18_900, out)).toBe("ok");
    expectClose(out, yaw(0.189), 1e-12);
  });

  test("what is no sample or no setting is refused by name", () => {
    const buffer = new OrientationBuffer();
    expect(() => buffer.push(Number.NaN, yaw(0))).toThrow(/NaN/);
    expect(() => buffer.push(0, [0, 0, 0, 0])).toThrow(/quaternion/);
    expect(buffer.count).toBe(0);
    for (const [field, value] of [
      ["capacity", 1],
      ["lateness", Number.NaN],
      ["maxGap", 0],
    ] as const) {
      const bad = { ...DEFAULT_ORIENTATION_SETTINGS, [field]: value };
      expect(() => new OrientationBuffer(bad)).toThrow(`orientation.${field}`);
    }
  });
});
