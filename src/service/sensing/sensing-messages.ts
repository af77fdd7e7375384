import type { MessagePort } from "node:worker_threads";
import type { Pose } from "../../geometry/optics.ts";
import type { HeadOutput, ReachOutput, TrackState } from "../../head/outputs.ts";
import type { Settings } from "../../head/settings.ts";
import type { HeadEvent, Setup } from "../../sense/events.ts";
import type { Answer, PlacedGoal, PlacedQuestion } from "../../wire/messages.ts";
import type { WatchedWay } from "../ways/way-messages.ts";
import type { TilesChanged } from "./changed-tiles.ts";
import type { FrameSlotMemory } from "./frame-slot.ts";
import type { Picture, PicturesWanted } from "./pictures.ts";
import type { ReachBody } from "./reach-body.ts";

/** Data of the sensing thread. */
export interface SensingStart {
  readonly setup: Setup;
  readonly settings: Readonly<Record<string, unknown>>;
  readonly slots: readonly FrameSlotMemory[];
  /** Microseconds between checks for changed blocks. */
  readonly blocksEvery: number;
  /** Port to the pre-trigger recorder; none without it. */
  readonly pretrigger?: MessagePort | null;
}

/** Messages to the sensing thread. */
export type ToSensing =
  | { readonly kind: "event"; readonly event: Exclude<HeadEvent, { kind: "depth" }> }
  | { readonly kind: "frame"; readonly sensor: number }
  | { readonly kind: "ask"; readonly ticket: number; readonly question: PlacedQuestion }
  | {
      readonly kind: "change";
      readonly ticket: number;
      readonly settings: Readonly<Record<string, number | string>>;
    }
  | {
      readonly kind: "sensors";
      readonly ticket: number;
      readonly setup: Setup;
      readonly slots: readonly FrameSlotMemory[];
    }
  /** Keeps a way to a goal up to date; null ends it. */
  | { readonly kind: "watch"; readonly watch: number; readonly goal: PlacedGoal | null }
  | { readonly kind: "clear"; readonly ticket: number }
  /** Brings back the map that was cleared last. */
  | { readonly kind: "undo"; readonly ticket: number }
  /** Wanted rates of pictures. */
  | { readonly kind: "pictures"; readonly wanted: PicturesWanted }
  | { readonly kind: "snapshot"; readonly ticket: number }
  | { readonly kind: "giveUpSeeking"; readonly ticket: number }
  | { readonly kind: "load"; readonly ticket: number; readonly bytes: Uint8Array };

/** The result for the base, which is sent before all other results of a frame. */
export interface SensedReach {
  readonly kind: "reach";
  readonly time: number;
  /** Microseconds from `time` for which its pace may be obeyed. */
  readonly holds: number;
  /** The sensor's number of the newest frame in it. */
  readonly frame: number;
  readonly body: ReachBody;
}

/** A frame that the head has processed. */
export interface SensedFrame {
  readonly kind: "frame";
  readonly sensor: number;
  readonly time: number;
  readonly sequence: number;
  readonly missed: number;
  readonly revision: number;
  readonly worldFromBase: Pose;
  /** Quality of a tracked pose; null for other poses. */
  readonly track: TrackState | null;
  /** Milliseconds that the frame took. */
  readonly cost: number;
}

/** Number of events by kind. */
export type EventCounts = Readonly<EventTotals>;
export type EventTotals = Partial<Record<HeadEvent["kind"], number>>;

export function addCounts(into: EventTotals, counts: EventCounts): void {
  for (const [kind, count] of Object.entries(counts) as [HeadEvent["kind"], number][]) {
    into[kind] = (into[kind] ?? 0) + count;
  }
}

/** Messages from the sensing thread. */
export type FromSensing =
  | Picture
  | { readonly kind: "ready"; readonly voxelSize: number; readonly settings: Settings }
  | SensedReach
  | SensedFrame
  | Extract<HeadOutput, { kind: "finding" | "waiver" | "knock" | "track" | "frozen" | "lens" }>
  | { readonly kind: "brinks"; readonly time: number; readonly brinks: ReachOutput["brinks"] }
  | { readonly kind: "skipped"; readonly sensor: number; readonly why: string; readonly detail: string }
  | { readonly kind: "blocks"; readonly revision: number; readonly count: number; readonly bytes: Uint8Array }
  | ({ readonly kind: "tiles" } & TilesChanged)
  | {
      readonly kind: "load";
      readonly busy: number;
      readonly shed: number;
      /** Whether the board's temperature is a reason to shed. */
      readonly isHot: boolean;
      readonly blocks: number;
      readonly revision: number;
      /** Events since the last report. */
      readonly events: EventCounts;
      /** Frames since the start that the pre-trigger recorder had to leave out. */
      readonly leftOut: number;
    }
  | {
      readonly kind: "answer";
      readonly ticket: number;
      readonly time: number | null;
      readonly revision: number;
      readonly answer: Answer | null;
    }
  | WatchedWay
  | { readonly kind: "changed"; readonly ticket: number; readonly settings: Settings }
  | {
      readonly kind: "done";
      readonly ticket: number;
      readonly bytes: Uint8Array | null;
      readonly revision: number;
    }
  /** The cleared map is back. `lost`: blocks that had been mapped since. All blocks of the map follow. */
  | { readonly kind: "restored"; readonly ticket: number; readonly lost: number }
  | { readonly kind: "refused"; readonly ticket: number; readonly message: string };
