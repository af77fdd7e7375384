import { expect, test } from "vitest";
import { HeatGovernor } from "../../src/service/sensing/heat.ts";

const SECOND = 1e6;
const LIMIT = 80;

/** Readings every 5 s for so long. @returns seconds after which each level began */
function run(
  governor: HeatGovernor,
  seconds: number,
  temperatureAt: (second: number) => number,
  from = 0,
): number[] {
  const steps: number[] = [];
  for (let second = 0; second <= seconds; second += 5) {
    const before = governor.level;
    governor.add((from + second) * SECOND, { temperature: temperatureAt(second), limit: LIMIT });
    if (governor.level !== before) steps.push(second);
  }
  return steps;
}

test("a rising temperature sheds 30 s before the limit would be reached", () => {
  const governor = new HeatGovernor();
  // 50 degrees, 0.2 degrees a second: 80 after 150 s.
  const [first] = run(governor, 120, (second) => 50 + 0.2 * second);
  expect(first).toBe(120);
  expect(governor.level).toBe(1);
});

test("a warm board with a steady temperature maps every frame", () => {
  const governor = new HeatGovernor();
  // One degree of noise, 4 degrees below the limit.
  run(governor, 600, (second) => 76 + (second % 10 === 0 ? 0.5 : -0.5));
  expect(governor.level).toBe(0);
});

test("it sheds step by step while the temperature goes on rising, and takes the steps back when it has cooled", () => {
  const governor = new HeatGovernor();
  const steps = run(governor, 60, (second) => 70 + 0.3 * second);
  expect(governor.level).toBeGreaterThan(1);
  for (let n = 1; n < steps.length; n++) expect(steps[n]! - steps[n - 1]!).toBeGreaterThanOrEqual(10);
  run(governor, 300, () => 70, 65);
  expect(governor.level).toBe(0);
});

test("without a limit of the kernel nothing is shed", () => {
  const governor = new HeatGovernor();
  for (let n = 0; n < 50; n++) governor.add(5 * n * SECOND, { temperature: 60 + n, limit: null });
  expect(governor.level).toBe(0);
});
