import { expect } from "vitest";
import type { Pose } from "../../src/geometry/optics.ts";
import { compose, fromYawPitchRoll } from "../../src/geometry/rigid.ts";
import { Random } from "../../src/simulate/random.ts";
import { between, readCorridor, revisit, ScanMatcher } from "../helpers/corridor.ts";
import { sharedData, testWith } from "../helpers/needs.ts";

// Killian Court log (Bosse & Leonard, MIT). Its poses are optimised. Scans moved by its relations lie 3.4 cm (consecutive) and
// 4.8 cm (second visits) from each other: median distance of nearest points, by brute force with numpy.
const DEGREE = Math.PI / 180;
const random = new Random(11, 1);
const off = (metres: number, degrees: number): Pose => {
  const way = 2 * Math.PI * random.uniform();
  const turned = (random.uniform() < 0.5 ? -1 : 1) * degrees * DEGREE;
  return {
    rotation: fromYawPitchRoll(turned, 0, 0),
    position: [metres * Math.cos(way), metres * Math.sin(way), 0],
  };
};
const median = (values: number[]): number => values.sort((a, b) => a - b)[values.length >> 1]!;

testWith(
  "open-data",
  "scans started 0.2 m and 5 degrees off are registered to the log's relation where the walls constrain them",
  () => {
    const corridor = readCorridor(sharedData()!);
    const matcher = new ScanMatcher(corridor);
    for (const [name, relations, stride, bound] of [
      ["consecutive", corridor.steps, 12, 0.068],
      ["second visits", corridor.revisits, 3, 0.096],
    ] as const) {
      const held: number[] = [];
      const turned: number[] = [];
      let all = 0;
      for (let i = 0; i < relations.length; i += stride) {
        const { from, to, pose } = relations[i]!;
        matcher.gather(from, 3);
        const found = matcher.register(to, compose(pose, off(0.2, 5)));
        all++;
        // Skipped: a corridor whose ends are out of range leaves its direction free, and the matcher reports that.
        if (found.share < 0.75 || found.strength < 0.08) continue;
        const [far, angle] = between(pose, found.pose);
        held.push(far);
        turned.push(angle);
      }
      const [far, angle] = [median(held), median(turned)];
      console.log(
        `${name}: ${held.length} of ${all} held; median ${(100 * far).toFixed(1)} cm, ${(angle / DEGREE).toFixed(2)} deg`,
      );
      expect(held.length).toBeGreaterThan(0.2 * all);
      // The bound is twice the consistency of the log.
      expect(far).toBeLessThan(bound);
      expect(angle).toBeLessThan(1 * DEGREE);
    }
  },
);

testWith(
  "open-data",
  "second visits are recognised without a false one; other pairs of places are refused",
  () => {
    const corridor = readCorridor(sharedData()!);
    const matcher = new ScanMatcher(corridor);
    let [right, wrong, looked] = [0, 0, 0];
    for (const { from, to, pose } of corridor.revisits) {
      looked++;
      const found = revisit(matcher, corridor, from, to, compose(pose, off(0.3, 5)));
      if (found === null) continue;
      const [far, angle] = between(pose, found);
      if (far < 0.5 && angle < 5 * DEGREE) right++;
      else wrong++;
    }
    // Wrong pairs: a scan and another one 300 to 2,000 scans after its second visit.
    let refused = 0;
    const others = 1500;
    for (let n = 0; n < others; n++) {
      const { from, to } = corridor.revisits[Math.floor(corridor.revisits.length * random.uniform())]!;
      const elsewhere = (to + 300 + Math.floor(1700 * random.uniform())) % (corridor.scans.length - 10);
      const isNear = corridor.revisits.some(
        (r) => Math.abs(r.from - from) < 40 && Math.abs(r.to - elsewhere) < 40,
      );
      if (isNear || Math.abs(elsewhere - from) < 40) refused++;
      else if (revisit(matcher, corridor, from, elsewhere, off(0.5, 10)) === null) refused++;
    }
    console.log(
      `second visits: ${looked} tried, ${right} found (recall ${((100 * right) / looked).toFixed(1)} %), ${wrong} wrong; ` +
        `${others} other pairs: ${others - refused} taken for one place`,
    );
    expect(wrong).toBe(0);
    expect(refused).toBe(others);
    // Most of the way is corridor longer than the 20 m range, so few places constrain a scan in every direction.
    expect(right).toBeGreaterThan(70);
  },
);
