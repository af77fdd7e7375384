import { Scene } from "../../../src/simulate/scene.ts";
import type { Block, Material, Mover, Solid } from "../../../src/simulate/solids.ts";

const ALWAYS = { from: Number.NEGATIVE_INFINITY, until: Number.POSITIVE_INFINITY };
/** Metres to which floors extend sideways, and below which nothing lies. */
const WIDE = 30;
const DEEP = -4;

export const matter = (reflectance: number, more: Partial<Material> = {}): Material => ({
  name: "matter",
  reflectance,
  mirror: 0,
  transparent: 0,
  glint: 0,
  ...more,
});

/** A box between two corners; its top may slope along x from `z1` to `end`. */
export function slab(
  x0: number,
  x1: number,
  z1: number,
  { y0 = -WIDE, y1 = WIDE, z0 = DEEP, end = z1, material = 0 } = {},
): Block {
  return {
    shape: "block",
    name: "slab",
    material,
    ...ALWAYS,
    x: (x0 + x1) / 2,
    y: (y0 + y1) / 2,
    halfX: (x1 - x0) / 2,
    halfY: (y1 - y0) / 2,
    yaw: 0,
    base: z0,
    heights: [z1, end],
  };
}

/** What lies beyond the edge, which is the line x = 0; the floor before it ends there. */
export type Beyond =
  | { readonly kind: "level"; readonly drop: number }
  | { readonly kind: "stair"; readonly rise: number; readonly going: number }
  | { readonly kind: "void" };

/** Solids beyond the edge. */
export function beyond(what: Beyond, material = 0): Solid[] {
  switch (what.kind) {
    case "void":
      return [];
    case "level":
      return [slab(0, 20, -what.drop, { material })];
    case "stair": {
      const steps = Array.from({ length: 14 }, (_, k) =>
        slab(k * what.going, (k + 1) * what.going, -(k + 1) * what.rise, { material }),
      );
      return [...steps, slab(14 * what.going, 20, -14 * what.rise, { material })];
    }
    default:
      return what satisfies never;
  }
}

export const sceneOf = (
  materials: readonly Material[],
  solids: readonly Solid[],
  movers: readonly Mover[] = [],
) => new Scene(materials, solids, movers);
