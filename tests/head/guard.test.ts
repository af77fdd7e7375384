import { describe, expect, test } from "vitest";
import { fromYawPitchRoll, IDENTITY } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import type { HeadOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import type { HeadEvent, Setup } from "../../src/sense/events.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Scene } from "../../src/simulate/scene.ts";
import { END, END_NAMES } from "../../src/terms/safety.ts";
import { OPTICS, sensorNoise, shoot } from "../guard/frames.ts";
import { box, material } from "../simulate/profiles.ts";

const PITCH = 0.5;
const HEIGHT = 0.3;
const LENS_X = 0.15;

/** A camera at the base's front edge, 0.3 m up, that looks down by half a radian. */
const setup: Setup = {
  sensors: [
    {
      name: "front",
      optics: OPTICS,
      mount: { on: "base", pose: { position: [LENS_X, 0, HEIGHT], rotation: lensFromAngles(0, PITCH, 0) } },
    },
  ],
  baseFromHead: IDENTITY,
  headFromImu: IDENTITY,
};

/** Floor up to x = 1, then 150 mm lower; a post at the left. */
const platform = new Scene(
  [material(0.4)],
  [box([-5, -5, -1], [1, 5, 0]), box([1, -5, -1], [5, 5, -0.15]), box([0.9, 0.6, 0], [0.95, 0.65, 1])],
);

/** A base on its way along x: its events, and the frames that its head sees. */
class Ride {
  readonly head: Head;
  readonly outputs: HeadOutput[] = [];
  time = 1_000_000;
  sequence = 0;
  constructor(more: Record<string, unknown> = {}) {
    this.head = new Head(setup, resolveSettings({ "pose.source": "odometry", ...more }));
  }
  give(event: HeadEvent): HeadOutput[] {
    const out = [...this.head.take(event)];
    this.outputs.push(...out);
    return out;
  }
  /** One frame at x, 0.1 s after the one before; `counts` changes it. */
  frame(x: number, scene = platform, change: (counts: Uint16Array) => void = () => {}): HeadOutput[] {
    this.time += 100_000;
    const { time } = this;
    const pose = { position: [x + LENS_X, 0, HEIGHT], rotation: lensFromAngles(0, PITCH, 0) } as const;
    const shot = shoot(scene, pose, sensorNoise(this.sequence + 1));
    change(shot.counts);
    this.give({ kind: "motion", time, pose: [x, 0, 0], speed: null });
    this.give({ kind: "orientation", time, rotation: fromYawPitchRoll(0, 0, 0) });
    return this.give({ kind: "depth", time, sensor: 0, sequence: this.sequence++, ...shot });
  }
}
const last = <K extends HeadOutput["kind"]>(outputs: readonly HeadOutput[], kind: K) =>
  outputs.findLast((output): output is Extract<HeadOutput, { kind: K }> => output.kind === kind)!;
const blank = (counts: Uint16Array): void => {
  counts.fill(0);
};
const hand = (counts: Uint16Array): void => {
  counts.fill(110);
};

describe("a frame", () => {
  test("outputs come in order: glance, reach and pace, map", () => {
    const ride = new Ride();
    expect(ride.frame(0).map(({ kind }) => kind)).toEqual(["glance", "reach", "frame"]);
  });

  test("without any position there is a glance all the same, at once", () => {
    const ride = new Ride();
    const shot = shoot(
      platform,
      { position: [LENS_X, 0, HEIGHT], rotation: lensFromAngles(0, PITCH, 0) },
      sensorNoise(1),
    );
    const out = ride.give({ kind: "depth", time: 5, sensor: 0, sequence: 0, ...shot });
    expect(out.map(({ kind }) => kind)).toContain("glance");
    const { x, y, ends } = last(out, "glance");
    const ahead = x.filter((_, n) => Math.abs(y[n]!) < 0.15);
    for (const end of ahead) expect(Math.abs(end - 1)).toBeLessThan(0.03);
    expect(ends.filter((end) => end === END.brink).length).toBeGreaterThan(10);
  });

  test("reach shows the edge ahead, the post, and nothing known behind; brinks lie on the edge, 150 mm deep", () => {
    const ride = new Ride();
    for (let n = 0; n < 12; n++) ride.frame(0.02 * n);
    const { distance, ends, ages, brinks, pace } = last(ride.outputs, "reach");
    expect(END_NAMES[ends[0]!]).toBe("brink");
    // The base's floor point is 0.22 m on; the last firm cell ends at most two cells before the edge.
    expect(distance[0]).toBeGreaterThan(1 - 0.22 - 0.1);
    expect(distance[0]).toBeLessThan(1 - 0.22 + 0.03);
    expect(ages[0]).toBeLessThan(0.2);
    expect(END_NAMES[ends[60]!]).toBe("unseen");
    expect(distance[60]).toBeLessThan(0.6);
    const points = brinks.flatMap((brink) => brink.points);
    expect(points.length).toBeGreaterThan(5);
    for (const [x] of points) expect(Math.abs(x - 1)).toBeLessThan(0.04);
    for (const { drop } of brinks) expect(Math.abs(drop - 0.15)).toBeLessThan(0.02);
    expect(pace.limit?.cause).toBe(END.brink);
    expect(pace.forward).toBeGreaterThan(0.2);
    // Never seen, but for a hand's breadth around the start.
    const first = ride.outputs.find((output) => output.kind === "reach");
    expect(first?.kind === "reach" && first.pace.backward).toBeLessThan(0.15);
  });
});

describe("what is behind", () => {
  test("a drop passed by and out of view stops the way back to it, from memory alone", () => {
    const ride = new Ride();
    for (let n = 0; n < 20; n++) ride.frame(0.03 * n); // up to 0.57, front edge at 0.79
    const before = last(ride.outputs, "reach");
    expect(before.pace.forward).toBeLessThan(0.3);
    // Turned round on the spot (the reference says so), the drop lies behind.
    const { head } = ride;
    const { pace, distance, ends } = {
      pace: head.paceAt(0.57, 0, Math.PI),
      ...head.reachAt(0.57, 0, Math.PI),
    };
    expect(ends[60]).toBe(END.brink);
    expect(distance[60]).toBeLessThan(0.45);
    expect(pace.backward).toBeLessThan(0.3);
    // And forward, where it came from, it may go as far as it has seen.
    expect(pace.forward).toBeGreaterThan(0.2);
  });

  test("an edge that only a curve reaches limits the curve and not the straight", () => {
    const side = new Scene(
      [material(0.4)],
      [box([-5, -0.45, -1], [5, 5, 0]), box([-5, -5, -2], [5, -0.45, -1.5])],
    );
    const ride = new Ride();
    for (let n = 0; n < 20; n++) ride.frame(0.03 * n, side);
    const { pace } = last(ride.outputs, "reach");
    expect(pace.forward).toBeGreaterThan(0.5);
    expect(pace.arcsForward[0]).toBeLessThan(0.6 * pace.forward); // 2 / m to the right
    expect(pace.arcsForward[6]).toBeGreaterThan(pace.arcsForward[0]!);
  });
});

describe("a head that sees nothing", () => {
  test.each([
    ["blind", blank],
    ["covered", hand],
  ] as const)("%s: it says so, and the pace is 0 at once", (name, change) => {
    const ride = new Ride();
    for (let n = 0; n < 6; n++) ride.frame(0);
    expect(last(ride.outputs, "reach").pace.forward).toBeGreaterThan(0.3);
    for (let n = 0; n < 6; n++) {
      const out = ride.frame(0, platform, change);
      expect(last(out, "glance").sight).toBe(name);
      const { sight, pace, ends, distance } = last(out, "reach");
      expect([sight, pace.forward, pace.backward, pace.left, pace.right]).toEqual([name, 0, 0, 0, 0]);
      expect([END_NAMES[ends[0]!], distance[0], pace.limit?.cause]).toEqual(["blind", 0, END.blind]);
    }
    expect(last(ride.frame(0), "reach").pace.forward).toBeGreaterThan(0.2);
  });

  test("no frames at all: the next event of any kind brings a pace of 0, once", () => {
    const ride = new Ride();
    for (let n = 0; n < 6; n++) ride.frame(0);
    const late: HeadOutput[] = [];
    for (let n = 1; n <= 10; n++) {
      late.push(
        ...ride.give({ kind: "motion", time: ride.time + n * 100_000, pose: [0, 0, 0], speed: null }),
      );
    }
    expect(late).toHaveLength(1);
    expect(late[0]).toMatchObject({
      kind: "reach",
      sight: "late",
      pace: { forward: 0, backward: 0, left: 0, right: 0 },
    });
    // At ten frames a second a sensor is late after one and a half of its intervals.
    expect(last(late, "reach").age).toBeGreaterThan(0.15);
    expect(last(late, "reach").age).toBeLessThan(0.25);
  });
});

describe("findings", () => {
  const ask = (ride: Ride, point: [number, number], alarm = true) =>
    last(ride.give({ kind: "floorcheck", time: ride.time + 1000, point, alarm }), "finding");

  test("an alarm over floor that was seen is denied, one over the drop is borne out, one behind cannot be seen", () => {
    const ride = new Ride();
    for (let n = 0; n < 15; n++) ride.frame(0.02 * n); // ends at x = 0.28
    const floor = ask(ride, [0.35, 0.05]);
    expect(floor).toMatchObject({ verdict: "disagrees", alarm: true, evidence: { footing: "firm" } });
    expect(floor.age).toBeGreaterThanOrEqual(0);
    expect(floor.age).toBeLessThan(2);
    expect(floor.evidence.far).toBeLessThan(1.2);
    expect(ask(ride, [0.76, 0])).toMatchObject({ verdict: "agrees" });
    expect(ask(ride, [-0.9, 0])).toMatchObject({ verdict: "cannot see", age: Number.POSITIVE_INFINITY });
    expect(ask(ride, [0.35, 0.05], false).verdict).toBe("agrees");
  });

  test("before any position is known nothing can be said", () => {
    expect(ask(new Ride(), [0.3, 0]).verdict).toBe("cannot see");
  });
});

describe("knocks", () => {
  const open = new Scene([material(0.4)], [box([-5, -5, -1], [5, 5, 0])]);
  test("a bump is in the way at once; its bounces are one knock; floor seen there later clears it", () => {
    const ride = new Ride();
    for (let n = 0; n < 6; n++) ride.frame(0, open);
    expect(last(ride.outputs, "reach").pace.forward).toBeGreaterThan(0.5);
    const bump = (after: number) =>
      ride.give({ kind: "knock", time: ride.time + after, point: [0.22, 0.03, 0.06] });
    const out = bump(1000);
    expect(last(out, "knock").isRepeat).toBe(false);
    expect(last(out, "reach").pace).toMatchObject({ forward: 0, limit: { cause: END.obstacle } });
    for (const after of [30_000, 400_000, 1_300_000]) expect(last(bump(after), "knock").isRepeat).toBe(true);
    expect(last(bump(2_400_000), "knock").isRepeat).toBe(false);
    // Back off: the place comes into view, and nothing stands there.
    ride.time += 2_500_000;
    for (let n = 0; n < 12; n++) ride.frame(-0.02 * n, open);
    for (let n = 0; n < 12; n++) ride.frame(-0.25, open);
    expect(last(ride.outputs, "reach").pace.forward).toBeGreaterThan(0.5);
  });
});

describe("waivers", () => {
  const ask = (ride: Ride, seconds: number, reason = "crossing the lip of the lift") =>
    ride.give({ kind: "waiver", time: ride.time, direction: "forward", seconds, reason });

  test("is shown with its time left, changes no number, and ends by itself", () => {
    const ride = new Ride();
    for (let n = 0; n < 3; n++) ride.frame(0);
    const before = last(ride.outputs, "reach").pace.forward;
    expect(last(ask(ride, 0.35), "waiver")).toMatchObject({ state: "begun", seconds: 0.35 });
    const during = last(ride.frame(0), "reach");
    expect(during.waiver).toMatchObject({ direction: "forward", reason: "crossing the lip of the lift" });
    expect(during.waiver!.left).toBeCloseTo(0.25, 6);
    expect(Math.abs(during.pace.forward - before)).toBeLessThan(0.1);
    for (let n = 0; n < 3; n++) ride.frame(0);
    expect(last(ride.outputs, "waiver").state).toBe("expired");
    expect(last(ride.outputs, "reach").waiver).toBeNull();
  });

  test("is cut to the longest allowed, refused without a reason, and can be taken back", () => {
    const ride = new Ride();
    expect(last(ask(ride, 1000), "waiver")).toMatchObject({ state: "begun", seconds: 5 });
    expect(last(ask(ride, 0), "waiver").state).toBe("withdrawn");
    expect(last(ask(ride, 2, "  "), "waiver").state).toBe("refused");
    expect(last(ask(ride, Number.NaN), "waiver").state).toBe("refused");
  });
});

test("the same events give the same outputs", () => {
  const run = () => {
    const ride = new Ride();
    for (let n = 0; n < 8; n++) ride.frame(0.04 * n);
    return JSON.stringify(ride.outputs);
  };
  expect(run()).toBe(run());
});
