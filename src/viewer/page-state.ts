import type { FromServer } from "../wire/messages.ts";
import { ageText, secondsText } from "./text.ts";

/** How far what the page shows can be believed, in one word and one line. */
export interface Trust {
  readonly word:
    | "Seeing"
    | "Dark"
    | "Covered"
    | "Late"
    | "Blind"
    | "Lost"
    | "Silent"
    | "No connection"
    | "Connecting"
    | "Held"
    | "Recording"
    | "Going there";
  readonly line: string;
  /** Whether what is shown may be taken for what is. */
  readonly isLive: boolean;
  /** A recording: the numbers are true of their moment, which is not now. */
  readonly isPlayed?: boolean;
  /** The map is of another moment than the numbers. */
  readonly isMapOld?: boolean;
}

export interface Known {
  readonly isOpen: boolean;
  /** Why the connection is gone, if it is, and milliseconds until it is tried again. */
  readonly reason: string | null;
  readonly retry: number | null;
  readonly reach: FromServer<"reach"> | null;
  /** Milliseconds since that arrived. */
  readonly since: number;
  /** Microseconds without a reach after which a base must stop. */
  readonly silence: number;
  readonly isHeld: boolean;
  /** How the pose is known. */
  readonly poseClass?: string | null;
  /** Where in a recording the head is, if it plays one. */
  readonly playing?: FromServer<"playing"> | null;
  /** Of the recording, microseconds. */
  readonly length?: number;
}

export function judge(known: Known): Trust {
  const { reach, since, silence } = known;
  if (known.isHeld && reach !== null) {
    const behind = ageText(reach.age + 1000 * since);
    return { word: "Held", line: `this moment is ${behind} old; the head goes on`, isLive: false };
  }
  if (!known.isOpen) {
    if (known.reason === null) return { word: "Connecting", line: "waiting for the head", isLive: false };
    const again = known.retry === null ? "not tried again" : `tried again in ${ageText(1000 * known.retry)}`;
    return { word: "No connection", line: `${known.reason || "the head is gone"}; ${again}`, isLive: false };
  }
  if (known.playing) return judgePlayed(known.playing, known.length ?? 0, reach, known.poseClass === "lost");
  if (reach === null) return { word: "Connecting", line: "no answer from the sensors yet", isLive: false };
  if (1000 * since > silence) {
    return { word: "Silent", line: `nothing came for ${ageText(1000 * since)}: a base stops`, isLive: false };
  }
  const old = ageText(reach.age + 1000 * since);
  const isFit = reach.state === "clear" || reach.state === "dark";
  if (isFit && known.poseClass === "lost") {
    // The floor ahead needs no place: it is seen all the same.
    const line = `the place is not known, the map rests; the floor ahead is seen, ${old} old`;
    return { word: "Lost", line, isLive: true, isMapOld: true };
  }
  switch (reach.state) {
    case "clear":
      return { word: "Seeing", line: `${old} old`, isLive: true };
    case "dark":
      return { word: "Dark", line: `little of the floor shows; ${old} old`, isLive: true };
    case "covered":
      return { word: "Covered", line: "something is right before the lens: a base stops", isLive: false };
    case "late":
      return { word: "Late", line: `the newest frame is ${old} old: a base stops`, isLive: false };
    case "blind":
      return { word: "Blind", line: "the lens sees nothing: a base stops", isLive: false };
    case "lost":
      return { word: "Lost", line: "the place is not known: the map rests", isLive: false };
    default:
      return reach.state satisfies never;
  }
}

function judgePlayed(
  { at, goal, share, speed }: FromServer<"playing">,
  length: number,
  reach: FromServer<"reach"> | null,
  isLost: boolean,
): Trust {
  const place = `${secondsText(at)} of ${secondsText(length)}`;
  const percent = `${Math.round(100 * share)} %`;
  if (goal !== null && goal !== at) {
    const line = `to ${secondsText(goal)}, ${percent}; what is shown is of ${secondsText(at)}`;
    return { word: "Going there", line, isLive: false };
  }
  const isFit = reach === null || reach.state === "clear";
  const pace = speed === 0 ? "standing" : speed === 1 ? "as it was recorded" : `${speed} times as fast`;
  const parts = [
    place,
    pace,
    ...(isFit ? [] : [`the head: ${reach.state}`]),
    ...(isLost ? ["the head: lost"] : []),
    ...(goal === null ? [] : [`the map follows, ${percent}`]),
  ];
  return { word: "Recording", line: parts.join("; "), isLive: true, isPlayed: true, isMapOld: goal !== null };
}

/** How the way is drawn where poses were known like that: no two kinds that are in doubt look alike. */
export function lineOf(kind: string): "whole" | "dashed" | "rungs" | "dotted" {
  if (kind === "lost") return "dotted";
  if (kind === "carried") return "rungs";
  return kind === "sliding" ? "dashed" : "whole";
}
