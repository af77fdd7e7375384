import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { permittedSpeed, stoppingDistance } from "../../src/guard/body.ts";
import { Guard } from "../../src/guard/guard.ts";
import { fastest, Permits, worstWay } from "../../src/guard/pace.ts";
import { poseAfter } from "../../src/guard/sweep.ts";
import { CURVATURES, END, STRAIGHT } from "../../src/terms/safety.ts";
import { seeded } from "../helpers/recordings.ts";
import { slowTest } from "../helpers/slow.ts";
import { Adversary, silent } from "./adversary.ts";
import { guardSettingsFor } from "./settings.ts";

describe("the farthest that a base can get by what it was permitted", () => {
  test("one permit: at full speed to its end, then braking", () => {
    expect(worstWay([{ speed: 0.6, lasts: 0.4 }], 0.9)).toBeCloseTo(stoppingDistance(0.6, 0.4, 0.9), 12);
  });

  test("a slower permit within the braking of a faster one adds nothing, a longer one its rest", () => {
    const fast = { speed: 1, lasts: 0.3 };
    expect(worstWay([fast, { speed: 0.5, lasts: 0.4 }], 1)).toBeCloseTo(0.3 + 0.5, 12);
    // Braked down to 0.5 m/s at 0.8 s; that goes on to 1.1 s: 0.3 s longer than the braking line.
    expect(worstWay([fast, { speed: 0.5, lasts: 1.1 }], 1)).toBeCloseTo(0.3 + 0.5 + 0.5 * 0.3, 12);
  });

  test("the closed form is the integral of the fastest that any permit allows", () => {
    const permit = fc.record({
      speed: fc.double({ min: 0.05, max: 5, noNaN: true }),
      lasts: fc.double({ min: 0, max: 2, noNaN: true }),
    });
    const many = fc.array(permit, { minLength: 1, maxLength: 5 });
    fc.assert(
      fc.property(many, fc.double({ min: 0.1, max: 8, noNaN: true }), (permits, deceleration) => {
        const step = 1e-3;
        let way = 0;
        for (let t = step / 2; t < 60; t += step) {
          const speeds = permits.map(({ speed, lasts }) =>
            Math.min(speed, speed + deceleration * (lasts - t)),
          );
          const most = Math.max(0, ...speeds);
          if (most === 0) break;
          way += most * step;
        }
        const sorted = permits.toSorted((a, b) => b.speed - a.speed);
        expect(Math.abs(worstWay(sorted, deceleration) - way)).toBeLessThan(0.01 + 0.01 * way);
      }),
      { numRuns: 40, seed: 7 },
    );
  });

  test("until a base is slow: the integral up to the last time at which any permit allows more", () => {
    // 1 m/s for 0.3 s, then braking by 1 m/s2 down to 0.4 m/s: 0.3 + (1 - 0.16) / 2.
    expect(worstWay([{ speed: 1, lasts: 0.3 }], 1, 0.4)).toBeCloseTo(0.3 + 0.42, 12);
    // A permit of 0.5 m/s for 2 s: from 0.8 s, when that is reached, to 2 s, and 0.1 s of braking to 0.4 m/s.
    const two = [
      { speed: 1, lasts: 0.3 },
      { speed: 0.5, lasts: 2 },
    ];
    expect(worstWay(two, 1, 0.4)).toBeCloseTo(0.3 + 0.375 + 0.5 * 1.2 + 0.045, 12);
    expect(worstWay(two, 1, 1)).toBe(0);
  });

  test("without earlier permits the pace is that of delay and brakes; no room, no pace", () => {
    expect(fastest(0.8, 0.4, 0.7, [])).toBe(permittedSpeed(0.8, 0.4, 0.7));
    expect(fastest(0, 0.4, 0.7, [])).toBe(0);
    expect(fastest(-1, 0.4, 0.7, [{ speed: 1, lasts: 0.2 }], 0.3)).toBe(0.3);
    // It goes 0.4 s at that speed, then brakes to 0.3 m/s, and is there.
    const v = fastest(0.8, 0.4, 0.7, [], 0.3);
    expect(0.4 * v + (v * v - 0.09) / 1.4).toBeCloseTo(0.8, 12);
    expect(fastest(-1, 0.4, 0.7, [{ speed: 1, lasts: 0.2 }])).toBe(0);
  });
});

