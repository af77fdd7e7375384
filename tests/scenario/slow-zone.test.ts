import { expect, test } from "vitest";
import { resolveSettings } from "../../src/head/settings.ts";
import { END } from "../../src/terms/safety.ts";
import { drive } from "../../tools/lab/obey/drive.ts";
import { atEdge, inHall } from "./hall.ts";

/** The zone: metres of the map, whose origin is the start, ahead of the base. */
const [BEGIN, FINISH] = [1, 1.8];
const SPEED = 0.25;
/** m/s: error of a base that keeps its speed. */
const KEPT = 0.02;

test("a base is as slow as a zone allows from its border to its end, and names it; then it drives on", () => {
  const knobs = atEdge("noise=yes", "seconds=9");
  const rig = inHall(knobs);
  const corners = `${BEGIN},-1.5 ${FINISH},-1.5 ${FINISH},1.5 ${BEGIN},1.5`;
  const settings = resolveSettings({ ...rig.settings, "guard.slowIn": `aisle: ${SPEED} m/s: ${corners}` });
  let fastestBefore = 0;
  let fastestWithin = 0;
  let farthest = 0;
  const named = new Set<string | undefined>();
  drive(knobs, {
    rig: { ...rig, settings },
    watch: ({ base, newest }) => {
      const [x, y] = base.pose.position;
      const along = Math.cos(0.1) * (x + 4) + Math.sin(0.1) * y;
      farthest = Math.max(farthest, along);
      // Its front is 0.22 m ahead, and its rear as far behind or less.
      if (along + 0.22 < BEGIN) fastestBefore = Math.max(fastestBefore, base.speed);
      else if (along < FINISH) {
        fastestWithin = Math.max(fastestWithin, base.speed);
        const limit = newest?.pace?.limit;
        if (limit?.cause === END.slowZone) named.add(limit.area);
      }
    },
  });
  expect(fastestBefore).toBeGreaterThan(2 * SPEED);
  expect(fastestWithin).toBeLessThanOrEqual(SPEED + KEPT);
  expect(fastestWithin).toBeGreaterThan(0.8 * SPEED);
  expect([...named]).toEqual(["aisle"]);
  expect(farthest).toBeGreaterThan(FINISH + 0.3);
});
