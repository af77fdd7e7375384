import { expect, test } from "vitest";
import { drive, type Outcome } from "../../tools/lab/obey/drive.ts";
import type { Reach } from "../../tools/lab/obey/obedience.ts";
import { atEdge, inHall } from "./hall.ts";

/** Seconds from the start until the stream freezes: the base drives at full speed by then. */
const FROZEN_AT = 2.5;
/** Seconds: a frame's interval, its way to the head and the reach's way to the base. */
const ON_THE_WAY = 0.15;

/** Drives at the edge of the hall from 8 m before it; seconds from the fault until nothing is permitted ahead any more. */
function stopAfter(...changes: string[]): { readonly after: number; readonly outcome: Outcome } {
  const sharp = [
    "noise=yes",
    "imu=fused",
    "lens.sees=16",
    "lens.width=128",
    "lens.height=0.5",
    "acceleration=1",
  ];
  const knobs = atEdge(...sharp, `fault.at=${FROZEN_AT}`, ...changes);
  let after = Number.POSITIVE_INFINITY;
  const hear = ({ state, pace }: Reach, now: number): void => {
    const since = now / 1e6 - FROZEN_AT;
    const isStop = (state !== "clear" && state !== "dark") || pace === null || pace.forward === 0;
    if (since >= 0) after = isStop ? Math.min(after, since) : Number.POSITIVE_INFINITY;
  };
  const outcome = drive(knobs, { hear, rig: inHall(knobs, 8) });
  return { after, outcome };
}

test("an image stays the same while the base moves: the base must stop within 0.3 s, and stays", () => {
  const { after, outcome } = stopAfter("fault=image frozen");
  expect(after).toBeLessThan(0.3 + ON_THE_WAY);
  expect(outcome.fall).toBeNull();
  const [, x = 0, , , speed] = outcome.trail.at(-1)!;
  expect(speed).toBe(0);
  // It was 6 m before the edge.
  expect(x).toBeLessThan(-4);
});

test("an attitude stays the same while the wheels turn on the spot: the base must stop within 0.3 s, and stays", () => {
  const { after, outcome } = stopAfter("fault=orientation stands still", "wander=spot");
  expect(after).toBeLessThan(0.3 + ON_THE_WAY);
  const [, , , , speed] = outcome.trail.at(-1)!;
  expect(speed).toBe(0);
});

test("a base that drives with live streams gets no such stop", () => {
  const { outcome } = stopAfter("seconds=6");
  const [, x = 0] = outcome.trail.at(-1)!;
  expect(x).toBeGreaterThan(-4);
});
