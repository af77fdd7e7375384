import { expect, test } from "vitest";
import { parseFootprint } from "../../src/guard/body.ts";
import { Base, type BaseBuild, wheelsOf } from "../../tools/lab/obey/base.ts";
import { drive, type Outcome } from "../../tools/lab/obey/drive.ts";
import { argumentsOf, DEFAULT_KNOBS, drawKnobs, type Knobs, turned } from "../../tools/lab/obey/knobs.ts";
import { driveLive } from "../../tools/lab/obey/live.ts";
import { simplify } from "../../tools/lab/obey/simpler.ts";
import { testWith } from "../helpers/needs.ts";
import { atEdge, HALL, inHall } from "./hall.ts";

const BUILD: BaseBuild = {
  footprint: parseFootprint("0.22,0.175 0.22,-0.175 -0.2,-0.175 -0.2,0.175"),
  height: 0.6,
  wheelRadius: 0.06,
  climbableStep: 0.015,
  tolerableDrop: 0.015,
  acceleration: 0.5,
  deceleration: 0.7,
  scale: 0,
  turnScale: 0,
  slip: 0,
  dip: 0,
};

/** Goes straight at a speed until it falls, for ten seconds at most. */
function driveBlindly(from: number, yaw: number, speed: number): Base {
  const base = new Base(BUILD, HALL, { at: { x: from, y: 0, yaw }, slippery: [], seed: 1 });
  for (let n = 0; n < 2000 && base.fall === null; n++) base.step({ curvature: 0, speed }, n / 200, 1 / 200);
  return base;
}

test("a base that obeys no pace falls where its front wheels pass the edge", () => {
  const { fall, contacts } = driveBlindly(-2, 0, 0.5);
  expect(contacts).toEqual([]);
  expect(fall!.x).toBeCloseTo(0, 2);
  expect(fall!.drop).toBeCloseTo(0.3, 6);
  // 0.5 m/s2 up to 0.5 m/s takes 1 s and 0.25 m.
  const way = 2 - wheelsOf(BUILD.footprint)[0]![0];
  expect(fall!.time).toBeCloseTo(1 + (way - 0.25) / 0.5, 1);
});

test("a base that obeys no pace is stopped by a wall, and the contact is reported", () => {
  const base = driveBlindly(-8, Math.PI / 2, 0.5);
  expect(base.fall).toBeNull();
  expect(base.contacts).toHaveLength(1);
  expect(base.contacts[0]!.speed).toBeCloseTo(0.5, 2);
  expect(base.y).toBeCloseTo(2 - 0.22, 1);
});

test("a base brakes as it declared and no better: 1 m/s takes 0.71 m at 0.7 m/s2", () => {
  const base = new Base(BUILD, HALL, { at: { x: -12, y: 0, yaw: 0 }, slippery: [], seed: 1 });
  let tick = 0;
  const goOn = (speed: number) => base.step({ curvature: 0, speed }, tick++ / 200, 1 / 200);
  while (base.speed < 1) goOn(1);
  const from = base.x;
  while (base.speed > 0) goOn(0);
  // v^2 / 2a = 1 / 1.4.
  expect(base.x - from).toBeCloseTo(1 / 1.4, 2);
});

test("the same knobs give the same drive, and the arguments that are printed give the same knobs", () => {
  const knobs: Knobs = { ...drawKnobs(5), seconds: 2, cameras: "front", "lens.width": 80, "lens.rate": 8 };
  const [a, b] = [drive(knobs), drive(knobs)];
  expect(a.frames).toBeGreaterThan(8);
  expect(b.trail).toEqual(a.trail);
  const texts = argumentsOf(knobs)
    .split(/ ?-k /)
    .slice(1)
    .map((text) => text.replaceAll("'", ""));
  expect(turned(DEFAULT_KNOBS, texts)).toEqual(knobs);
});

testWith(
  "compiler",
  "the board's compiled code holds back a driver that wants three times the pace, and stops when the head is killed",
  () => {
    const changes = ["obeys=board", "fault=head killed", "fault.at=3", "seconds=5", "wander=straight"];
    const knobs = turned(DEFAULT_KNOBS, changes);
    const speeds: number[] = [];
    let most = 0;
    const outcome = drive(knobs, {
      hear: ({ pace }) => {
        most = Math.max(most, pace?.forward ?? 0);
      },
      watch: ({ base }) => speeds.push(base.speed),
    });
    expect(Math.max(...speeds)).toBeGreaterThan(0.1);
    expect(Math.max(...speeds)).toBeLessThanOrEqual(most + 0.001);
    expect(speeds.at(-1)).toBe(0);
    expect(outcome.fall).toBeNull();
    expect(drive(knobs).trail).toEqual(outcome.trail);
  },
);

