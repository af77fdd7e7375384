import { describe, expect, test } from "vitest";
import type { Pose } from "../../src/geometry/optics.ts";
import { compose, fromYawPitchRoll, IDENTITY, toYawPitchRoll } from "../../src/geometry/rigid.ts";
import { absoluteTrajectoryError, relativePoseError } from "../../src/geometry/trajectory.ts";
import { degrees, expectClose } from "../helpers/compare.ts";
import { TRAJECTORY_ERRORS } from "../reference/values.ts";

const at = (x: number, y: number, z = 0): Pose => ({ rotation: IDENTITY.rotation, position: [x, y, z] });

/** The drifting run: ten steps of 1.00 m, estimated as 1.02 m and half a degree each. */
function drifting(): { truth: Pose[]; estimate: Pose[] } {
  const truth = [IDENTITY];
  const estimate = [IDENTITY];
  const step: Pose = { rotation: fromYawPitchRoll(degrees(0.5), 0, 0), position: [1.02, 0, 0] };
  for (let i = 0; i < 10; i++) {
    truth.push(compose(truth[i]!, at(1, 0)));
    estimate.push(compose(estimate[i]!, step));
  }
  return { truth, estimate };
}

describe("absolute trajectory error (Sturm et al. 2012)", () => {
  const truth = [at(0, 0), at(1, 0), at(2, 0), at(3, 0)];

  test("a zigzag of 0.1 m, before and after alignment", () => {
    const zigzag = [at(0, 0.1), at(1, -0.1), at(2, 0.1), at(3, -0.1)];
    expectClose([absoluteTrajectoryError(truth, zigzag, "none").rmse], [0.1], 1e-9);
    const { rmse, alignment, count } = absoluteTrajectoryError(truth, zigzag);
    expect(count).toBe(4);
    expectClose(
      [rmse, toYawPitchRoll(alignment.rotation)[0]],
      [TRAJECTORY_ERRORS.zigzag, TRAJECTORY_ERRORS.zigzagYaw],
      1e-9,
    );
  });

  test("a constant offset is no error once aligned", () => {
    const shifted = truth.map(({ position: [x, y, z] }) => at(x + 0.5, y - 0.3, z + 0.2));
    expect(absoluteTrajectoryError(truth, shifted).max).toBeLessThan(1e-9);
    expectClose([absoluteTrajectoryError(truth, shifted, "none").median], [Math.hypot(0.5, 0.3, 0.2)], 1e-12);
  });

  test("a run that drifts", () => {
    const { truth, estimate } = drifting();
    expectClose([absoluteTrajectoryError(truth, estimate).rmse], [TRAJECTORY_ERRORS.drift], 1e-6);
  });

  test("lists that do not pair up are refused", () => {
    expect(() => absoluteTrajectoryError(truth, truth.slice(1))).toThrow(/4 true poses, 3 estimated/);
    expect(() => absoluteTrajectoryError([], [])).toThrow(RangeError);
  });
});

describe("relative pose error (Sturm et al. 2012)", () => {
  test("each step of the drifting run is 0.02 m and half a degree off", () => {
    const { truth, estimate } = drifting();
    const { translation, rotation } = relativePoseError(truth, estimate, 1);
    expectClose([translation.rmse, translation.max, rotation.rmse], [0.02, 0.02, degrees(0.5)], 1e-9);
    expect(rotation.count).toBe(10);
    expectClose([relativePoseError(truth, estimate, 10).rotation.rmse], [degrees(5)], 1e-9);
  });

  test("a step longer than the run is refused", () => {
    const { truth, estimate } = drifting();
    expect(() => relativePoseError(truth, estimate, 11)).toThrow(/1 to 10/);
    expect(() => relativePoseError(truth, estimate, 0)).toThrow(RangeError);
  });
});
