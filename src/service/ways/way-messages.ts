import type { Footprint } from "../../guard/body.ts";
import type { Stand } from "../../way/pieces.ts";
import type { Goal } from "../../way/way-finder.ts";
import type { Answer, PlacedGoal, PlacedQuestion } from "../../wire/messages.ts";
import type { FloorPatch } from "./floor-changes.ts";

export type WayQuestion = Extract<PlacedQuestion, { about: "way" }>;
export type WayAnswer = Extract<Answer, { about: "way" }>;

export type LookQuestion = Extract<PlacedQuestion, { about: "look" }>;
export type LookAnswer = Extract<Answer, { about: "look" }>;

/** The body for which a way is found. */
export interface WayBody {
  readonly footprint: Footprint;
  /** Metres: the wheels cross unseen and doubtful ground so narrow between firm cells. */
  readonly gap: number;
  /** Metres: side of the map's cells. */
  readonly cellSize: number;
}

/** What a way must be like, besides its ends. */
export type WayWish = Pick<WayQuestion, "margin" | "radius" | "unseen" | "doubtful" | "noTurn">;

/** A question for a way, with all that the answer depends on besides the floor. */
export interface WayOrder extends WayBody {
  readonly question: WayWish;
  /** In the world. */
  readonly goal: Goal;
  readonly base: Stand;
}

/** A question for the next look, with all that the answer depends on besides the floor. */
export interface LookOrder extends WayBody {
  readonly question: Omit<LookQuestion, "about">;
  readonly base: Stand;
}

/** The state in which watched ways are looked at. */
export interface WayState extends WayBody {
  readonly time: number;
  readonly revision: number;
  readonly base: Stand;
}

/** Messages to the thread that finds ways. The floor comes before the questions about it. */
export type ToWays =
  | ({ readonly kind: "floor" } & FloorPatch)
  | {
      readonly kind: "ask";
      readonly ticket: number;
      /** Microseconds: time of the newest frame; and revision of the map. */
      readonly time: number | null;
      readonly revision: number;
      readonly order: WayOrder | LookOrder;
    }
  | { readonly kind: "watch"; readonly watch: number; readonly goal: PlacedGoal | null }
  | ({ readonly kind: "look" } & WayState);

/** A way to a watched goal that has changed. */
export interface WatchedWay {
  readonly kind: "way";
  readonly watch: number;
  /** Microseconds: time of the newest frame. */
  readonly time: number;
  readonly revision: number;
  readonly to: readonly [number, number];
  readonly answer: WayAnswer;
}

/** Messages from it: the same as from the sensing thread. */
export type FromWays =
  | WatchedWay
  | {
      readonly kind: "answer";
      readonly ticket: number;
      readonly time: number | null;
      readonly revision: number;
      readonly answer: WayAnswer | LookAnswer;
    }
  | { readonly kind: "refused"; readonly ticket: number; readonly message: string };