test("a fall is simplified: irrelevant knobs return to their defaults, the rest half way", () => {
  // A head with one fault: above 1.5 m/s it is wrong, if a second camera looks on.
  const fall = { time: 3, x: 0, y: 0, speed: 1, drop: 0.3 };
  const trail = [0, 1, 2, 2.9].map((time) => [time, time - 3, 0, 0, 1, 0]);
  const rest = { contacts: [], time: 3, way: 3, frames: 30, headCost: 0, cost: 0, last: "", trail };
  const wrong = (knobs: Knobs): Outcome => ({
    ...rest,
    fall: Number(knobs["guard.topSpeed"]) > 1.5 && knobs.cameras !== "front" ? fall : null,
  });
  const knobs: Knobs = { ...drawKnobs(11), "guard.topSpeed": 4, cameras: "front and rear" };
  const simpler = simplify(knobs, wrong(knobs), wrong);
  expect(simpler.outcome.fall).not.toBeNull();
  const { "guard.topSpeed": speed, cameras, seconds, wander, place } = simpler.knobs;
  expect(cameras).toBe("front and rear");
  expect(speed).toBeGreaterThan(1.5);
  expect(speed).toBeLessThan(2.6); // 4, half way to 1 is 2.5, half way again is 1.75
  expect(seconds).toBeCloseTo(3.3, 6);
  expect([wander, place]).toEqual(["straight", "-1.000,0.000,0.000"]);
  const turnedStill = ["home", "start", "seed"];
  const words = argumentsOf(simpler.knobs).match(/(?<=-k '?)[\w.]+(?==)/g)!;
  const needed = ["guard.topSpeed", "cameras", "seconds", "place", ...turnedStill];
  expect(words.filter((name) => !needed.includes(name))).toEqual([]);
});

// A cheap inertial sensor leans, so the map's floor rises or falls along the way: its noise must not become obstacles.
test("with the shipped settings the base drives up to an edge, stops before it, and stops nowhere on the way", () => {
  for (let seed = 1; seed <= 10; seed++) {
    const knobs = atEdge("noise=yes", `seed=${seed}`);
    const { fall, way, contacts } = drive(knobs, { rig: inHall(knobs) });
    expect(fall).toBeNull();
    expect(contacts).toEqual([]);
    expect(way, `seed ${seed}`).toBeGreaterThan(3.5);
  }
});

// The first numbers as they come: `npm run lab -- obey` drives thousands. One small camera, to cost seconds.
test.each([1, 2, 3, 4, 5, 6])(
  "drive %d: legal settings at random, in a generated home, end in no fall",
  (number) => {
    const knobs: Knobs = {
      ...drawKnobs(number),
      seconds: 7,
      cameras: "front",
      "lens.width": 80,
      "lens.rate": 6,
    };
    const { fall } = drive(knobs);
    expect(fall, argumentsOf(knobs)).toBeNull();
  },
);

// Before a pit that returns little light, tracking takes the slip of a turn on a rug for a carry.
test("drive 5133: nobody vouches for the ground of a pit when depth and wheels contradict each other", () => {
  const knobs = drawKnobs(5133);
  const { fall } = drive(knobs);
  expect(fall, argumentsOf(knobs)).toBeNull();
});

// A floor 4 cm lower to the left, seen by a lens with few pixels that looks far, lies about a plane that rolls by 1.7 degrees.
test("drive 9026: a lower floor to one side is no roll of the chassis", () => {
  const knobs = drawKnobs(9026);
  const { fall, way } = drive(knobs);
  expect(fall, argumentsOf(knobs)).toBeNull();
  expect(way).toBeGreaterThan(0.5);
});

// On a machine that is loaded by others a head may be late all the while: then its base does not move, and nothing is shown.
test("over the socket, in real time, the base drives up to an edge and stops before it", {
  retry: 2,
}, async () => {
  const knobs = atEdge("imu=fused", "guard.topSpeed=0.6", "lens.rate=5", "lens.width=80", "seconds=12");
  const { fall, way } = await driveLive(knobs, { rig: inHall(knobs, 2) });
  expect(fall).toBeNull();
  expect(way).toBeGreaterThan(1);
});
