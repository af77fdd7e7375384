import { missingStreams, POSE_STREAMS } from "../../src/head/pose-needs.ts";
import type { Settings } from "../../src/head/settings.ts";
import type { HeadEvent } from "../../src/sense/events.ts";

/** No frame of a recording could be placed; the message names what the recording lacks. */
export class NoPoseError extends Error {
  override readonly name = "NoPoseError";

  /** @param kinds of all events in the recording */
  constructor(source: Settings["pose.source"], kinds: ReadonlySet<HeadEvent["kind"]>) {
    const missing = missingStreams(source, (stream) => kinds.has(stream));
    const has = POSE_STREAMS.filter((stream) => kinds.has(stream)).join(", ") || "none";
    super(
      missing === null
        ? `no frame has a pose by pose.source ${source}: frames and poses do not overlap in time`
        : `no frame has a pose: the recording has no ${missing}, which pose.source ${source} needs; streams for poses in it: ${has}`,
    );
  }
}
