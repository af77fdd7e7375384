import { describe, expect, test } from "vitest";
import { openGlanceFrame } from "../../src/guard/glance-frame.ts";
import { Guard } from "../../src/guard/guard.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import { guardSettingsFor } from "./settings.ts";

const CELL = 0.05;
const AT = { x: 0, y: 0, yaw: 0, floor: 0 };

/** A guard that remembers firm floor left of y = `edge`, seen at time 0, and a wall of the map at y > 0.8. */
function guardBeside(edge: number): Guard {
  const guard = new Guard(guardSettingsFor());
  for (let i = -60; i < 60; i++)
    for (let j = -60; j < 60; j++)
      if ((j + 0.5) * CELL > edge && (j + 0.5) * CELL < 0.8)
        guard.footing.trust((i + 0.5) * CELL, (j + 0.5) * CELL, 0, 0);
  guard.setBlocked((_i, j) => (j + 0.5) * CELL > 0.8, 1);
  return guard;
}

/** What the guard takes the ground at (0, y) for. */
const groundAt = (guard: Guard, y: number): number => guard.footing.at(0, Math.floor(y / CELL));

/** A frame at time 1 s that sees nothing of the floor near the base. */
function restarted(guard: Guard): Guard {
  guard.restart();
  const frame = Object.assign(openGlanceFrame(0, 0), { sight: "clear" as const, returns: 0.5 });
  guard.tick(1e6);
  guard.watch("front", frame, 1e6);
  guard.remember("front", frame, 1e6, AT);
  return guard;
}

describe("a base that may have been carried", () => {
  test("trusts the ground around it where that was firm before, and not where it was unseen", () => {
    // The disc around the body reaches 0.31 m, beyond the edge.
    const guard = restarted(guardBeside(-0.2));
    expect(groundAt(guard, 0.26)).toBe(FOOTING.firm);
    expect(groundAt(guard, -0.17)).toBe(FOOTING.firm);
    expect(groundAt(guard, -0.23)).toBe(FOOTING.unseen);
    expect(groundAt(guard, -0.28)).toBe(FOOTING.unseen);
    expect(groundAt(guard, 0.6)).toBe(FOOTING.unseen);
  });

  test("is trusted at its very start, where nothing was seen before", () => {
    const guard = new Guard(guardSettingsFor());
    const frame = Object.assign(openGlanceFrame(0, 0), { sight: "clear" as const, returns: 0.5 });
    guard.watch("front", frame, 1e6);
    guard.remember("front", frame, 1e6, AT);
    expect(groundAt(guard, -0.28)).toBe(FOOTING.firm);
  });
});

describe("a base that may be 0.15 m nearer to a drop than its memory says", () => {
  const nearer = { x: 0, y: -0.15, yaw: 0 };

  test("keeps firm what is firm from both places, and the floor at a wall", () => {
    const guard = guardBeside(-0.4);
    guard.displace(AT, nearer, 1);
    expect(groundAt(guard, 0)).toBe(FOOTING.firm);
    expect(groundAt(guard, -0.18)).toBe(FOOTING.firm);
    expect(groundAt(guard, -0.28)).toBe(FOOTING.unseen);
    expect(groundAt(guard, 0.77)).toBe(FOOTING.firm);
  });

  test("keeps what was seen since", () => {
    const guard = guardBeside(-0.4);
    guard.displace(AT, nearer, 0);
    expect(groundAt(guard, -0.37)).toBe(FOOTING.firm);
  });

  test("gives up what is far away, and does not trust again what it gave up", () => {
    const guard = guardBeside(-0.2);
    guard.displace(AT, nearer, 1);
    expect(guard.footing.at(55, 0)).toBe(FOOTING.unseen);
    restarted(guard);
    expect(groundAt(guard, 0)).toBe(FOOTING.firm);
    expect(groundAt(guard, -0.17)).toBe(FOOTING.unseen);
  });

  test("a base that may have turned gives up firm ground at the side to which it may have turned", () => {
    const guard = guardBeside(-0.4);
    guard.displace(AT, { x: 0, y: 0, yaw: -0.3 }, 1);
    const at = (x: number, y: number) => guard.footing.at(Math.floor(x / CELL), Math.floor(y / CELL));
    expect(at(0.6, -0.3)).toBe(FOOTING.unseen);
    expect(at(-0.6, -0.3)).toBe(FOOTING.firm);
    expect(at(0.1, 0)).toBe(FOOTING.firm);
  });
});
