import type { Pose } from "../../src/geometry/optics.ts";
import { compose, fromYawPitchRoll, invert, toYawPitchRoll } from "../../src/geometry/rigid.ts";
import { wrapAngle } from "../../src/geometry/vec.ts";
import { Head } from "../../src/head/head.ts";
import type { HeadOutput } from "../../src/head/outputs.ts";
import type { SavedPlace } from "../../src/head/saved-place.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

/** The head's poses in a run, against the truth. */
export interface RunFrame {
  /** Seconds. */
  readonly time: number;
  /** The pose of the head, in its own world; and the true one, in the scenario's. */
  readonly said: Pose;
  readonly true: Pose;
  readonly hold: string;
}

/** One run of a head through a scenario. */
export interface Run {
  readonly head: Head;
  readonly frames: readonly RunFrame[];
  readonly notes: readonly { readonly time: number; readonly what: string }[];
  /** The true pose of the first frame, about the vertical: the origin of the head's world. */
  readonly origin: Pose;
}

type Json = Readonly<Record<string, unknown>>;
type Spot = readonly [x: number, y: number];

/** A full turn at a spot, beginning with a heading in degrees. */
export const lookAround = ([x, y]: Spot, degrees = 0): Json => ({
  at: [x, y],
  look: [90, 180, 270, 360].map((angle) => degrees + angle),
});

/** A point that the drive ends with, a short way ahead: a drive has two points or more. */
export const ahead = ([x, y]: Spot, degrees: number): Json => {
  const yaw = (Math.PI * degrees) / 180;
  return { at: [x + 0.2 * Math.cos(yaw), y + 0.2 * Math.sin(yaw)] };
};

/**
 * Drives a head that tracks its poses.
 * @param points of the drive
 * @param place  of an earlier run, to be recognised
 */
export function run(json: Json, points: readonly Json[], place: SavedPlace | null = null, seed = 1): Run {
  const drive = { ...(json["drive"] as Json), points };
  const scenario = loadScenario({ ...json, seed, drive });
  const head = new Head(scenario.setup, resolveSettings({ "pose.source": "tracked" }));
  if (place !== null) head.seek(place);
  const frames: RunFrame[] = [];
  const notes: { time: number; what: string }[] = [];
  let truth: Pose | null = null;
  let origin: Pose | null = null;
  const take = (output: HeadOutput): void => {
    const time = output.time / 1e6;
    if (output.kind === "track") notes.push({ time, what: output.note.what });
    if (output.kind !== "frame" || output.track === null) return;
    frames.push({ time, said: output.worldFromBase, true: truth!, hold: output.track.hold });
  };
  for (const event of simulateEvents(scenario)) {
    // The truth is for the comparison alone.
    if (event.kind !== "reference") head.take(event).forEach(take);
    else {
      truth = event.pose;
      const [yaw] = toYawPitchRoll(event.pose.rotation);
      origin ??= { rotation: fromYawPitchRoll(yaw, 0, 0), position: event.pose.position };
    }
  }
  return { head, frames, notes, origin: origin! };
}

/** How far a pose is from the truth in the world of an earlier run: metres and radians. */
export function errorOf(frame: RunFrame, earlier: Run): { readonly off: number; readonly yaw: number } {
  const truth = compose(invert(earlier.origin), frame.true);
  const [x, y] = [frame.said.position[0] - truth.position[0], frame.said.position[1] - truth.position[1]];
  const yaw = wrapAngle(toYawPitchRoll(frame.said.rotation)[0] - toYawPitchRoll(truth.rotation)[0]);
  return { off: Math.hypot(x, y), yaw: Math.abs(yaw) };
}
