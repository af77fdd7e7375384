import { Scene } from "../../src/simulate/scene.ts";
import type { Block, Material } from "../../src/simulate/solids.ts";
import { DEFAULT_KNOBS, type Knobs, turned } from "../../tools/lab/obey/knobs.ts";
import { type Rig, rigIn } from "../../tools/lab/obey/rig.ts";

const OAK: Material = { name: "oak", reflectance: 0.4, mirror: 0, transparent: 0, glint: 0 };
const PLASTER: Material = { ...OAK, name: "plaster", reflectance: 0.72 };

/** A box between two corners. */
function box(min: readonly number[], max: readonly number[], material = 0): Block {
  const [x0 = 0, y0 = 0, z0 = 0] = min;
  const [x1 = 0, y1 = 0, z1 = 0] = max;
  return {
    shape: "block",
    name: "box",
    material,
    x: (x0 + x1) / 2,
    y: (y0 + y1) / 2,
    base: z0,
    halfX: (x1 - x0) / 2,
    halfY: (y1 - y0) / 2,
    yaw: 0,
    heights: [z1, z1],
    from: Number.NEGATIVE_INFINITY,
    until: Number.POSITIVE_INFINITY,
  };
}

/** A hall of oak, 4 m wide, whose floor ends at x = 0 and goes on 0.3 m lower. Cupboards stand along its walls. */
export const HALL = new Scene(
  [OAK, PLASTER],
  [
    box([-20, -2, -1], [0, 2, 0]),
    box([0, -2, -1], [8, 2, -0.3]),
    ...[-18, -15.5, -12.2, -9.5, -6.1, -4.4, -2.6, -1].flatMap((x, n) => [
      box([x, 1.6 - 0.1 * (n % 3), 0], [x + 0.6, 2, 1.8], 1),
      box([x - 0.7, -2, 0], [x, -1.5 + 0.1 * (n % 2), 1.1], 1),
    ]),
    box([-20, 2, -1], [8, 2.1, 2.5], 1),
    box([-20, -2.1, -1], [8, -2, 2.5], 1),
    box([8, -2.1, -1], [8.1, 2.1, 2.5], 1),
    box([-20.1, -2.1, -1], [-20, 2.1, 2.5], 1),
  ],
);

/** Straight at the edge of the hall, a little askew. */
export const atEdge = (...changes: string[]): Knobs =>
  turned(DEFAULT_KNOBS, ["wander=straight", "seconds=9", "lens.width=96", ...changes]);

/** A base in the hall, so many metres before its edge. */
export const inHall = (knobs: Knobs, before = 4): Rig =>
  rigIn(knobs, { scene: HALL, still: HALL, slippery: [] }, { x: -before, y: 0, yaw: 0.1 });
