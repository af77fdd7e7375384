import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Scene } from "../../src/simulate/scene.ts";
import type { Block, Material, Solid } from "../../src/simulate/solids.ts";

const FOCAL = 40 / Math.tan((83 / 2) * (Math.PI / 180));

/** 80 x 60 pixels, 83 degrees across; the lens of every profile test. */
export const PROFILE_OPTICS: PinholeOptics = {
  model: "pinhole",
  width: 80,
  height: 60,
  fx: FOCAL,
  fy: FOCAL,
  cx: 39.5,
  cy: 29.5,
  measures: "z",
  unit: 0.0002,
  minRange: 0.01,
  maxRange: 7.5,
};

export const always = { from: Number.NEGATIVE_INFINITY, until: Number.POSITIVE_INFINITY };

export const material = (reflectance: number, more: Partial<Material> = {}): Material => ({
  name: "test",
  reflectance,
  mirror: 0,
  transparent: 0,
  glint: 0,
  ...more,
});

/** An axis-parallel box between two corners. */
export function box(min: readonly number[], max: readonly number[], of = 0): Block {
  const [x0 = 0, y0 = 0, z0 = 0] = min;
  const [x1 = 0, y1 = 0, z1 = 0] = max;
  return {
    shape: "block",
    name: "box",
    material: of,
    ...always,
    x: (x0 + x1) / 2,
    y: (y0 + y1) / 2,
    halfX: (x1 - x0) / 2,
    halfY: (y1 - y0) / 2,
    yaw: 0,
    base: z0,
    heights: [z1, z1],
  };
}

const piece = (x0: number, x1: number, z0: number, z1 = z0): Solid => ({
  ...box([x0, -200, -60], [x1, 200, 0]),
  heights: [z0, z1],
});

/** The solids under the profiles of references "Scene profiles"; the floor begins 1 m behind the lens. */
function profileSolids(kind: string, edge: number): Solid[] {
  if (kind === "flat") return [piece(-1, 20, 0)];
  const near = piece(-1, edge, 0);
  if (kind === "void") return [near];
  if (kind === "threshold13") return [near, piece(edge, edge + 0.1, 0.013), piece(edge + 0.1, 20, 0)];
  if (kind === "ramp") return [near, piece(edge, edge + 6, 0, -0.5), piece(edge + 6, 20, -0.5)];
  if (kind.startsWith("ledge")) return [near, piece(edge, 20, -Number(kind.slice(5)) / 1000)];
  const [riser = 0, tread = 0] = kind
    .slice(5)
    .split("x")
    .map((mm) => Number(mm) / 1000);
  const treads = Array.from({ length: 12 }, (_, k) =>
    piece(edge + k * tread, edge + (k + 1) * tread, -(k + 1) * riser),
  );
  return [near, ...treads, piece(edge + 12 * tread, 20, -12 * riser)];
}

export const profileScene = (kind: string, edge: number, reflectance = 0.4): Scene =>
  new Scene([material(reflectance)], profileSolids(kind, edge));

/** worldFromLens of a lens at x = 0 looking along +x, pitched down by `pitch` degrees. */
export const lookingDown = (height: number, pitch: number): Pose => ({
  position: [0, 0, height],
  rotation: lensFromAngles(0, (pitch * Math.PI) / 180, 0),
});
