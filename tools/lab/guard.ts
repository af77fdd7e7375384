import { toMatrix } from "../../src/geometry/rigid.ts";
import { Guard } from "../../src/guard/guard.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { DEFAULT_RANGE_NOISE } from "../../src/sense/noise.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Random } from "../../src/simulate/random.ts";
import { renderDepth } from "../../src/simulate/render.ts";
import type { Scene } from "../../src/simulate/scene.ts";
import { usualNoise } from "../../src/simulate/usual-noise.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { GUARD, OPTICS } from "./floor/drive.ts";
import { beyond, matter, sceneOf, slab } from "./floor/ground.ts";
import { programOf } from "./program.ts";

/** The score's lens with 1.3 times its pixels along each side. */
const WIDE = {
  ...OPTICS,
  width: 208,
  height: 156,
  fx: 1.3 * OPTICS.fx,
  fy: 1.3 * OPTICS.fy,
  cx: 103.5,
  cy: 77.5,
};
const HEIGHT = 0.3;
const LENS_X = 0.15;
const FRAMES = 24;

/** A wall, a leg and a post on a floor. */
const room = (reflectance: number): Scene =>
  sceneOf(
    [matter(reflectance)],
    [slab(-20, 40, 0), slab(1.6, 1.8, 2, { z0: 0 }), slab(0.9, 0.93, 1, { y0: 0.2, y1: 0.23, z0: 0 })],
  );
const SCENES: readonly (readonly [string, Scene])[] = [
  ["floor, 40 %", sceneOf([matter(0.4)], [slab(-20, 40, 0)])],
  ["floor, 5 %", sceneOf([matter(0.05)], [slab(-20, 40, 0)])],
  [
    "stair",
    sceneOf([matter(0.4)], [slab(-20, 0.8, 0), ...beyond({ kind: "stair", rise: 0.178, going: 0.279 })]),
  ],
  ["room", room(0.4)],
];

export const main = programOf({
  name: "guard",
  usage: "[options]",
  about: "Cost of the guard per 208x156 frame, beside that of the depth mask.",
  options: {
    rounds: {
      type: "string",
      short: "r",
      value: "<n>",
      default: "60",
      help: "passes over all frames (default 60)",
    },
  },
  notes:
    "Per frame the fastest of the rounds, of those the median: what else the machine does hardly shows. The first third is left out: until then code is still being compiled.",
  run: ({ values, positionals }) => {
    noneExpected(positionals);
    measure(wholeOption(values, "rounds", 2));
    return 0;
  },
});

const stages = ["mask", "glance", "remember", "answer"] as const;

function measure(rounds: number): void {
  console.log("ms per 208x156 frame  mask   glance   memory   answer   guard in all   glance / mask");
  for (const [name, scene] of SCENES) {
    const guard = new Guard(GUARD);
    const mask = new DepthMask(WIDE);
    const glance = guard.openGlancer(WIDE, mask.rays, mask.unitsPerMetre, DEFAULT_RANGE_NOISE)!;
    const random = new Random(1);
    const shots = Array.from({ length: FRAMES }, (_, n) => {
      const shot = { counts: new Uint16Array(208 * 156), amplitude: new Uint16Array(208 * 156) };
      const pose = { position: [0.01 * n + LENS_X, 0, HEIGHT], rotation: lensFromAngles(0, 0.4, 0) } as const;
      const noise = usualNoise(4.5, random);
      renderDepth(scene, WIDE, { worldFromLens: pose, time: 0, noise }, shot);
      return shot;
    });
    const m = toMatrix({ position: [0, 0, 0], rotation: lensFromAngles(0, 0.4, 0) });
    const rotation = Float64Array.from({ length: 9 }, (_, n) => m[4 * (n % 3) + Math.floor(n / 3)]!);
    const position = Float64Array.of(LENS_X, 0, HEIGHT);
    const best = stages.map(() => new Float64Array(FRAMES).fill(Number.POSITIVE_INFINITY));
    let time = 0;
    for (let round = 0; round < rounds; round++) {
      guard.forget();
      for (let n = 0; n < FRAMES; n++) {
        time += 100_000;
        const { counts, amplitude } = shots[n]!;
        const x = 0.01 * n;
        const stamps = [performance.now()];
        const { depth, reason } = mask.apply(counts, amplitude);
        stamps.push(performance.now());
        const judged = glance.look({ depth, reason, amplitude }, rotation, position, {
          x: 0.01 * n,
          y: 0,
          yaw: 0,
        });
        stamps.push(performance.now());
        guard.watch("front", judged, time);
        guard.remember("front", judged, time, { x, y: 0, yaw: 0, floor: 0 });
        stamps.push(performance.now());
        guard.answer({ x, y: 0, yaw: 0 }, time);
        stamps.push(performance.now());
        if (round < rounds / 3) continue; // while it is compiled
        best.forEach((fastest, s) => {
          fastest[n] = Math.min(fastest[n]!, stamps[s + 1]! - stamps[s]!);
        });
      }
    }
    const median = (values: Float64Array) => values.slice().sort()[FRAMES >> 1]!;
    const cost = best.map(median);
    const all = median(best[0]!.map((_, n) => best.slice(1).reduce((sum, of) => sum + of[n]!, 0)));
    console.log(
      `${name.padEnd(18)} ${cost.map((ms) => ms.toFixed(3).padStart(7)).join("  ")}  ${all.toFixed(3).padStart(13)}` +
        `   ${(cost[1]! / cost[0]!).toFixed(2).padStart(13)}`,
    );
  }
}
