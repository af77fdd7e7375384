import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { openGlanceFrame } from "../../src/guard/glance-frame.ts";
import { Guard } from "../../src/guard/guard.ts";
import { parseSlowZones } from "../../src/guard/slow-zones.ts";
import { poseAfter } from "../../src/guard/sweep.ts";
import { resolveSettings, SettingError } from "../../src/head/settings.ts";
import { CURVATURES, END, STRAIGHT } from "../../src/terms/safety.ts";
import { seeded } from "../helpers/recordings.ts";
import { Adversary, silent } from "./adversary.ts";
import { guardSettingsFor } from "./settings.ts";

const CELL = 0.05;

describe("slow zones", () => {
  test("are read with names and speeds, or get numbers", () => {
    const zones = parseSlowZones("kiln: hot side: 0.3 m/s: 1,2 2,2 2,3; 0.15m/s: 4,0 5,0 5,1;");
    expect(zones.map(({ name, speed }) => [name, speed])).toEqual([
      ["kiln: hot side", 0.3],
      ["zone 2", 0.15],
    ]);
    expect(zones[0]!.outline[2]).toEqual([2, 3]);
  });

  test.each([
    [
      "guard.slowIn",
      "aisle: 1,2 2,2 2,3",
      /"aisle" needs a speed from 0.05 to 10 m\/s before its corners: write/,
    ],
    ["guard.slowIn", "aisle: 0 m/s: 1,2 2,2 2,3", /"aisle" needs a speed/],
    ["guard.slowIn", "aisle: 0.3 m/s: 1,2 2,2", /"aisle" has 2 corners/],
    ["guard.slowIn", "aisle: 0.3 m/s: 0,0 2,2 2,0 0,2", /two sides of "aisle" cross/],
    ["guard.keepOut", "aisle: 0.3 m/s: 1,2 2,2 2,3", /has a speed: slow zones belong in guard.slowIn/],
  ])("%s = %s is refused, with what to write", (name, text, message) => {
    const set = () => resolveSettings({ [name]: text });
    expect(set).toThrow(SettingError);
    expect(set).toThrow(message);
  });
});

/** A guard on firm ground all round, to 3 m. */
function onFirmGround(settings: Parameters<typeof guardSettingsFor>[0]): Guard {
  const guard = new Guard(guardSettingsFor(settings));
  for (let x = -3; x < 3; x += CELL) for (let y = -3; y < 3; y += CELL) guard.footing.trust(x, y, 0, 0);
  return guard;
}

test("the limit names the zone and where it begins; inside it the pace is that of the zone, in every direction", () => {
  const guard = onFirmGround({ slowIn: parseSlowZones("aisle: 0.2 m/s: 0.8,-1 2,-1 2,1 0.8,1") });
  const at = (x: number, time: number) => {
    guard.watch("camera", silent, time);
    guard.remember("camera", silent, time, { x, y: 0, yaw: 0, floor: 0 });
    return guard.answer({ x, y: 0, yaw: 0 }, time).pace;
  };
  const before = at(0, 1e6);
  expect(before.forward).toBeGreaterThan(0.2);
  // The front is at 0.2 m.
  expect(before.limit).toMatchObject({ cause: END.slowZone, area: "aisle" });
  expect(before.limit!.distance).toBeGreaterThan(0.6 - 0.13);
  expect(before.limit!.distance).toBeLessThanOrEqual(0.6);
  expect(before.arcsBackward[STRAIGHT]).toBeGreaterThan(before.forward);
  for (const x of [0.4, 0.8]) at(x, 1e6 + 5e6 * x);
  const inside = at(1.2, 9e6);
  for (const speed of [...inside.arcsForward, ...inside.arcsBackward]) expect(speed).toBeLessThanOrEqual(0.2);
  expect(inside.forward).toBe(0.2);
  // The farthest corner is 0.25 m away, and 2 cm aside.
  expect(inside.left).toBeLessThanOrEqual(0.2 / 0.25);
  expect(inside.limit).toMatchObject({ cause: END.slowZone, area: "aisle", distance: 0 });
});

test("a zone in which the base was holds when its place is lost, whatever is asked or set meanwhile, until the zone is removed", () => {
  const guard = onFirmGround({ slowIn: parseSlowZones("aisle: 0.2 m/s: -1,-1 0.5,-1 0.5,1 -1,1") });
  const here = { x: 0, y: 0, yaw: 0 };
  guard.watch("camera", silent, 1e6);
  guard.remember("camera", silent, 1e6, { ...here, floor: 0 });
  expect(guard.answer(here, 1e6).pace.forward).toBeLessThanOrEqual(0.2);
  // Another place, outside.
  expect(guard.pace(1.5, 0, 0).forward).toBeGreaterThan(0.2);
  // One frame alone sees floor up to 3 m straight ahead.
  const frame = openGlanceFrame(1, 0);
  frame.sight = "clear";
  frame.nearX[0] = 0.3;
  frame.endX[0] = frame.farX[0] = 3;
  frame.kind[0] = END.unseen;
  const alone = (slowIn: string) => {
    const changed = new Guard({ ...guard.settings, slowIn: parseSlowZones(slowIn) }, guard);
    changed.watch("camera", frame, 1.1e6);
    return changed.answer(null, 1.1e6).pace;
  };
  expect(alone("").forward).toBeGreaterThan(0.3);
  const slow = alone("aisle: 0.1 m/s: -1,-1 0.5,-1 0.5,1 -1,1");
  expect(slow.forward).toBe(0.1);
  expect(slow.limit).toMatchObject({ cause: END.slowZone, area: "aisle" });
});

