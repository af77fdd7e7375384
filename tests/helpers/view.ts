import type { Optics } from "../../src/geometry/optics.ts";
import { unprojectPixel } from "../../src/geometry/rays.ts";

/** What a ray meets: the distance along it, in lengths of the ray vector, and the reflectance there. */
export interface Hit {
  readonly depth: number;
  readonly reflectance: number;
}

/** A scene seen from the origin of the lens frame (x right, y down, z forward). Null: the ray meets nothing. */
export type Scene = (x: number, y: number, z: number) => Hit | null;

/** Several scenes in one: the nearest hit counts. */
export const together =
  (...scenes: readonly Scene[]): Scene =>
  (x, y, z) => {
    let nearest: Hit | null = null;
    for (const scene of scenes) {
      const hit = scene(x, y, z);
      if (hit !== null && (nearest === null || hit.depth < nearest.depth)) nearest = hit;
    }
    return nearest;
  };

/** The plane normal . p = offset, where `inside` holds. */
export const plane =
  (
    normal: readonly [number, number, number],
    offset: number,
    inside: (x: number, y: number, z: number) => boolean = () => true,
    reflectance = 0.5,
  ): Scene =>
  (x, y, z) => {
    const depth = offset / (normal[0] * x + normal[1] * y + normal[2] * z);
    return depth > 0 && inside(x * depth, y * depth, z * depth) ? { depth, reflectance } : null;
  };

/**
 * Renders z-depth in metres for the middle of every pixel, and the same as a time-of-flight sensor sees it: the
 * phasors of 5 x 5 rays spread over the pixel, added up (inverse square law, `frequency` in hertz). `ghost` marks
 * pixels whose blend is more than 5 % away from everything that its rays meet; `sure` those whose rays all agree.
 */
export function render(optics: Optics, scene: Scene, frequency = 60e6) {
  const pixels = optics.width * optics.height;
  const clean = new Float64Array(pixels);
  const blended = new Float64Array(pixels);
  const ghost = new Uint8Array(pixels);
  const sure = new Uint8Array(pixels);
  const ray = new Float64Array(3);
  const k = (4 * Math.PI * frequency) / 299792458;
  const wrap = (2 * Math.PI) / k;
  for (let v = 0, i = 0; v < optics.height; v++) {
    for (let u = 0; u < optics.width; u++, i++) {
      unprojectPixel(optics, u, v, ray);
      const norm = Math.hypot(ray[0]!, ray[1]!, ray[2]!);
      const middle = scene(ray[0]!, ray[1]!, ray[2]!);
      clean[i] = middle === null ? 0 : middle.depth * ray[2]!;
      const seen: number[] = [];
      let re = 0;
      let im = 0;
      for (let n = 0; n < 25; n++) {
        unprojectPixel(optics, u + ((n % 5) - 2) / 5, v + (Math.floor(n / 5) - 2) / 5, ray);
        const hit = scene(ray[0]!, ray[1]!, ray[2]!);
        if (hit === null) continue;
        const range = hit.depth * Math.hypot(ray[0]!, ray[1]!, ray[2]!);
        seen.push(hit.depth * ray[2]!);
        re += (hit.reflectance / range ** 2) * Math.cos(k * range);
        im += (hit.reflectance / range ** 2) * Math.sin(k * range);
      }
      if (seen.length === 0) continue;
      const near = (clean[i] === 0 ? seen[0]! : clean[i]!) * norm;
      const phase = Math.atan2(im, re) / k;
      blended[i] = (phase + wrap * Math.round((near - phase) / wrap)) / norm;
      ghost[i] = Number(seen.every((z) => Math.abs(z - blended[i]!) > 0.05 * z));
      seen.sort((a, b) => a - b);
      sure[i] = Number(seen.length === 25 && seen.every((z, n) => n === 0 || z < 1.05 * seen[n - 1]!));
    }
  }
  return { clean, blended, ghost, sure };
}