const legal = {
  topSpeed: fc.double({ min: 0.05, max: 5, noNaN: true }),
  deceleration: fc.oneof(
    fc.double({ min: 0.05, max: 0.3, noNaN: true }),
    fc.double({ min: 0.3, max: 10, noNaN: true }),
  ),
  reactionDelay: fc.oneof(fc.constant(0.15), fc.double({ min: 0, max: 2, noNaN: true })),
  interval: fc.double({ min: 0.03, max: 0.3, noNaN: true }),
  latency: fc.double({ min: 0, max: 0.1, noNaN: true }),
  hold: fc.oneof(fc.constant(0), fc.double({ min: 0.05, max: 0.4, noNaN: true })),
  seed: fc.integer({ min: 1, max: 1e9 }),
};

test("a point that obeys its pace until it ends, then brakes, never comes beyond its room, whatever reaches it when", () => {
  fc.assert(
    fc.property(fc.record({ ...legal, room: fc.double({ min: 0, max: 12, noNaN: true }) }), (one) => {
      const { topSpeed, deceleration, reactionDelay, interval, latency, room, seed } = one;
      const random = seeded(seed);
      const hold = one.hold === 0 ? 2 * interval : one.hold;
      const base = new Adversary(deceleration, reactionDelay, random);
      const permits = new Permits(1, deceleration, reactionDelay);
      const dt = 0.002;
      let x = 0;
      let next = 0;
      const sending: { readonly at: number; readonly speed: number; readonly until: number }[] = [];
      const dies = 30 * random();
      for (let t = 0; t < 400; t += dt) {
        if (t >= next && t < dies) {
          next += interval * (0.5 + random());
          const since = Math.round(1e6 * t);
          const until = Math.round(1e6 * (t + latency + hold));
          const lasts = (until - since) / 1e6 + reactionDelay;
          const before = permits.standing(0, since);
          const speed = Math.min(topSpeed, fastest(room - x, lasts, deceleration, before));
          permits.give(0, speed, since, until);
          sending.push({ at: t + latency, speed, until: until / 1e6 });
        }
        while (sending.length > 0 && sending[0]!.at <= t) {
          const { at, speed, until } = sending.shift()!;
          base.send(speed, at, until);
        }
        x += base.step(t, dt);
        if (t > dies + 3 && base.speed === 0) break;
      }
      // Steps of time, and of the bisection.
      expect(x).toBeLessThanOrEqual(room + 3 * dt * topSpeed + 1e-6);
    }),
    { numRuns: 120, seed: 11 },
  );
}, 120_000);

const CELL = 0.05;

