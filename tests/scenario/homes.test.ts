import { expect, test } from "vitest";
import { runJob } from "../../tools/lab/obey/home-drive.ts";

// A small version of `npm run lab -- score-homes`.
test.each([900, 906])(
  "home %d: the tracked pose of a base with wheels and a cheap inertial sensor is near the truth, and within three sigma",
  (home) => {
    const { fall, tracked, beyond, lost, way } = runJob({ home, seconds: 12, changes: ["lens.width=96"] });
    expect(fall).toBeNull();
    expect(way).toBeGreaterThan(0.2);
    expect(tracked.worst).toBeLessThan(0.06);
    expect(beyond).toBeLessThanOrEqual(0.02);
    expect(lost).toBe(0);
  },
);
