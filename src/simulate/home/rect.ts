/** Min x, min y, max x, max y; metres. */
export type Rect = readonly [x0: number, y0: number, x1: number, y1: number];

export const widthOf = ([x0, , x1]: Rect): number => x1 - x0;
export const heightOf = ([, y0, , y1]: Rect): number => y1 - y0;
export const areaOf = (rect: Rect): number => widthOf(rect) * heightOf(rect);
export const middleOf = ([x0, y0, x1, y1]: Rect): readonly [number, number] => [(x0 + x1) / 2, (y0 + y1) / 2];

export const grown = ([x0, y0, x1, y1]: Rect, by: number): Rect => [x0 - by, y0 - by, x1 + by, y1 + by];

/** Whether they share an area; touching is not enough. */
export const overlaps = (a: Rect, b: Rect): boolean =>
  a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3];

export const isWithin = (inner: Rect, outer: Rect): boolean =>
  inner[0] >= outer[0] && inner[1] >= outer[1] && inner[2] <= outer[2] && inner[3] <= outer[3];

/** What both have in common, or null. */
export function common(a: Rect, b: Rect): Rect | null {
  const rect: Rect = [Math.max(a[0], b[0]), Math.max(a[1], b[1]), Math.min(a[2], b[2]), Math.min(a[3], b[3])];
  return rect[0] < rect[2] && rect[1] < rect[3] ? rect : null;
}

/** The four sides of a rectangle, each as seen from its inside. */
export const SIDES = ["west", "east", "south", "north"] as const;
export type Side = (typeof SIDES)[number];

export const OPPOSITE: Readonly<Record<Side, Side>> = {
  west: "east",
  east: "west",
  south: "north",
  north: "south",
};

/** The strip of `rect` along one of its sides; a negative depth lies outside of it. */
export function stripAlong([x0, y0, x1, y1]: Rect, side: Side, depth: number): Rect {
  switch (side) {
    case "west":
      return depth > 0 ? [x0, y0, x0 + depth, y1] : [x0 + depth, y0, x0, y1];
    case "east":
      return depth > 0 ? [x1 - depth, y0, x1, y1] : [x1, y0, x1 - depth, y1];
    case "south":
      return depth > 0 ? [x0, y0, x1, y0 + depth] : [x0, y0 + depth, x1, y0];
    default:
      return depth > 0 ? [x0, y1 - depth, x1, y1] : [x0, y1, x1, y1 - depth];
  }
}

/** The ends of one side, in the order of the coordinate that changes. */
export function endsOf(
  [x0, y0, x1, y1]: Rect,
  side: Side,
): readonly [readonly [number, number], readonly [number, number]] {
  switch (side) {
    case "west":
      return [
        [x0, y0],
        [x0, y1],
      ];
    case "east":
      return [
        [x1, y0],
        [x1, y1],
      ];
    case "south":
      return [
        [x0, y0],
        [x1, y0],
      ];
    default:
      return [
        [x0, y1],
        [x1, y1],
      ];
  }
}

/** Yaw, degrees, of looking at a side from the inside. */
export const YAW_TO: Readonly<Record<Side, number>> = { east: 0, north: 90, west: 180, south: -90 };
