import type { FromServer } from "../wire/messages.ts";
import { metresText } from "./text.ts";

type Brink = FromServer<"brinks">["brinks"][number];
type Pose = FromServer<"pose">["worldFromBase"];

/** An edge of the floor in the base frame: x ahead, y to the left, metres. */
export interface NearBrink {
  readonly points: readonly (readonly [x: number, y: number])[];
  /** Metres; null when no bottom was seen. */
  readonly drop: number | null;
  /** The nearest of its points, and its distance. */
  readonly nearest: readonly [x: number, y: number];
  readonly distance: number;
}

/** Edges of the floor in the base frame, the nearest first. */
export function brinksFrom({ position, rotation }: Pose, brinks: readonly Brink[]): NearBrink[] {
  const yaw = yawOf(rotation);
  const [cos, sin] = [Math.cos(yaw), Math.sin(yaw)];
  const turned = ([x, y]: readonly [number, number]): readonly [number, number] => {
    const [dx, dy] = [x - position[0], y - position[1]];
    return [cos * dx + sin * dy, cos * dy - sin * dx];
  };
  return brinks
    .filter(({ points }) => points.length > 0)
    .map(({ points: world, drop }) => {
      const points = world.map(turned);
      let nearest = points[0]!;
      for (const point of points) if (Math.hypot(...point) < Math.hypot(...nearest)) nearest = point;
      return { points, drop, nearest, distance: Math.hypot(...nearest) };
    })
    .sort((a, b) => a.distance - b.distance);
}

/** Bearing of a base's front in the world, radians, from its rotation x, y, z, w. */
export function yawOf([x, y, z, w]: Pose["rotation"]): number {
  return Math.atan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z));
}

export const dropText = (drop: number | null): string =>
  drop === null ? "no bottom seen" : `${metresText(drop)} deep`;
