import type { HeadEvent } from "../sense/events.ts";
import type { Settings } from "./settings.ts";

/** Periodic events from which poses are made. */
export const POSE_STREAMS = [
  "reference",
  "motion",
  "orientation",
  "inertial",
] as const satisfies readonly HeadEvent["kind"][];
export type PoseStream = (typeof POSE_STREAMS)[number];

/** Names for people. */
export const STREAM_NAMES: Readonly<Record<PoseStream, string>> = {
  reference: "a reference for poses",
  motion: "odometry",
  orientation: "orientation",
  inertial: "inertial samples",
};

/** Without these no frame has a pose; of each list one is enough. */
const NEEDS: Readonly<Record<Settings["pose.source"], readonly (readonly PoseStream[])[]>> = {
  reference: [["reference"]],
  odometry: [["motion"], ["orientation", "inertial"]],
  tracked: [["orientation", "inertial"]],
};

/** The missing streams in words, as in "odometry; orientation or inertial samples". Null when none is missing. */
export function missingStreams(
  source: Settings["pose.source"],
  comes: (stream: PoseStream) => boolean,
): string | null {
  const missing = NEEDS[source].filter((streams) => !streams.some(comes));
  if (missing.length === 0) return null;
  return missing.map((streams) => streams.map((stream) => STREAM_NAMES[stream]).join(" or ")).join("; ");
}
