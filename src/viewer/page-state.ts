import type { FromServer } from "../wire/messages.ts";
import { ageText, secondsText } from "./text.ts";

/** Whether the shown data can be trusted: a word and a line for people. */
export interface PageState {
  readonly word:
    | "Sees the floor"
    | "Dark floor"
    | "Lens covered"
    | "Late"
    | "Blind"
    | "Frozen"
    | "Lost"
    | "No sensor"
    | "Not set up"
    | "Silent"
    | "No connection"
    | "Connecting"
    | "Paused"
    | "Recording"
    | "Seeking";
  readonly line: string;
  /** Whether the numbers are current, of a moment of a recording, or outdated. */
  readonly values: "live" | "played" | "stale";
  /** Whether the map is of another moment than the numbers, or the pose on it is not known. */
  readonly isMapStale?: boolean;
}

/** The inputs of the judgement. */
export interface Known {
  readonly isOpen: boolean;
  /** Why the connection is closed, and milliseconds until the next attempt; null without. */
  readonly reason: string | null;
  readonly retry: number | null;
  readonly reach: FromServer<"reach"> | null;
  /** Milliseconds since the reach arrived. */
  readonly since: number;
  /** Whether a person has paused the page. */
  readonly isPaused: boolean;
  /** Whether no sensor has sent a frame since the head started. */
  readonly isSensorMissing?: boolean;
  /** The address at which sensors connect to this head. */
  readonly address?: string;
  /** Quality class of the pose. */
  readonly poseClass?: string | null;
  /** The position in the recording, if the head plays one. */
  readonly playing?: FromServer<"playing"> | null;
  /** Length of the recording, microseconds. */
  readonly length?: number;
}

/**
 * Microseconds without a reach after which the page shows "Silent". The head sends a reach ten times a second even without frames. A base
 * does not depend on this limit: it stops at the `until` of each reach.
 */
const SILENT_FOR = 500_000;

const stale = (word: PageState["word"], line: string): PageState => ({ word, line, values: "stale" });

export function judge(known: Known): PageState {
  const { reach, since } = known;
  if (known.isPaused && reach !== null) {
    return stale("Paused", `this view is ${ageText(reach.age + 1000 * since)} old; the head continues`);
  }
  if (!known.isOpen) {
    if (known.reason === null) return stale("Connecting", "waiting for the head");
    const again = known.retry === null ? "no retry" : `retry in ${ageText(1000 * known.retry)}`;
    return stale("No connection", `${known.reason || "the head does not answer"}; ${again}`);
  }
  if (known.playing) return judgePlayed(known.playing, known.length ?? 0, reach, known.poseClass === "lost");
  if (known.isSensorMissing) {
    const how = known.address === undefined ? "" : ` (its driver connects to ${known.address} as a sensor)`;
    return stale("No sensor", `no depth sensor has connected yet${how}: the base stops`);
  }
  if (reach === null) return stale("Connecting", "no data from the sensors yet");
  if (1000 * since > SILENT_FOR) {
    return stale("Silent", `no data for ${ageText(1000 * since)}: the base stops`);
  }
  return judgeLive(reach, ageText(reach.age + 1000 * since), known.poseClass === "lost");
}

/** @param age of the reach's evidence, in words */
function judgeLive({ state }: FromServer<"reach">, age: string, isPoseLost: boolean): PageState {
  if (isPoseLost && (state === "clear" || state === "dark")) {
    // The view of the floor ahead needs no pose.
    const line = `the pose is not known, mapping pauses; the floor ahead is seen, ${age} old`;
    return { word: "Lost", line, values: "live", isMapStale: true };
  }
  switch (state) {
    case "clear":
      return { word: "Sees the floor", line: `${age} old`, values: "live" };
    case "dark":
      return { word: "Dark floor", line: `little floor is measured; ${age} old`, values: "live" };
    case "covered":
      return stale("Lens covered", "something is close to the lens: the base stops");
    case "late":
      return stale("Late", `the newest frame is ${age} old: the base stops`);
    case "frozen":
      return stale("Frozen", "a sensor repeats old data though the robot moves: the base stops");
    case "blind":
      return stale("Blind", "the sensor measures nothing: the base stops");
    case "lost":
      return stale("Lost", "the pose is not known: mapping pauses");
    case "unconfigured":
      return stale("Not set up", "outline and brakes of this base were never set: the base stops");
    case "waiting":
      return stale("No sensor", "no depth frame has been judged yet: the base stops");
    default:
      return state satisfies never;
  }
}

function judgePlayed(
  { at, goal, share, speed }: FromServer<"playing">,
  length: number,
  reach: FromServer<"reach"> | null,
  isPoseLost: boolean,
): PageState {
  const percent = `${Math.round(100 * share)} %`;
  if (goal !== null && goal !== at) {
    return stale("Seeking", `to ${secondsText(goal)}, ${percent}; this view is of ${secondsText(at)}`);
  }
  const parts = [`${secondsText(at)} of ${secondsText(length)}`, speed === 0 ? "paused" : `speed ${speed}`];
  if (reach !== null && reach.state !== "clear") parts.push(`head: ${reach.state}`);
  if (isPoseLost) parts.push("pose: lost");
  if (goal !== null) parts.push(`map catching up, ${percent}`);
  return { word: "Recording", line: parts.join("; "), values: "played", isMapStale: goal !== null };
}

/** The line style of the path for a quality class of poses: each class with doubt has its own. */
export function lineOf(poseClass: string): "whole" | "dashed" | "rungs" | "dotted" {
  if (poseClass === "lost") return "dotted";
  if (poseClass === "carried") return "rungs";
  return poseClass === "sliding" ? "dashed" : "whole";
}
