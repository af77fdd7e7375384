import { describe, expect, test } from "vitest";
import { stoppingDistance } from "../../src/guard/body.ts";
import { type GlanceFrame, openGlanceFrame } from "../../src/guard/glance-frame.ts";
import { Guard, type Pace } from "../../src/guard/guard.ts";
import { END } from "../../src/terms/safety.ts";
import { guardSettingsFor } from "./settings.ts";

const CELL = 0.05;
const FRONT = 0.22;
const settings = guardSettingsFor({
  footprint: "0.22,0.17 0.22,-0.17 -0.2,-0.17 -0.2,0.17",
  deceleration: 0.7,
  topTurn: 1.5,
  maxBlind: 0.4,
});
const HERE = { x: 0, y: 0, yaw: 0, floor: 0 };

/** A view of 80 degrees ahead that sees floor from 0.4 m before the body on, up to a wall. */
function viewOf(wall: number): GlanceFrame {
  const strips = 21;
  const frame = openGlanceFrame(strips, 1);
  for (let n = 0; n < strips; n++) {
    const tan = Math.tan(((40 - 4 * n) * Math.PI) / 180);
    const near = Math.min(FRONT + 0.4, wall);
    for (const [xs, ys, x] of [
      [frame.nearX, frame.nearY, near],
      [frame.farX, frame.farY, 3],
      [frame.endX, frame.endY, wall],
    ] as const) {
      xs[n] = x;
      ys[n] = x * tan;
    }
    frame.kind[n] = END.obstacle;
    frame.range[n] = wall;
  }
  return Object.assign(frame, { sight: "clear", returns: 0.5 });
}

/** A guard that has seen firm floor wherever `isFirm` says so, within three metres, and of which the map has something in the way. */
function guardOf(
  isFirm: (x: number, y: number) => boolean,
  isBlocked: (x: number, y: number) => boolean,
  time = 1e6,
): Guard {
  const guard = new Guard(settings);
  for (let i = -60; i < 60; i++) {
    for (let j = -60; j < 60; j++) {
      const [x, y] = [(i + 0.5) * CELL, (j + 0.5) * CELL];
      if (isFirm(x, y)) guard.footing.trust(x, y, time, 0);
    }
  }
  guard.setBlocked((i, j) => isBlocked((i + 0.5) * CELL, (j + 0.5) * CELL), 1);
  return guard;
}

function paceOf(guard: Guard, wall: number, time = 1e6): Pace {
  const frame = viewOf(wall);
  guard.tick(time);
  guard.watch("front", frame, time);
  guard.remember("front", frame, time, HERE);
  return guard.answer(HERE, time).pace;
}
const isBeside = (x: number, y: number): boolean =>
  (Math.abs(y) > 0.2 && Math.abs(y) < 0.3 && Math.abs(x) < 0.5) ||
  (x < -0.22 && x > -0.32 && Math.abs(y) < 0.5);
const WALL = 0.32;

describe("a base that is shut in: a wall before it, and what the map remembers beside and behind it", () => {
  test("may go back and turn at a crawl past what is remembered, and never ahead into what is seen", () => {
    const pace = paceOf(
      guardOf(() => true, isBeside),
      WALL,
    );
    expect(pace.isWayOut).toBe(true);
    expect(pace.forward).toBe(0);
    expect(Math.max(...pace.arcsForward)).toBe(0);
    expect(pace.backward).toBeGreaterThan(0.05);
    expect(Math.max(pace.left, pace.right)).toBeGreaterThan(0.1);
    // A contact at that speed does no harm.
    expect(Math.max(...pace.arcsBackward)).toBeLessThanOrEqual(0.1);
    expect(Math.max(pace.left, pace.right) * Math.hypot(FRONT, 0.17)).toBeLessThanOrEqual(0.1 + 1e-9);
    expect(pace.limit).toMatchObject({ cause: END.obstacle });
  });

  test("goes back at its usual pace where nothing is in the way, and no way out is spoken of", () => {
    const pace = paceOf(
      guardOf(
        () => true,
        () => false,
      ),
      WALL,
    );
    expect(pace.isWayOut).toBe(false);
    expect(pace.backward).toBeGreaterThan(0.5);
  });

  test("stays where the floor ends, or was never seen, behind what is remembered", () => {
    const edge = 0.29;
    const guard = guardOf((x) => x > -edge, isBeside);
    const pace = paceOf(guard, WALL);
    expect(pace.backward).toBe(0);
    expect(Math.max(...pace.arcsBackward)).toBe(0);
  });

  test("stays where it was bumped into something: that is there", () => {
    const guard = guardOf(() => true, isBeside);
    for (let y = -0.4; y <= 0.4; y += CELL) guard.knock(1e6 + 2e6 * y, -0.24, y);
    const pace = paceOf(guard, WALL);
    expect(pace.backward).toBe(0);
    expect(Math.max(...pace.arcsBackward)).toBe(0);
  });

  test("stays while no view is fresh", () => {
    const guard = guardOf(() => true, isBeside);
    expect(paceOf(guard, WALL).isWayOut).toBe(true);
    guard.tick(3e6);
    const { pace } = guard.answer(HERE, 1e6);
    expect(pace.isWayOut).toBe(false);
    expect(Math.max(pace.backward, pace.left, pace.right)).toBe(0);
  });

  test("finds back over ground on which it has stood, after more time than ground is remembered", () => {
    const guard = guardOf(
      () => true,
      () => false,
    );
    for (let x = -1; x < 0; x += 0.02) {
      const frame = viewOf(3);
      guard.tick(1e6);
      guard.watch("front", frame, 1e6);
      guard.remember("front", frame, 1e6, { ...HERE, x });
    }
    const later = 1e6 + 1e6 * (settings.memory + 60);
    const pace = paceOf(guard, WALL, later);
    expect(pace.isWayOut).toBe(true);
    expect(pace.backward).toBeGreaterThan(0.05);
    expect(stoppingDistance(pace.backward, 0.3, settings.body.deceleration)).toBeLessThan(0.2);
    // It has never stood aside.
    expect(pace.arcsBackward[0]).toBeLessThan(pace.backward);
  });
});
