import { describe, expect, test } from "vitest";
import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { fromYawPitchRoll, IDENTITY, multiply } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import type { HeadOutput, LensOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { type LensFault, lensFaultText } from "../../src/sense/lens-check.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Random } from "../../src/simulate/random.ts";
import { Scene } from "../../src/simulate/scene.ts";
import { OPTICS, sensorNoise, shoot } from "../guard/frames.ts";
import { box, material } from "../simulate/profiles.ts";

const DEGREE = Math.PI / 180;
/** A lens 0.42 m up that looks 22 degrees down. */
const MOUNT: Pose = { position: [0.15, 0, 0.42], rotation: lensFromAngles(0, 22 * DEGREE, 0) };

/** A room with a table, a box and a low platform to one side. */
const room = new Scene(
  [material(0.4)],
  [
    box([-4, -4, -1], [4, 4, 0]),
    box([3, -4, 0], [3.2, 4, 2.5]),
    box([1.6, 0.6, 0], [2.2, 1.4, 0.75]),
    box([1.2, -1.4, 0], [1.7, -0.6, 0.3]),
    box([-2, 2, 0], [4, 4, 0.15]),
  ],
);
/** A base that stands before a wall: no floor fills the view. */
const atWall = new Scene([material(0.4)], [box([-4, -4, -1], [4, 4, 0]), box([0.75, -4, 0], [0.9, 4, 2.5])]);

/**
 * What a head says in three seconds of a base that stands and turns, when the setup says `optics` and `mount`.
 * @param real the lens as it is
 */
function faults(
  optics: PinholeOptics,
  mount: Pose,
  real: Pose = MOUNT,
  scene: Scene = room,
): readonly LensFault[] {
  const setup = {
    sensors: [{ name: "front", optics, mount: { on: "base", pose: mount } as const }],
    baseFromHead: IDENTITY,
    headFromImu: IDENTITY,
  };
  const head = new Head(setup, resolveSettings({ "pose.source": "odometry" }));
  const random = new Random(5);
  const outputs: HeadOutput[] = [];
  for (let n = 0; n < 30; n++) {
    const time = 1e6 + n * 100_000;
    const yaw = 0.02 * n;
    const [pitch, roll] = [0.01 * random.gauss(), 0.01 * random.gauss()];
    outputs.push(...head.take({ kind: "motion", time, pose: [0, 0, yaw], speed: null }));
    outputs.push(...head.take({ kind: "orientation", time, rotation: fromYawPitchRoll(yaw, pitch, roll) }));
    const base = fromYawPitchRoll(yaw, pitch, roll);
    const lens = { position: real.position, rotation: multiply(base, real.rotation) };
    const shot = shoot(scene, lens, sensorNoise(n + 1));
    outputs.push(...head.take({ kind: "depth", time, sensor: 0, sequence: n, ...shot }));
  }
  return outputs.filter((one): one is LensOutput => one.kind === "lens").map(({ fault }) => fault);
}

describe("the setup of a lens is checked against the floor in its view", () => {
  test("a right one is not doubted, in a room, before a wall, and two degrees off", () => {
    expect(faults(OPTICS, MOUNT)).toEqual([]);
    expect(faults(OPTICS, MOUNT, MOUNT, atWall)).toEqual([]);
    expect(faults(OPTICS, { ...MOUNT, rotation: lensFromAngles(0, 24 * DEGREE, 0) })).toEqual([]);
  });

  test.each([0.1, 0.5, 2, 10])("a depth unit of %s times the true one is named", (times) => {
    const [fault, ...more] = faults({ ...OPTICS, unit: 0.001 * times }, MOUNT);
    expect(more).toEqual([]);
    expect(fault).toMatchObject({ what: "unit" });
    expect((fault as LensFault & { what: "unit" }).ratio * times).toBeCloseTo(1, 1);
    expect(lensFaultText(fault!, "front")).toContain(`${1 / times} times optics.unit`);
  });

  test.each([0.5, 2])("a focal length of %s times the true one is named", (times) => {
    const [fault, ...more] = faults({ ...OPTICS, fx: OPTICS.fx * times, fy: OPTICS.fy * times }, MOUNT);
    expect(more).toEqual([]);
    expect(fault).toMatchObject({ what: "focal" });
    expect((fault as LensFault & { what: "focal" }).ratio * times).toBeCloseTo(1, 0.7);
  });

  test.each([90, 180, 270])("a camera that is turned by %s degrees is named", (degrees) => {
    const real = {
      ...MOUNT,
      rotation: multiply(MOUNT.rotation, [
        0,
        0,
        Math.sin((degrees / 2) * DEGREE),
        Math.cos((degrees / 2) * DEGREE),
      ]),
    };
    expect(faults(OPTICS, MOUNT, real)).toEqual([{ what: "turned", degrees }]);
  });

  test("a head that sags by 25 degrees is named, with its angle", () => {
    const real = { ...MOUNT, rotation: lensFromAngles(0, 47 * DEGREE, 0) };
    const [fault] = faults(OPTICS, MOUNT, real);
    expect(fault).toMatchObject({ what: "tilted" });
    const { lower, rolled } = fault as LensFault & { what: "tilted" };
    expect(Math.abs(lower - 25)).toBeLessThan(2);
    expect(Math.abs(rolled)).toBeLessThan(2);
  });

  test("a lens that is 10 cm lower than in the mount is reported, with its height", () => {
    const [fault] = faults(OPTICS, { ...MOUNT, position: [0.15, 0, 0.52] });
    expect(fault).toMatchObject({ what: "height" });
    const { metres, expected } = fault as LensFault & { what: "height" };
    expect(metres).toBeCloseTo(0.42, 1.5);
    expect(expected).toBeCloseTo(0.52, 1.5);
  });
});