test("no part of a body that obeys is faster than a zone allows within it: straight, in arcs, backwards, on the spot", () => {
  const drive = fc.record({
    topSpeed: fc.double({ min: 0.3, max: 3, noNaN: true }),
    topTurn: fc.double({ min: 0.5, max: 6, noNaN: true }),
    deceleration: fc.double({ min: 0.2, max: 3, noNaN: true }),
    reactionDelay: fc.double({ min: 0, max: 0.5, noNaN: true }),
    interval: fc.double({ min: 0.05, max: 0.3, noNaN: true }),
    zoneSpeed: fc.double({ min: 0.05, max: 0.4, noNaN: true }),
    /** Where the zone begins, metres, and in which direction. */
    edge: fc.double({ min: 0.35, max: 1.5, noNaN: true }),
    bearing: fc.double({ min: -Math.PI, max: Math.PI, noNaN: true }),
    way: fc.integer({ min: 0, max: 2 * CURVATURES.length + 1 }),
    seed: fc.integer({ min: 1, max: 1e9 }),
  });
  let entered = 0;
  fc.assert(
    fc.property(drive, (one) => {
      const { deceleration, reactionDelay, interval, zoneSpeed, edge, bearing } = one;
      const random = seeded(one.seed);
      const corners = [
        [0.3, 0.15],
        [0.3, -0.15],
        [-0.2, -0.15],
        [-0.2, 0.15],
      ] as const;
      const [nx, ny] = [Math.cos(bearing), Math.sin(bearing)];
      const zone = [
        [edge, -9],
        [edge + 9, -9],
        [edge + 9, 9],
        [edge, 9],
      ].map(([along, aside]) => `${along! * nx - aside! * ny},${along! * ny + aside! * nx}`);
      const guard = onFirmGround({
        footprint: corners.map(([x, y]) => `${x},${y}`).join(" "),
        deceleration,
        reactionDelay,
        topSpeed: one.topSpeed,
        topTurn: one.topTurn,
        slowIn: parseSlowZones(`aisle: ${zoneSpeed} m/s: ${zone.join(" ")}`),
      });
      const { radius } = guard.limits;
      const onTheSpot = one.way >= 2 * CURVATURES.length;
      const isForward = one.way < CURVATURES.length;
      const curvature = onTheSpot ? Number.POSITIVE_INFINITY : CURVATURES[one.way % CURVATURES.length]!;
      const direction = (onTheSpot ? one.way % 2 === 0 : isForward) ? 1 : -1;
      const base = new Adversary(deceleration, reactionDelay, random);
      const dt = 0.004;
      const latency = 0.05;
      let way = 0;
      let next = 0;
      const sending: { readonly at: number; readonly speed: number; readonly until: number }[] = [];
      let hasEntered = false;
      for (let t = 0; t < 5; t += dt) {
        const { x, y, yaw } = poseAfter(curvature, direction, way, radius);
        const isInside = corners.some(
          ([cx, cy]) =>
            (x + Math.cos(yaw) * cx - Math.sin(yaw) * cy) * nx +
              (y + Math.sin(yaw) * cx + Math.cos(yaw) * cy) * ny >
            edge,
        );
        if (isInside) expect(base.speed).toBeLessThanOrEqual(zoneSpeed + deceleration * dt + 1e-6);
        hasEntered ||= isInside && base.speed > 0;
        if (t >= next) {
          next += interval;
          const time = Math.round(1e6 * t);
          guard.tick(Math.round(1e6 * (t + latency)));
          guard.watch("camera", silent, time);
          guard.remember("camera", silent, time, { x, y, yaw, floor: 0 });
          const { pace, until } = guard.answer({ x, y, yaw }, time);
          const arcs = isForward ? pace.arcsForward : pace.arcsBackward;
          const turn = direction === 1 ? pace.left : pace.right;
          const speed = onTheSpot ? turn * radius : arcs[one.way % CURVATURES.length]!;
          sending.push({ at: t + latency, speed, until: until / 1e6 });
        }
        while (sending.length > 0 && sending[0]!.at <= t) {
          const { at, speed, until } = sending.shift()!;
          base.send(speed, at, until);
        }
        way += base.step(t, dt);
      }
      if (hasEntered) entered++;
    }),
    { numRuns: 14, seed: 5 },
  );
  // The zones are no walls.
  expect(entered).toBeGreaterThan(2);
}, 60_000);
