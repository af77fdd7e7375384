import type { Setup } from "../sense/events.ts";
import { frozenText } from "../sense/frozen.ts";
import { lensFaultText } from "../sense/lens-check.ts";
import type { TrackNote } from "../track/frame.ts";
import type { FromPlaying } from "./playing/playing-messages.ts";

/** Messages of the head that become notes for people. */
export type Notable = FromPlaying & { kind: "knock" | "waiver" | "track" | "frozen" | "lens" };

/** The note for a message of the head: its subject and its text; null when it repeats an earlier note. */
export function noteOf(
  message: Notable,
  sensors: Setup["sensors"],
): readonly [what: "knock" | "waiver" | "pose" | "sensor", text: string] | null {
  switch (message.kind) {
    case "knock": {
      const place = message.point.map((v) => v.toFixed(2)).join(", ");
      return message.isRepeat ? null : ["knock", `at ${place} m of the base`];
    }
    case "waiver": {
      const { state, direction, seconds, reason } = message;
      return ["waiver", `${state}: ${direction}, ${seconds} s, ${reason}`];
    }
    case "frozen":
      return ["sensor", frozenText(message, sensors)];
    case "lens":
      return ["sensor", lensFaultText(message.fault, sensors[message.sensor]?.name ?? "")];
    default:
      return ["pose", trackText(message.note)];
  }
}

function trackText(note: TrackNote): string {
  const degrees = (radians: number): string => `${((radians * 180) / Math.PI).toFixed(0)} degrees`;
  switch (note.what) {
    case "lost":
      return "lost: mapping pauses until the pose is known again";
    case "found":
      return `found again, ${note.distance.toFixed(2)} m from where it was last known`;
    case "loop closed":
      return note.distance > 0
        ? `loop closed: the position is corrected by ${note.distance.toFixed(2)} m, and the map is rebuilt`
        : "loop closed without a correction";
    case "place found":
      return "the place is known from an earlier run: its map is continued";
    case "yaw jump":
      return `the orientation sensor's yaw jumped by ${degrees(note.angle)}; not followed`;
    case "odometry disagrees":
      return `odometry and depth disagree by ${note.distance.toFixed(2)} m and ${degrees(note.angle)} a second`;
    default:
      return note satisfies never;
  }
}
