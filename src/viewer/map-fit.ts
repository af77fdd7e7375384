import { Box3, Vector3 } from "three";

// What a fitted view of the map includes.

/** Metres around the robot that a fitted view includes. */
const AROUND = 0.5;
const CORNERS = [
  [-1, -1],
  [-1, 1],
  [1, -1],
  [1, 1],
] as const;
/** Metres: least height of walls that a fitted view includes. */
const READABLE = 1;
/** Growth of the map, as a share of its size, after which the view is fitted again. A smaller share would move the picture all the time. */
const OUTGROWN = 0.03;

/** The bounds of the map and the robot; null without a map. @param place of the robot; null: unknown */
export function fitBounds(
  map: { readonly low: Vector3; readonly high: Vector3 } | null,
  place: Vector3 | null,
): Box3 | null {
  if (map === null) return null;
  const box = new Box3(map.low, map.high);
  if (place === null) return box;
  const around = new Vector3(AROUND, AROUND, 0);
  return box.union(new Box3(place.clone().sub(around), place.clone().add(around)));
}

/** Whether the map or the robot exceed the bounds that the view was fitted to. */
export function hasOutgrown(fitted: Box3, bounds: Box3 | null): boolean {
  if (bounds === null) return false;
  const spare = fitted.getSize(new Vector3()).length() * OUTGROWN;
  return !fitted.clone().expandByScalar(spare).containsBox(bounds);
}

/**
 * Points that must be in view: the columns of the map up to a height that shows its rooms, or the corners of its bounds; and the path.
 * @param columns centres of the seen columns, metres
 * @param stood   places of the robot
 */
export function fitPlaces(
  columns: readonly (readonly [x: number, y: number])[],
  bounds: Box3,
  stood: readonly Vector3[],
): Vector3[] {
  const places = columns.flatMap(([x, y]) => [new Vector3(x, y, 0), new Vector3(x, y, READABLE)]);
  if (places.length === 0) {
    for (const x of [bounds.min.x, bounds.max.x])
      for (const y of [bounds.min.y, bounds.max.y]) places.push(new Vector3(x, y, 0));
  }
  for (const place of stood) {
    for (const [x, y] of CORNERS) places.push(place.clone().add(new Vector3(AROUND * x, AROUND * y, 0)));
  }
  return places;
}
