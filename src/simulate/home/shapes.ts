import type { Rect } from "./rect.ts";
import { heightOf, middleOf, widthOf } from "./rect.ts";

/** A shape as scenario files hold it (docs/simulator.md). */
export type ShapeJson = Readonly<Record<string, unknown>>;

interface BoxOptions {
  /** Heights of its bottom and its top, metres. */
  readonly base: number;
  readonly top: number;
  readonly material: string;
  readonly name: string;
}

/** A box over a rectangle. */
export function boxOver(rect: Rect, { base, top, material, name }: BoxOptions): ShapeJson {
  return {
    shape: "box",
    name,
    material,
    at: middleOf(rect),
    base,
    size: [widthOf(rect), heightOf(rect), top - base],
  };
}

/** Materials of homes. Reflectances are near infrared, chosen by hand within the range that references give for such surfaces. */
export const MATERIALS: Readonly<Record<string, ShapeJson>> = {
  oak: { reflectance: 0.45 },
  tile: { reflectance: 0.55 },
  concrete: { reflectance: 0.32 },
  carpet: { reflectance: 0.25 },
  laminate: { reflectance: 0.12 },
  slate: { reflectance: 0.06 },
  plaster: { reflectance: 0.72 },
  beech: { reflectance: 0.45 },
  steel: { reflectance: 0.3, glint: 2 },
  cloth: { reflectance: 0.38 },
  denim: { reflectance: 0.2 },
  rubber: { reflectance: 0.02 },
  rug: { reflectance: 0.22 },
  polished: { reflectance: 0.04, mirror: 0.8, glint: 4 },
  silvered: { reflectance: 0.02, mirror: 0.95 },
  glass: { reflectance: 0.01, transparent: 0.92, glint: 6 },
  ground: { reflectance: 0.3 },
};
/** Floors, common ones several times. */
export const FLOOR_MATERIALS = [
  "oak",
  "oak",
  "oak",
  "tile",
  "tile",
  "concrete",
  "carpet",
  "laminate",
  "slate",
] as const;
