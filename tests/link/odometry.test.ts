import { describe, expect, test } from "vitest";
import { type Odometry, WheelOdometry, type Wheels } from "../../src/link/odometry.ts";

const RADIUS = 0.05;
const COUNTS = 1000;
/** Counts of a wheel that has rolled so many metres. */
const rolled = (metres: number): number => Math.round((metres / (2 * Math.PI * RADIUS)) * COUNTS);
const rolling = { radius: RADIUS, countsPerTurn: COUNTS } as const;
const DIFFERENTIAL: Wheels = { kind: "differential", ...rolling, track: 0.3, axle: 0 };

/** The odometry after wheels have rolled evenly for two seconds, in `steps` steps. */
function drive(wheels: Wheels, metres: readonly number[], { steering = 0, steps = 200 } = {}): Odometry {
  const odometry = new WheelOdometry(wheels);
  let last: Odometry | null = null;
  for (let i = 0; i <= steps; i++) {
    last = odometry.take(
      metres.map((way) => rolled((way * i) / steps)),
      steering,
      1e6 + (2e6 * i) / steps,
    );
  }
  return last!;
}
const expectPose = ({ pose }: Odometry, x: number, y: number, yaw: number): void => {
  // A count is 0.3 mm of way.
  expect(pose[0]).toBeCloseTo(x, 2);
  expect(pose[1]).toBeCloseTo(y, 2);
  expect(pose[2]).toBeCloseTo(yaw, 2);
};

describe("two driven wheels", () => {
  test("straight ahead both roll as far, and the speed is way over time", () => {
    const there = drive(DIFFERENTIAL, [1, 1]);
    expectPose(there, 1, 0, 0);
    expect(there.speed![0]).toBeCloseTo(0.5, 1);
  });

  test("a quarter circle to the left, by hand", () => {
    // Radius 1 m: the left wheel rolls (1 - 0.15) * pi / 2, the right one (1 + 0.15) * pi / 2. It ends at (1, 1), turned by pi / 2.
    const quarter = Math.PI / 2;
    expectPose(drive(DIFFERENTIAL, [0.85 * quarter, 1.15 * quarter]), 1, 1, quarter);
  });

  test("a turn on the spot moves a base whose axle is off its floor point along a circle", () => {
    // The axle is 0.1 m behind the floor point, which goes from (0, 0) around (-0.1, 0): after half a turn it is at (-0.2, 0).
    const half = Math.PI * 0.15;
    expectPose(drive({ ...DIFFERENTIAL, axle: -0.1 }, [-half, half]), -0.2, 0, Math.PI);
  });
});

describe("steered", () => {
  const STEERED: Wheels = { kind: "steered", ...rolling, wheelbase: 0.5, counted: 1, axle: 0 };

  test("the circle's radius is wheelbase / tan(steering)", () => {
    // atan(0.5): radius 1 m. A quarter of it.
    expectPose(drive(STEERED, [Math.PI / 2], { steering: Math.atan(0.5) }), 1, 1, Math.PI / 2);
    expectPose(drive(STEERED, [-Math.PI / 2], { steering: Math.atan(0.5) }), -1, 1, -Math.PI / 2);
  });

  test("of two rear wheels the mean counts", () => {
    expectPose(drive({ ...STEERED, counted: 2 }, [0.9, 1.1]), 1, 0, 0);
  });
});

describe("omnidirectional", () => {
  const third = (2 * Math.PI) / 3;
  const THREE: Wheels = {
    kind: "omnidirectional",
    ...rolling,
    wheels: [0, 1, 2].map((n) => ({
      x: 0.2 * Math.cos(n * third),
      y: 0.2 * Math.sin(n * third),
      heading: n * third + Math.PI / 2,
      roller: 0,
    })),
  };

  test("three wheels on a circle: all alike turn it on the spot", () => {
    expectPose(drive(THREE, [0.2, 0.2, 0.2]), 0, 0, 1);
  });

  test("three wheels: each rolls as far as the motion goes along it", () => {
    // Motion (0.3, -0.4) without a turn: the scalar product with each direction, by hand from the headings.
    const ways = [0, 1, 2].map((n) => {
      const heading = n * third + Math.PI / 2;
      return 0.3 * Math.cos(heading) - 0.4 * Math.sin(heading);
    });
    expectPose(drive(THREE, ways), 0.3, -0.4, 0);
  });

  // Slanted rollers at the corners of 0.4 x 0.3 m. Seen from above the rollers form an X, so those on the floor form a diamond.
  const slant = Math.PI / 4;
  const FOUR: Wheels = {
    kind: "omnidirectional",
    ...rolling,
    wheels: [
      { x: 0.2, y: 0.15, heading: 0, roller: -slant },
      { x: 0.2, y: -0.15, heading: 0, roller: slant },
      { x: -0.2, y: 0.15, heading: 0, roller: slant },
      { x: -0.2, y: -0.15, heading: 0, roller: -slant },
    ],
  };

  test("four wheels with slanted rollers: ahead, to the left, and on the spot", () => {
    expectPose(drive(FOUR, [1, 1, 1, 1]), 1, 0, 0);
    // To the left: front left and rear right roll back, the others ahead, each as far as the base goes.
    expectPose(drive(FOUR, [-1, 1, 1, -1]), 0, 1, 0);
    // On the spot: (half length + half width) * angle.
    expectPose(drive(FOUR, [-0.35, 0.35, -0.35, 0.35]), 0, 0, 1);
  });
});

test("counters may wrap at 32 bits", () => {
  const odometry = new WheelOdometry(DIFFERENTIAL);
  odometry.take([2147483647, -2147483648], 0, 1e6);
  const { pose } = odometry.take([-2147483648 + 99, -2147483648 + 100], 0, 1.1e6)!;
  expect(pose[0]).toBeCloseTo((100 * 2 * Math.PI * RADIUS) / COUNTS, 6);
  expect(pose[2]).toBeCloseTo(0, 6);
});

test("a board that starts again from zero moves nothing, and what follows counts", () => {
  const odometry = new WheelOdometry(DIFFERENTIAL);
  odometry.take([500_000, 500_000], 0, 1e6);
  odometry.take([500_100, 500_100], 0, 1.1e6);
  expect(odometry.take([0, 0], 0, 1.2e6)).toBeNull();
  const { pose } = odometry.take([100, 100], 0, 1.3e6)!;
  expect(pose[0]).toBeCloseTo((200 * 2 * Math.PI * RADIUS) / COUNTS, 6);
});

test("counts that are not newer are left out", () => {
  const odometry = new WheelOdometry(DIFFERENTIAL);
  odometry.take([0, 0], 0, 1e6);
  expect(odometry.take([100, 100], 0, 1e6)).toBeNull();
  expect(odometry.take([100, 100], 0, 1.1e6)!.pose[0]).toBeGreaterThan(0);
});
