import { END } from "../terms/safety.ts";
import type { FromServer } from "../wire/messages.ts";

/** Corners of an outline in order, metres. */
export type Outline = readonly (readonly [x: number, y: number])[];

/** The robot's outline: x ahead, y to the left, metres of the base. */
export type Body = Outline;

/** Parses an outline in a setting: "x,y x,y ...". @returns no corners when it is no outline */
export function outlineOf(text: string): Outline {
  const corners = text
    .trim()
    .split(/\s+/)
    .map((corner) => corner.split(",").map(Number))
    .filter((corner) => corner.length === 2 && corner.every(Number.isFinite)) as [number, number][];
  return corners.length >= 3 ? corners : [];
}

/** The obstacle or edge that limits the pace straight ahead, and the band that the robot sweeps up to there; metres of the base. */
export interface LimitPoint {
  readonly front: number;
  readonly left: number;
  readonly right: number;
  /** x of the robot's front at the end of the band. */
  readonly end: number;
  /** Position of what limits the pace. */
  readonly x: number;
  readonly y: number;
  /** Whether nothing limits it within the range of the guard. */
  readonly isOpen: boolean;
}

/** @returns null when no pace or no outline is known */
export function limitPointOf({ pace }: Pick<FromServer<"reach">, "pace">, body: Body): LimitPoint | null {
  if (pace === null || body.length === 0) return null;
  const front = Math.max(...body.map(([x]) => x));
  const left = Math.max(...body.map(([, y]) => y));
  const right = Math.min(...body.map(([, y]) => y));
  const { limit } = pace;
  const way = (limit?.distanceMm ?? pace.roomMm) / 1000;
  const [x, y] = limit?.outline ?? [front, 0];
  const isOpen = limit === null || limit.cause === END.unlooked || limit.cause === END.open;
  return { front, left, right, end: front + way, x: x + way, y, isOpen };
}

/** A wedge within the outline whose tip is the robot's front. */
export function wedgeOf(body: Body): Body {
  if (body.length === 0) return [];
  const xs = body.map(([x]) => x);
  const ys = body.map(([, y]) => y);
  const [front, back] = [Math.max(...xs), Math.min(...xs)];
  const [left, right] = [Math.max(...ys), Math.min(...ys)];
  const [middle, long] = [(left + right) / 2, front - back];
  const half = 0.32 * (left - right);
  return [
    [front - 0.08 * long, middle],
    [back + 0.25 * long, middle + half],
    [back + 0.25 * long, middle - half],
  ];
}
