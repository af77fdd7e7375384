import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { gunzipSync } from "node:zlib";
import { expect } from "vitest";
import type { Quat, Vec3 } from "../../src/geometry/optics.ts";
import { conjugate, multiply } from "../../src/geometry/rigid.ts";
import { AttitudeFilter, levelFromGravity } from "../../src/sense/attitude.ts";
import { sharedData, testWith } from "../helpers/needs.ts";

// Laidig, Caruso, Cereatti & Seel 2021, Data 6(7):72 (CC BY 4.0): a hand-moved inertial sensor with an optical reference.
// The error is split as its authors do: error = estimate * reference^-1 = a turn about the vertical (heading) and the
// remaining tilt (inclination), over the rows that are marked as movement and have a reference. Columns: t, gyro (rad/s),
// accelerometer (m/s^2), magnetometer (not used), reference quaternion w x y z (world from sensor, z up), position, movement.

interface Score {
  readonly rows: number;
  readonly tilt: number;
  readonly heading: number;
  /** Tilt of the accelerometer alone, for comparison. */
  readonly rawTilt: number;
}

const inclination = (error: Quat) => 2 * Math.acos(Math.min(1, Math.hypot(error[2], error[3])));

function score(csv: string): Score {
  const filter = new AttitudeFilter();
  let rows = 0;
  let tilt = 0;
  let heading = 0;
  let rawTilt = 0;
  let start = Number.NaN;
  for (const line of csv.split("\n").slice(1)) {
    if (line === "") continue;
    const cells = line.split(",");
    const at = (column: number) => Number(cells[column]);
    const force: Vec3 = [at(4), at(5), at(6)];
    filter.push(Math.round(1e6 * at(0)), [at(1), at(2), at(3)], force);
    if (cells[17] !== "1" || cells[10] === "") continue;
    const toReference = conjugate([at(11), at(12), at(13), at(10)]);
    const error = multiply(filter.rotation, toReference);
    // Without a magnetometer only changes of heading are known, so the heading at the start of movement is subtracted.
    const turned = 2 * Math.atan2(error[2], error[3]);
    if (rows === 0) start = turned;
    const off = turned - start;
    heading += (off - 2 * Math.PI * Math.round(off / (2 * Math.PI))) ** 2;
    tilt += inclination(error) ** 2;
    rawTilt += inclination(multiply(levelFromGravity(force), toReference)) ** 2;
    rows++;
  }
  const rmse = (sum: number) => (Math.sqrt(sum / rows) * 180) / Math.PI;
  return { rows, tilt: rmse(tilt), heading: rmse(heading), rawTilt: rmse(rawTilt) };
}

testWith("open-data", "raw inertial samples become an attitude that agrees with motion capture", () => {
  const folder = join(sharedData()!, "imu-mocap");
  const trials = readdirSync(folder).filter((name) => name.endsWith(".csv.gz"));
  expect(trials.length).toBeGreaterThan(0);
  const scores = trials.map((name) => score(gunzipSync(readFileSync(join(folder, name))).toString()));
  const mean = scores.reduce((sum, { tilt }) => sum + tilt, 0) / scores.length;
  console.log(
    [
      "attitude against motion capture, one setting for all trials; RMSE in degrees, heading from the start of movement",
      "  tilt  heading  accelerometer's tilt   rows  trial",
      ...scores.map(
        ({ rows, tilt, heading, rawTilt }, i) =>
          `${tilt.toFixed(2).padStart(6)} ${heading.toFixed(2).padStart(8)} ${rawTilt.toFixed(2).padStart(21)} ${String(rows).padStart(6)}  ${trials[i]}`,
      ),
      `${mean.toFixed(2).padStart(6)}  mean`,
    ].join("\n"),
  );
  trials.forEach((name, i) => {
    const { rows, tilt, heading, rawTilt } = scores[i]!;
    expect(rows, name).toBeGreaterThan(10_000);
    // 2 degrees of tilt lift the floor 0.4 m ahead by 14 mm, about a door threshold. Slow trials move like a wheeled
    // robot; their bound is 1 degree.
    expect(tilt, name).toBeLessThan(name.includes("slow") ? 1 : 2);
    // The filter must be at least twice as good as the accelerometer alone.
    expect(tilt, name).toBeLessThan(rawTilt / 2);
    // Two minutes of movement: 2 degrees are 1 deg/min in slow motion. The bound for fast motion is what was measured, rounded up.
    expect(heading, name).toBeLessThan(name.includes("slow") ? 2 : 15);
  });
  expect(mean).toBeLessThan(1);
});
