import { beforeAll, describe, expect, test } from "vitest";
import { type Finding, isFound, type MountReport } from "../../src/mount/findings.ts";
import { MountEstimator } from "../../src/mount/mount.ts";
import type { DepthEvent } from "../../src/sense/events.ts";
import { BARS, type Row, report, runJob } from "../../tools/lab/score-mount.ts";
import { mountDrive } from "../../tools/mount/drives.ts";

/** Long: a drive of half a minute is rendered and looked at. */
const LONG = 180_000;

describe("a whole drive", () => {
  let row: Row;
  beforeAll(() => {
    row = runJob({ seed: 4, kind: "whole", sensor: "milder" });
  }, LONG);

  test("shows everything, as near as it must and within three sigma of what it says", () => {
    for (const [quantity, { bar }] of Object.entries(BARS)) {
      const { error, sigma } = row.misses[quantity as keyof typeof BARS];
      expect(error, `${quantity} is not told`).not.toBeNull();
      expect(Math.abs(error!), quantity).toBeLessThanOrEqual(3 * sigma);
      if (bar !== null) expect(Math.abs(error!), quantity).toBeLessThanOrEqual(bar);
    }
  });

  test("is scored with every bar held", () => {
    const { lines, isHeld } = report([row]);
    expect(isHeld).toBe(true);
    expect(lines.join("\n")).toMatch(/yaw +1 .* 1 of 1/);
  });
});

const told = (finding: Finding): string => (isFound(finding) ? "told" : `${finding.why}: ${finding.add}`);

function driven(seed: number, kind: Parameters<typeof mountDrive>[1]): MountReport {
  const { setup, events } = mountDrive(seed, kind);
  const estimator = new MountEstimator(setup);
  for (const event of events) estimator.take(event);
  return estimator.solve();
}

describe("a drive straight on, on a base that does not nod", () => {
  let found: MountReport;
  beforeAll(() => {
    found = driven(2, "smooth");
  }, LONG);

  test("shows height, pitch and roll", () => {
    expect([found.height, found.pitch, found.roll].map(told)).toEqual(["told", "told", "told"]);
  });

  test("shows neither yaw nor offsets, and asks for turns", () => {
    expect(told(found.yaw)).toMatch(/turned by 0 degrees.*turn by a right angle/);
    expect(told(found.forward)).toMatch(/turn on the spot by a right angle/);
    expect(told(found.sideways)).toMatch(/turn on the spot/);
    expect("why" in found.imu).toBe(true);
  });

  test("shows no lateness, and asks for changes of rate", () => {
    expect(told(found.lateness)).toMatch(/begin and end turns briskly, and brake/);
  });

  test("leaves in the setup what it did not show", () => {
    const { setup } = mountDrive(2, "smooth");
    expect(found.setup.baseFromHead.position.slice(0, 2)).toEqual(setup.baseFromHead.position.slice(0, 2));
    expect(found.setup.headFromImu).toEqual(setup.headFromImu);
    expect(found.setup.baseFromHead.position[2]).not.toBe(setup.baseFromHead.position[2]);
  });
});

test("without odometry, inertial samples or floor it says what is lacking", () => {
  const { setup } = mountDrive(1, "straight");
  const nothing = new MountEstimator(setup).solve();
  expect(told(nothing.height)).toMatch(/no floor was found/);
  expect(nothing.setup).toEqual(setup);
});

test(
  "frames alone give height and tilt; the rest asks for the wheels and the inertial sensor",
  () => {
    const { setup, events } = mountDrive(5, "straight");
    const estimator = new MountEstimator(setup);
    for (const event of events) if (event.kind === "depth" && event.time < 3e6) estimator.take(event);
    const found = estimator.solve();
    expect(told(found.height)).toBe("told");
    expect(told(found.yaw)).toMatch(/no wheel odometry/);
    expect(told(found.lateness)).toMatch(/no inertial samples/);
  },
  LONG,
);

test(
  "the tape shows a range that is 20 mm too long, and none where there is none",
  () => {
    const { setup, events, truth } = mountDrive(3, "straight");
    const frames = [...events].filter(
      (event): event is DepthEvent => event.kind === "depth" && event.time < 1.2e6,
    );
    const check = (tape: number, longer: number): { bias: number; sigma: number } => {
      const estimator = new MountEstimator(setup, { tape });
      for (const frame of frames) {
        estimator.take({ ...frame, counts: frame.counts.map((count) => (count === 0 ? 0 : count + longer)) });
      }
      const { range } = estimator.solve();
      if (range === null || "why" in range) throw new Error(`range: ${JSON.stringify(range)}`);
      return range;
    };
    // What the exact scene has is not told by a drive: the unbiased frames' own distance is the tape here.
    const zero = check(1, 0);
    const distance = 1 + zero.bias;
    const none = check(distance, 0);
    expect(Math.abs(none.bias)).toBeLessThan(1e-9);
    expect(none.sigma).toBeLessThan(0.004);
    const { bias } = check(distance, 20);
    // z-depth is 20 mm longer; square to the wall that is 20 mm times the cosine of how the lens looks at it.
    expect(Math.abs(bias - 0.02 * cosineAhead(truth.angles))).toBeLessThan(0.006);
  },
  LONG,
);

/** Cosine between the optical axis and the base's forward direction. */
const cosineAhead = ([yaw, pitch]: readonly [number, number, number]): number =>
  Math.cos(yaw) * Math.cos(pitch);

test("a sensor that is not there, and a tape of no length, are refused by name", () => {
  const { setup } = mountDrive(1, "straight");
  expect(() => new MountEstimator(setup, { sensor: 3 })).toThrow(/sensor 3 is not one of the 1/);
  expect(() => new MountEstimator(setup, { tape: 0 })).toThrow(/a tape of 0 m/);
});
