import { defineConfig } from "vitest/config";

export default defineConfig({
  test: {
    include: ["tests/**/*.test.ts"],
    globalSetup: ["tests/helpers/build.ts"],
    testTimeout: 120_000,
    hookTimeout: 120_000,
    // Two cores is the smallest board we care about, and a crowd of workers only makes timings noisy.
    maxWorkers: 2,
  },
});
