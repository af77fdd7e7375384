import { readFileSync } from "node:fs";
import { toYawPitchRoll } from "../../src/geometry/rigid.ts";
import { wrapAngle } from "../../src/geometry/vec.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import type { TrackNote } from "../../src/track/tracker.ts";
import { loadScenario, simulateEvents } from "../../tools/simulate/scenario.ts";
import { scoreOf } from "./grids.ts";

export interface RoundFrame {
  /** Seconds, and metres of true way. */
  readonly time: number;
  readonly way: number;
  readonly hold: string;
  readonly isMapped: boolean;
  /** Metres, and radians about the vertical, from the truth. */
  readonly error: number;
  readonly yaw: number;
  /** Whether the true place is within three sigma along every axis. */
  readonly isInside: boolean;
}

export interface RoundResult {
  readonly frames: readonly RoundFrame[];
  readonly notes: readonly { readonly time: number; readonly note: TrackNote }[];
  /** F-measure against the map of exact poses, within one voxel. */
  readonly score: number;
}

/**
 * Drives a scenario's round twice at once: with tracked poses, without odometry, the orientation drifting by 2 degrees a minute
 * with 0.3 degrees of noise and stamps 12 ms late, and with exact poses.
 * @param path   of the scenario
 * @param change changes the scenario
 */
export function driveRound(
  path: URL,
  change: (json: Record<string, unknown>) => void = () => {},
): RoundResult {
  const json = JSON.parse(readFileSync(path, "utf8")) as Record<string, unknown>;
  json["odometry"] = null;
  json["orientation"] = { rate: 100, yawDrift: 2, noise: 0.3, late: 0.012 };
  change(json);
  const scenario = loadScenario(json);
  const tracked = new Head(
    scenario.setup,
    resolveSettings({ "pose.source": "tracked", "orientation.lateness": 0.012 }),
  );
  const exact = new Head(scenario.setup, resolveSettings());
  const frames: RoundFrame[] = [];
  const notes: { time: number; note: TrackNote }[] = [];
  let way = 0;
  let before: readonly number[] | null = null;
  for (const event of simulateEvents(scenario)) {
    exact.take(event);
    if (event.kind === "reference" && frames.length > 0) continue;
    for (const output of tracked.take(event)) {
      if (output.kind === "track") notes.push({ time: output.time / 1e6, note: output.note });
      if (output.kind !== "frame" || output.track === null) continue;
      const truth = scenario.drive.poseAt(output.time / 1e6);
      const off = output.worldFromBase.position.map((v, k) => v - truth.position[k]!);
      if (before !== null) way += Math.hypot(truth.position[0] - before[0]!, truth.position[1] - before[1]!);
      before = truth.position;
      const [yaw] = toYawPitchRoll(output.worldFromBase.rotation);
      const { hold, covariance } = output.track;
      frames.push({
        ...{ time: output.time / 1e6, way, hold, isMapped: output.revision > 0 },
        error: Math.hypot(...off),
        yaw: Math.abs(wrapAngle(yaw - toYawPitchRoll(truth.rotation)[0])),
        isInside: off.every((v, k) => Math.abs(v) <= 3 * Math.sqrt(covariance[4 * k]!)),
      });
    }
  }
  return { frames, notes, score: scoreOf(tracked.grid, exact.grid) };
}
