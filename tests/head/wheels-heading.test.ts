import { describe, expect, test } from "vitest";
import { toYawPitchRoll } from "../../src/geometry/rigid.ts";
import { WheelsWithHeading } from "../../src/head/wheels-heading.ts";

const DEGREE = Math.PI / 180;
const STEP = 50_000;

interface Moment {
  readonly time: number;
  /** By the wheels, and by the orientation sensor. */
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
  readonly sensed: number;
}

/** A quarter turn of which the wheels count `counted` degrees, in two seconds, then a metre straight on by the wheels' heading. */
function turnAndGo(counted: number, sensed: (n: number) => number): Moment[] {
  const moments: Moment[] = [];
  for (let n = 0; n <= 80; n++) {
    const yaw = Math.min(1, n / 40) * counted * DEGREE;
    const way = Math.max(0, n - 40) / 40;
    moments.push({ time: n * STEP, x: way * Math.cos(yaw), y: way * Math.sin(yaw), yaw, sensed: sensed(n) });
  }
  return moments;
}

function follow(moments: readonly Moment[], hasSensor = true) {
  const dead = new WheelsWithHeading(512, 1e6);
  for (const { time, x, y, yaw } of moments) {
    dead.take({ time, x, y, yaw });
    dead.settle((at) => (hasSensor ? moments.find((one) => one.time === at)!.sensed : null));
  }
  const pose = dead.at(moments.at(-1)!.time);
  if (typeof pose === "string") throw new Error(pose);
  const [yaw] = toYawPitchRoll(pose.rotation);
  return { x: pose.position[0], y: pose.position[1], yaw: yaw / DEGREE };
}
const quarter = (n: number): number => 0.7 + Math.min(1, n / 40) * 90 * DEGREE;

describe("dead reckoning by wheels and the orientation sensor", () => {
  test("takes the turn from the sensor where wheels slip, and the way from the wheels", () => {
    const { x, y, yaw } = follow(turnAndGo(84, quarter));
    expect(yaw).toBeCloseTo(90, 6);
    expect(x).toBeCloseTo(0, 6);
    expect(y).toBeCloseTo(1, 6);
  });

  test("is the wheels' own where there is no sensor", () => {
    const { x, y, yaw } = follow(turnAndGo(84, quarter), false);
    expect(yaw).toBeCloseTo(84, 6);
    expect(x).toBeCloseTo(Math.cos(84 * DEGREE), 6);
    expect(y).toBeCloseTo(Math.sin(84 * DEGREE), 6);
  });

  test("does not follow a jump of the sensor's yaw, in a turn or on a straight way, nor its drift on a straight way", () => {
    const jumps = (at: number) => (n: number) => quarter(n) + (n >= at ? 20 * DEGREE : 0);
    // The step of the jump counts as the wheels say: a fortieth of the six degrees that they slip.
    expect(Math.abs(follow(turnAndGo(84, jumps(20))).yaw - 90)).toBeLessThan(0.2);
    expect(follow(turnAndGo(84, jumps(60))).yaw).toBeCloseTo(90, 6);
    const drifts = (n: number): number => quarter(n) + Math.max(0, n - 40) * 0.2 * DEGREE;
    expect(follow(turnAndGo(84, drifts)).yaw).toBeCloseTo(90, 6);
  });

  test("waits for attitudes that come late, and follows an odometry that is set to another origin", () => {
    const dead = new WheelsWithHeading(512, 1e6);
    dead.take({ time: 0, x: 0, y: 0, yaw: 0 });
    dead.take({ time: STEP, x: 0.02, y: 0, yaw: 0.1 });
    dead.settle((at) => (at === 0 ? 0 : "not yet"));
    expect(dead.at(STEP)).toBe("not yet");
    dead.settle(() => 0.105);
    expect(dead.at(STEP)).toMatchObject({ position: [0.02, 0, 0] });
    dead.take({ time: 2 * STEP, x: 3, y: -2, yaw: 1.1 });
    dead.settle(() => 0.105);
    const moved = dead.at(2 * STEP);
    if (typeof moved === "string") throw new Error(moved);
    expect(Math.abs(moved.position[0] - 3)).toBeLessThan(0.1);
    expect(Math.abs(moved.position[1] + 2)).toBeLessThan(0.1);
  });
});
