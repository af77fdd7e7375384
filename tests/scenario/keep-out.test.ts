import { expect, test } from "vitest";
import { resolveSettings } from "../../src/head/settings.ts";
import { END } from "../../src/terms/safety.ts";
import { drive } from "../../tools/lab/obey/drive.ts";
import { atEdge, inHall } from "./hall.ts";

/** Drives straight in the hall; areas are metres of the map, whose origin is the start. */
function driveWith(keepOut: string, ...changes: string[]) {
  const knobs = atEdge("noise=yes", "seconds=8", ...changes);
  const rig = inHall(knobs);
  const settings = resolveSettings({ ...rig.settings, "guard.keepOut": keepOut });
  let last: { cause: number; area?: string | undefined } | null = null;
  let farthest = 0;
  const outcome = drive(knobs, {
    rig: { ...rig, settings },
    watch: ({ base, newest }) => {
      last = newest?.pace?.limit ?? last;
      const [x, y] = base.pose.position;
      farthest = Math.max(farthest, Math.cos(0.1) * (x + 4) + Math.sin(0.1) * y);
    },
  });
  return { ...outcome, farthest, last: last as { cause: number; area?: string } | null };
}

test.each([1, 2, 3])("a base stops before a closed area, and the limit names it (seed %d)", (seed) => {
  const { farthest, last, way } = driveWith("vases: 2,-1.5 2.6,-1.5 2.6,1.5 2,1.5", `seed=${seed}`);
  // Its front is 0.22 m ahead; the margin is 7 cm, and a cell.
  expect(farthest + 0.22).toBeLessThan(2);
  expect(farthest + 0.22).toBeGreaterThan(1.75);
  expect(way).toBeGreaterThan(1.4);
  expect(last).toMatchObject({ cause: END.keptOut, area: "vases" });
});

test("a base that starts within a closed area drives out of it, and does not come back in", () => {
  const { farthest, last } = driveWith("nest: -1,-1 0.8,-1 0.8,1 -1,1; vases: 2,-1.5 2.6,-1.5 2.6,1.5 2,1.5");
  expect(farthest + 0.22).toBeGreaterThan(1.75);
  expect(last).toMatchObject({ cause: END.keptOut, area: "vases" });
});

test("beside an area the base passes", () => {
  const { farthest } = driveWith("shelf: 1,0.6 2,0.6 2,1.5 1,1.5");
  expect(farthest).toBeGreaterThan(3);
});
