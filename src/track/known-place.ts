import type { Keyframe } from "./keyframes.ts";
import type { MapPair } from "./local-map.ts";

/** A place as an earlier run knew it. */
export interface KnownPlace {
  /** Oldest first. */
  readonly frames: readonly Keyframe[];
  /** Surfels of its surfaces. */
  readonly maps: MapPair;
}
