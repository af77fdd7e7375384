import type { FromClient, FromServer } from "../../wire/messages.ts";
import type { FromSensing, SensingStart, ToSensing } from "../sensing/sensing-messages.ts";
import type { BaselineSaid } from "./baseline.ts";
import type { Moment } from "./moments.ts";

/** What the thread of a head that plays a recording is given at its start. */
export interface PlayingStart extends SensingStart {
  /** Of the recording. */
  readonly path: string;
}

export type PlayWish = Omit<FromClient<"play">, "kind" | "id">;
export type Position = Omit<FromServer<"playing">, "kind" | "sequence" | "time">;

/** What such a head is told. */
export type ToPlaying =
  | ToSensing
  | { readonly kind: "play"; readonly ticket: number; readonly wish: PlayWish }
  | { readonly kind: "bookmark"; readonly text: string };

/** What it says. */
export type FromPlaying =
  | FromSensing
  /** The head begins at the start again: what was sent of its map is void. */
  | { readonly kind: "restarted" }
  | ({ readonly kind: "baseline" } & BaselineSaid)
  | ({ readonly kind: "playing" } & Position)
  | {
      readonly kind: "recording";
      /** Microseconds. */
      readonly length: number;
      readonly frames: number;
      readonly moments: readonly Moment[];
      /** How far a second head has run ahead, 0 to 1, and its paces. */
      readonly known: number;
      readonly curve: Uint8Array;
    };
