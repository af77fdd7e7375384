import type { FromClient, FromServer } from "../../wire/messages.ts";
import type { FromSensing, SensingStart, ToSensing } from "../sensing/sensing-messages.ts";
import type { BaselineMessage } from "./baseline.ts";
import type { LostPart } from "./lost-parts.ts";
import type { Moment } from "./moments.ts";

/** Data of the thread of a head that plays a recording. */
export interface PlayingStart extends SensingStart {
  /** Path of the recording. */
  readonly path: string;
}

export type PlayWish = Omit<FromClient<"play">, "kind" | "id">;
export type Position = Omit<FromServer<"playing">, "kind" | "sequence" | "time" | "map" | "moved">;

/** Messages to such a head. */
export type ToPlaying =
  | ToSensing
  | { readonly kind: "play"; readonly ticket: number; readonly wish: PlayWish }
  | { readonly kind: "bookmark"; readonly text: string };

/** Messages from it. */
export type FromPlaying =
  | FromSensing
  /** The head has restarted the recording: the map that was sent so far is void. */
  | { readonly kind: "restarted" }
  /** The voxels of the map have another size, metres: the map that was sent so far is void. */
  | { readonly kind: "resized"; readonly voxelSize: number }
  | ({ readonly kind: "baseline" } & BaselineMessage)
  | ({ readonly kind: "playing" } & Position)
  | {
      readonly kind: "recording";
      /** Microseconds. */
      readonly length: number;
      readonly frames: number;
      readonly moments: readonly Moment[];
      readonly lost: readonly LostPart[];
      /** Share of the frames that the head ahead has done, 0 to 1, and their paces. */
      readonly known: number;
      readonly curve: Uint8Array;
      /** The same with the baseline's settings; null while nothing is compared. */
      readonly before: { readonly known: number; readonly curve: Uint8Array } | null;
      /** What defines the world of map and places. */
      readonly world: "reference" | "start";
    };
