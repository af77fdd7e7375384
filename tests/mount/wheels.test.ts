import { expect, test } from "vitest";
import type { LensFrame } from "../../src/mount/lens-path.ts";
import { type PlanarMount, solvePlanar, WheelPath } from "../../src/mount/wheels.ts";
import { seededNormal } from "../helpers/compare.ts";

const YAW = 0.06;
const [X, Y] = [0.18, -0.03];
const RATE = 100;

/** Four legs of a metre and the right angles between them: seconds, m/s, rad/s. */
const LEG: readonly (readonly [seconds: number, speed: number, rate: number])[] = [
  [1, 0, 0],
  [2.5, 0.4, 0],
  [0.8, 0, 0],
  [2, 0, Math.PI / 4],
];
const MOTIONS = [...LEG, ...LEG, ...LEG, ...LEG];

/** What is found when the lens's places have noise (metres); wheels count the first half of the turns by this share too far, the others too short. */
function solved(noise: number, slip: number): PlanarMount {
  const normal = seededNormal(3);
  const wheels = new WheelPath();
  const frames: LensFrame[] = [];
  const places: { x: number; y: number }[] = [];
  let [x, y, heading, time, counted] = [0, 0, 0, 0, 0];
  let [wx, wy] = [0, 0];
  for (const [leg, [seconds, speed, rate]] of MOTIONS.entries()) {
    for (let k = 0; k < seconds * RATE; k++, time++) {
      if (time % 5 === 0) wheels.push((1e6 * time) / RATE, [wx, wy, counted]);
      if (time % 10 === 0) {
        const [c, s] = [Math.cos(heading), Math.sin(heading)];
        places.push({ x: x + c * X - s * Y + noise * normal(), y: y + s * X + c * Y + noise * normal() });
        frames.push({
          time: (1e6 * time) / RATE,
          heading: heading + YAW,
          floor: null,
          stretch: 0,
          isHeld: true,
          pose: { rotation: [0, 0, 0, 1], position: [0, 0, 0.3] },
          doubt: 0,
          wall: null,
        });
      }
      x += (speed * Math.cos(heading)) / RATE;
      y += (speed * Math.sin(heading)) / RATE;
      wx += (speed * Math.cos(counted)) / RATE;
      wy += (speed * Math.sin(counted)) / RATE;
      heading += rate / RATE;
      counted += (rate * (1 + (leg < 8 ? slip : -slip))) / RATE;
    }
  }
  return solvePlanar(frames, places, wheels)!;
}

test("wheels that slip when turning bend neither yaw nor offset", () => {
  const { yaw, x, y } = solved(0, 0.03);
  expect(Math.abs(yaw - YAW)).toBeLessThan(5e-4);
  expect(Math.hypot(x - X, y - Y)).toBeLessThan(1e-3);
});

test("noise of single places hardly counts on legs of a metre, and the doubt covers it", () => {
  const { yaw, yawSigma } = solved(0.002, 0);
  expect(Math.abs(yaw - YAW)).toBeLessThan(3 * yawSigma);
  expect(yawSigma).toBeLessThan(0.003);
});
