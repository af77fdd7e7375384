import type { FootingLayer } from "../guard/footing.ts";
import type { FloorLayer } from "../map/floor.ts";
import type { BlockGrid, GridView } from "../map/grid.ts";
import type { Keyframe } from "../track/keyframes.ts";
import type { KnownPlace } from "../track/known-place.ts";
import { SettingError, type Settings } from "./settings.ts";

/** Settings that were drawn on the map of a place. */
export const DRAWN_SETTINGS = ["guard.keepOut", "guard.slowIn", "map.spots"] as const;
export type Drawn = Pick<Settings, (typeof DRAWN_SETTINGS)[number]>;

/** A place as it is kept between runs: its map, its floor with edges and knocks, and what poses are found by. */
export interface SavedPlace {
  readonly grid: BlockGrid;
  readonly floor: FloorLayer;
  readonly footing: FootingLayer;
  readonly known: KnownPlace;
}

/** Parts of a running head, to be saved. */
export interface PlaceParts {
  readonly grid: GridView;
  readonly floor: FloorLayer;
  readonly footing: FootingLayer;
  readonly frames: readonly Keyframe[];
  readonly maps: KnownPlace["maps"];
  readonly drawn: Drawn;
}

/**
 * Checks whether a head with these settings can look for a place.
 * @throws {RangeError} if its voxels have other sizes than the head's, or it has no keyframes
 * @throws {SettingError} if poses are not tracked with keyframes
 */
export function requireFit({ grid, known }: SavedPlace, settings: Settings): void {
  const sizes = [grid.voxelSize, known.maps.fine.voxelSize];
  const own = [settings["map.voxelSize"], settings["track.voxelSize"]];
  if (sizes.some((size, n) => size !== own[n])) {
    throw new RangeError(
      `the voxels of the saved place are ${sizes.join(" and ")} m, the head's ${own.join(" and ")} m`,
    );
  }
  if (known.frames.length === 0) throw new RangeError("the saved place has no keyframes to find it by");
  if (settings["pose.source"] !== "tracked" || settings["track.keyframes"] === 0) {
    throw new SettingError(
      "a saved place is found by tracked poses with keyframes: set pose.source, track.keyframes",
    );
  }
}