slowTest(
  "no part of a body that obeys passes an edge: straight, in arcs, backwards, on the spot, with any legal settings",
  () => {
    const drive = fc.record({
      ...legal,
      margin: fc.double({ min: 0, max: 0.5, noNaN: true }),
      maxReach: fc.double({ min: 0.5, max: 4, noNaN: true }),
      topTurn: fc.double({ min: 0.05, max: 10, noNaN: true }),
      front: fc.double({ min: 0.1, max: 0.4, noNaN: true }),
      rear: fc.double({ min: 0.1, max: 0.4, noNaN: true }),
      half: fc.double({ min: 0.1, max: 0.3, noNaN: true }),
      /** Where the edge is from the start, metres, and into which direction from there all ground is missing. */
      edge: fc.double({ min: 0.7, max: 2.5, noNaN: true }),
      bearing: fc.double({ min: -Math.PI, max: Math.PI, noNaN: true }),
      way: fc.integer({ min: 0, max: 2 * CURVATURES.length + 1 }),
    });
    fc.assert(
      fc.property(drive, (one) => {
        const random = seeded(one.seed);
        const { front, rear, half, edge, bearing, reactionDelay, deceleration, interval, latency } = one;
        const corners = [
          [front, half],
          [front, -half],
          [-rear, -half],
          [-rear, half],
        ] as const;
        const settings = guardSettingsFor({
          footprint: corners.map(([x, y]) => `${x},${y}`).join(" "),
          deceleration,
          reactionDelay,
          margin: one.margin,
          maxReach: one.maxReach,
          topSpeed: one.topSpeed,
          topTurn: one.topTurn,
          hold: one.hold,
        });
        const guard = new Guard(settings);
        const [nx, ny] = [Math.cos(bearing), Math.sin(bearing)];
        const isBeyond = (x: number, y: number): boolean => x * nx + y * ny > edge;
        // A cell that the edge cuts, or that lies beyond it, was never seen.
        for (let x = -3.2; x < 3.2; x += CELL) {
          for (let y = -3.2; y < 3.2; y += CELL) {
            const [i, j] = [Math.round(x / CELL), Math.round(y / CELL)];
            const at = [i, i + 1].flatMap((ci) => [j, j + 1].map((cj) => [ci * CELL, cj * CELL] as const));
            if (!at.some(([cx, cy]) => isBeyond(cx, cy)))
              guard.footing.trust(x + CELL / 2, y + CELL / 2, 0, 0);
          }
        }
        const { radius } = guard.limits;
        const onTheSpot = one.way >= 2 * CURVATURES.length;
        const isForward = one.way < CURVATURES.length;
        const curvature = onTheSpot ? Number.POSITIVE_INFINITY : CURVATURES[one.way % CURVATURES.length]!;
        const direction = (onTheSpot ? one.way % 2 === 0 : isForward) ? 1 : -1;
        const base = new Adversary(deceleration, reactionDelay, random);
        const dt = 0.004;
        let way = 0;
        let next = 0;
        const dies = 12 * random();
        const sending: { readonly at: number; readonly speed: number; readonly until: number }[] = [];
        let farthest = Number.NEGATIVE_INFINITY;
        for (let t = 0; t < 200; t += dt) {
          const { x, y, yaw } = poseAfter(curvature, direction, way, radius);
          for (const [cx, cy] of corners) {
            const wx = x + Math.cos(yaw) * cx - Math.sin(yaw) * cy;
            const wy = y + Math.sin(yaw) * cx + Math.cos(yaw) * cy;
            farthest = Math.max(farthest, wx * nx + wy * ny);
          }
          if (t >= next && t < dies) {
            next += interval;
            const time = Math.round(1e6 * t);
            guard.tick(Math.round(1e6 * (t + latency)));
            guard.watch("camera", silent, time);
            guard.remember("camera", silent, time, { x, y, yaw, floor: 0 });
            const { pace, until } = guard.answer({ x, y, yaw }, time);
            const arcs = isForward ? pace.arcsForward : pace.arcsBackward;
            const turn = direction === 1 ? pace.left : pace.right;
            const speed = onTheSpot ? turn * radius : arcs[one.way % CURVATURES.length]!;
            expect(speed).toBeLessThanOrEqual((onTheSpot ? one.topTurn * radius : one.topSpeed) + 1e-9);
            // What is permitted is never more than what was looked at.
            const lasts = (until - time) / 1e6 + reactionDelay;
            expect(stoppingDistance(pace.forward, lasts, deceleration) + one.margin).toBeLessThanOrEqual(
              Math.max(one.margin, pace.room) + 1e-6,
            );
            sending.push({ at: t + latency, speed, until: until / 1e6 });
          }
          while (sending.length > 0 && sending[0]!.at <= t) {
            const { at, speed, until } = sending.shift()!;
            base.send(speed, at, until);
          }
          way += base.step(t, dt);
          if (t > dies + 3 && base.speed === 0) break;
        }
        expect(farthest).toBeLessThanOrEqual(edge + 1e-6);
      }),
      { numRuns: 100, seed: 3 },
    );
  },
  300_000,
);

test("what was not looked at is no room: a short look limits the pace and says so", () => {
  const at = (maxReach: number, topSpeed: number) => {
    const guard = new Guard(guardSettingsFor({ maxReach, topSpeed }));
    for (let x = -6; x < 6; x += CELL) for (let y = -6; y < 6; y += CELL) guard.footing.trust(x, y, 0, 0);
    guard.watch("camera", silent, 1e6);
    guard.remember("camera", silent, 1e6, { x: 0, y: 0, yaw: 0, floor: 0 });
    return guard.answer({ x: 0, y: 0, yaw: 0 }, 1e6).pace;
  };
  const short = at(2, 2);
  expect(short.forward).toBeLessThan(1);
  expect(short.limit).toMatchObject({ cause: END.unlooked, bearing: 0, outline: [0.2, 0] });
  expect(short.room).toBeLessThanOrEqual(2);
  for (const arcs of [short.arcsForward, short.arcsBackward]) {
    for (const speed of arcs) expect(stoppingDistance(speed, 0.35, 0.3)).toBeLessThan(2);
  }
  const slow = at(2, 0.3);
  expect(slow.forward).toBe(0.3);
  expect(slow.limit).toBeNull();
  expect(slow.arcsForward[STRAIGHT]).toBe(slow.forward);
});
