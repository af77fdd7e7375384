import { defineConfig } from "vitest/config";

const isFast = process.env["BRINKMAP_FAST"] === "1";

/** `npm run test:fast`: Node alone, no other program, nothing that the machine must be set up for. */
const FAST = [
  "coding",
  "geometry",
  "sense",
  "map",
  "wire",
  "record",
  "viewer",
  "terms",
  "guard",
  "track",
  "tune",
];
/** Files of these folders that take longest; single tests are left out by `slowTest`. The tier stays under a minute on two quiet cores. */
const SLOW = [
  "tests/guard/score.test.ts",
  "tests/map/integrate.test.ts",
  "tests/track/loops.test.ts",
  "tests/track/recovery.test.ts",
  "tests/track/trouble.test.ts",
  "tests/tune/tune.test.ts",
  "tests/tune/true-map.test.ts",
];

export default defineConfig({
  test: {
    include: isFast
      ? [
          ...FAST.map((folder) => `tests/${folder}/**/*.test.ts`),
          "tests/tools/{documents,frame,imports}.test.ts",
        ]
      : ["tests/**/*.test.ts"],
    exclude: isFast ? SLOW : [],
    globalSetup: ["tests/helpers/build.ts"],
    testTimeout: 120_000,
    hookTimeout: 120_000,
    // Two cores is the smallest board that is supported, and a crowd of workers only makes timings noisy.
    maxWorkers: 2,
  },
});
