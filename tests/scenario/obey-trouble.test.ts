import { describe, expect, test } from "vitest";
import { type DriveOptions, drive, type Outcome } from "../../tools/lab/obey/drive.ts";
import type { Reach } from "../../tools/lab/obey/obedience.ts";
import { atEdge, inHall } from "./hall.ts";

/** Metres from the edge to the front of the base at the end; negative beyond it. */
const leftOf = ({ trail }: Outcome): number => {
  const [, x = 0, , yaw = 0] = trail.at(-1)!;
  return -x - 0.22 * Math.cos(yaw) - 0.175 * Math.abs(Math.sin(yaw));
};

const run = (changes: readonly string[], before = 4, options: DriveOptions = {}): Outcome => {
  const knobs = atEdge("noise=yes", ...changes);
  return drive(knobs, { ...options, rig: inHall(knobs, before) });
};

/** A camera that sees the floor as far as it looks: only then does a base get fast. */
const SHARP = ["imu=fused", "noise=no", "lens.width=160", "lens.height=0.5"];

describe("whatever legal settings it has, the base stops before the edge", () => {
  test.each([
    ["2 m/s", ["guard.topSpeed=2", "acceleration=2", "lens.width=240", "lens.height=0.6"], 9],
    ["5 m/s with brakes of 10 m/s2", ["guard.topSpeed=5", "body.deceleration=10", "acceleration=3"], 9],
    ["brakes of 0.3 m/s2", ["body.deceleration=0.3", "acceleration=1"], 8],
    ["brakes of 0.1 m/s2", ["body.deceleration=0.1", "acceleration=1", "seconds=20"], 9],
    ["motors that act after a second", ["body.reactionDelay=1", "acceleration=1", "seconds=14"], 6],
    ["no margin", ["guard.margin=0", "acceleration=1"], 4],
    ["a look of half a metre", ["guard.maxReach=0.5", "acceleration=1", "seconds=14"], 3],
    ["five frames a second", ["lens.rate=5", "acceleration=1"], 4],
  ] as const)("%s", (_, changes, before) => {
    const outcome = run([...SHARP, ...changes], before);
    expect(outcome.fall).toBeNull();
    expect(leftOf(outcome)).toBeGreaterThan(-0.02);
    expect(outcome.way).toBeGreaterThan(0.5);
  });
});

test.each([2.5, 2.8, 3.1, 3.4, 3.7, 4])(
  "the head is killed after %d s: the base stops before the edge",
  (at) => {
    const { fall } = run([...SHARP, "fault=head killed", `fault.at=${at}`, "acceleration=1"]);
    expect(fall).toBeNull();
  },
);

test.each([2.5, 3, 3.5, 4])(
  "the head is stopped for two seconds after %d s: the base stops before the edge",
  (at) => {
    const { fall } = run([...SHARP, "fault=head frozen", `fault.at=${at}`, "acceleration=1", "seconds=12"]);
    expect(fall).toBeNull();
  },
);

test("a head with a quarter of a core lets the base stop before the edge", () => {
  const { fall } = run([
    "fault=head starved",
    "fault.at=1",
    "fault.for=20",
    "head.cost=25",
    "acceleration=1",
  ]);
  expect(fall).toBeNull();
});

/** Seconds from a moment until the head permits no motion any more. */
function stopAfter(
  changes: readonly string[],
  at: number,
): { readonly after: number; readonly outcome: Outcome } {
  let after = Number.POSITIVE_INFINITY;
  const hear = ({ state, pace }: Reach, now: number): void => {
    const since = now / 1e6 - at;
    const isStop = (state !== "clear" && state !== "dark") || pace === null || pace.forward === 0;
    if (since < 0) return;
    if (!isStop) after = Number.POSITIVE_INFINITY;
    else after = Math.min(after, since);
  };
  const outcome = run([...changes, `fault.at=${at}`, "acceleration=1"], 8, { hear });
  return { after, outcome };
}

test("an image that stands still while the base moves is noticed within 0.3 s, and stops it", () => {
  const { after, outcome } = stopAfter([...SHARP, "fault=image frozen"], 2.5);
  expect(after).toBeLessThan(0.3 + 0.1 + 0.05); // a frame's interval, and its way to the base
  expect(outcome.fall).toBeNull();
  expect(leftOf(outcome)).toBeGreaterThan(2);
});

test("an orientation that stands still while the wheels turn is noticed, and stops the base", () => {
  const { outcome } = stopAfter(["fault=orientation stands still", "imu=fused"], 2.5);
  expect(outcome.fall).toBeNull();
});

describe("two cameras", () => {
  const BOTH = [...SHARP, "cameras=front and rear", "seconds=6"];

  test("while both see, what is permitted ahead does not alternate between a stop and full speed", () => {
    const paces: number[] = [];
    run(BOTH, 8, {
      hear: ({ pace }, now) => {
        if (now > 1.5e6) paces.push(pace?.forward ?? 0);
      },
    });
    expect(paces.length).toBeGreaterThan(20);
    const jumps = paces.filter((pace, n) => n > 0 && (pace === 0) !== (paces[n - 1] === 0));
    expect(jumps.length).toBeLessThanOrEqual(1);
  });

  test("the front camera dies: ahead there is no pace 0.14 s after its last frame was due, whatever the rear one sees", () => {
    const { after, outcome } = stopAfter([...BOTH, "fault=front camera dies"], 2.5);
    expect(after).toBeLessThan(0.1 + 0.14 + 0.1);
    expect(outcome.fall).toBeNull();
  });
});

test("there is one answer for each moment: none is looser than the one before it of the same evidence", () => {
  const answers: Reach[] = [];
  run(["seconds=6"], 6, { hear: (reach) => answers.push(reach) });
  for (const [n, reach] of answers.entries()) {
    const before = answers[n - 1];
    if (before === undefined || before.time !== reach.time) continue;
    expect(reach.pace?.forward ?? 0).toBeLessThanOrEqual(before.pace?.forward ?? 0);
  }
  // The room straight ahead and the bearing straight ahead tell of the same ground.
  for (const { pace, distanceMm, range } of answers) {
    if (pace === null || distanceMm.length < 2) continue;
    if (pace.roomMm >= range) expect(distanceMm[0]).toBe(range);
    else expect(pace.roomMm).toBeLessThanOrEqual(distanceMm[0]! - 220 + 150);
  }
});

test("the head restarts while the base stands near an edge: no memory from elsewhere lets it fall", () => {
  const { fall } = run(
    ["fault=head restarts", "fault.at=4", "seconds=14", "wander=random", "acceleration=1"],
    3,
  );
  expect(fall).toBeNull();
});
