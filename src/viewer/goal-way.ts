import type { FromServer } from "../wire/messages.ts";
import { metresText } from "./text.ts";

/** The way to a goal, or why there is none. */
export type ShownWay = Pick<FromServer<"way">, "to" | "way" | "whyNot">;
type Way = NonNullable<ShownWay["way"]>;

/** Metres between two points of an arc. */
const EVERY = 0.05;

const placeText = ([x, y]: readonly [number, number]): string => `${x.toFixed(2)}, ${y.toFixed(2)}`;

/** A line for a person. */
export function wayText({ to, way, whyNot }: ShownWay): string {
  if (way === null) return `No way to ${placeText(to)}: ${whyNot?.text ?? "the head did not say why"}.`;
  const turns =
    way.turning > 0.01 ? `, ${Math.round((way.turning * 180) / Math.PI)}° of turns on the spot` : "";
  const gap =
    way.gap === null
      ? "no gap narrower than 2 m"
      : `narrowest gap ${metresText(way.gap.width)} at ${placeText(way.gap.point)}`;
  return `${metresText(way.length)} to ${placeText(to)}${turns}; ${gap}. It is shown only: the base drives by its own client.`;
}

/** Points along a way, metres in the world. */
export function pointsOf(pieces: Way["pieces"]): (readonly [x: number, y: number])[] {
  const points: (readonly [number, number])[] = [];
  for (const { from, curvature, length } of pieces) {
    const [x, y, yaw] = from;
    if (points.length === 0) points.push([x, y]);
    if (curvature === null) continue;
    const count = curvature === 0 ? 1 : Math.max(1, Math.ceil(Math.abs(length) / EVERY));
    for (let n = 1; n <= count; n++) {
      const s = (length * n) / count;
      const half = (curvature * s) / 2;
      const chord = curvature === 0 ? s : (2 * Math.sin(half)) / curvature;
      points.push([x + chord * Math.cos(yaw + half), y + chord * Math.sin(yaw + half)]);
    }
  }
  return points;
}
