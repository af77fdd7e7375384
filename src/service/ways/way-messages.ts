import type { Footprint } from "../../guard/body.ts";
import type { Stand } from "../../way/pieces.ts";
import type { Goal } from "../../way/way-finder.ts";
import type { Answer, Question } from "../../wire/messages.ts";
import type { FloorPatch } from "./floor-changes.ts";

export type WayQuestion = Extract<Question, { about: "way" }>;
export type WayAnswer = Extract<Answer, { about: "way" }>;

/** A question for a way, with all that the answer depends on besides the floor. */
export interface WayOrder {
  readonly question: WayQuestion;
  /** In the world. */
  readonly goal: Goal;
  readonly base: Stand;
  readonly footprint: Footprint;
  /** Metres: the wheels cross unseen and doubtful ground so narrow between firm cells. */
  readonly gap: number;
  /** Metres: side of the map's cells. */
  readonly cellSize: number;
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
      readonly order: WayOrder;
    };

/** Messages from it: the same as from the sensing thread. */
export type FromWays =
  | {
      readonly kind: "answer";
      readonly ticket: number;
      readonly time: number | null;
      readonly revision: number;
      readonly answer: WayAnswer;
    }
  | { readonly kind: "refused"; readonly ticket: number; readonly message: string };
