import { existsSync, readFileSync } from "node:fs";
import { fromRotationVector, multiply, toYawPitchRoll } from "../../src/geometry/rigid.ts";
import { wrapAngle } from "../../src/geometry/vec.ts";
import { Head } from "../../src/head/head.ts";
import type { HeadOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import type { OrientationEvent } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario, type Scenario } from "../../src/simulate/scenario.ts";
import type { TrackNote } from "../../src/track/frame.ts";
import { scoreOf } from "./grids.ts";

export interface RoundFrame {
  /** Seconds, and metres of true way. */
  readonly time: number;
  readonly way: number;
  readonly hold: string;
  readonly isMapped: boolean;
  /** Metres, and radians about the vertical, from the truth. */
  readonly off: readonly number[];
  readonly error: number;
  readonly yaw: number;
  /** Whether the true place is within three sigma along every axis. */
  readonly isInside: boolean;
}

/** A head with tracked poses, compared with the truth frame by frame. */
class Tracked {
  readonly frames: RoundFrame[] = [];
  readonly notes: { time: number; note: TrackNote }[] = [];
  readonly head: Head;
  readonly #scenario: Scenario;
  #way = 0;
  #last: readonly number[] | null = null;

  constructor(scenario: Scenario, given: Readonly<Record<string, unknown>> = {}) {
    this.#scenario = scenario;
    const settings = resolveSettings({ "pose.source": "tracked", "orientation.lateness": 0.012, ...given });
    this.head = new Head(scenario.setup, settings);
  }

  /** Compares the outputs of one event with the truth. */
  note(outputs: readonly HeadOutput[]): void {
    for (const output of outputs) {
      const time = output.time / 1e6;
      if (output.kind === "track") this.notes.push({ time, note: output.note });
      if (output.kind !== "frame" || output.track === null) continue;
      const truth = this.#scenario.drive.poseAt(time);
      const off = output.worldFromBase.position.map((v, k) => v - truth.position[k]!);
      const [x, y] = this.#last ?? truth.position;
      this.#way += Math.hypot(truth.position[0] - x!, truth.position[1] - y!);
      this.#last = truth.position;
      const [yaw] = toYawPitchRoll(output.worldFromBase.rotation);
      const { hold, covariance } = output.track;
      this.frames.push({
        time,
        way: this.#way,
        hold,
        isMapped: output.revision > 0,
        off,
        error: Math.hypot(...off),
        yaw: Math.abs(wrapAngle(yaw - toYawPitchRoll(truth.rotation)[0])),
        isInside: off.every((v, k) => Math.abs(v) <= 3 * Math.sqrt(covariance[4 * k]!)),
      });
    }
  }
}

/**
 * A scenario without odometry; the orientation drifts by 2 degrees a minute, has 0.3 degrees of noise, and its stamps are 12 ms late.
 * @param isHarsh with an accelerometer five times as noisy and off by 0.1 m/s^2
 */
function withoutOdometry(name: string, seed: number, isHarsh = false): Scenario {
  // From tests/helpers, and from its built copy in dist.
  const places = ["../../", "../../../"].map((up) => new URL(`${up}datasets/${name}.json`, import.meta.url));
  const text = readFileSync(places.find((place) => existsSync(place))!, "utf8");
  const json = JSON.parse(text) as Record<string, unknown>;
  json["odometry"] = null;
  json["orientation"] = { rate: 100, yawDrift: 2, noise: 0.3, late: 0.012 };
  json["seed"] = seed;
  if (isHarsh) {
    const given = json["inertial"] as Record<string, unknown>;
    json["inertial"] = { ...given, accelNoise: 0.01, accelBias: [0.07, -0.06, 0.05] };
  }
  return loadScenario(json);
}

export type Round = Pick<Tracked, "frames" | "notes">;

/**
 * Drives a scenario twice at once: with tracked poses and with exact ones.
 * @returns the tracked round, and the F-measure of its map against that of exact poses, within one voxel
 */
export function driveRound(
  name: string,
  seed = 3,
  settings: Readonly<Record<string, unknown>> = {},
): Round & { readonly score: number } {
  const scenario = withoutOdometry(name, seed);
  const tracked = new Tracked(scenario, settings);
  const exact = new Head(scenario.setup, resolveSettings());
  for (const event of simulateEvents(scenario)) {
    exact.take(event);
    // The tracking head gets the truth only once, as its start.
    if (event.kind !== "reference" || tracked.frames.length === 0) tracked.note(tracked.head.take(event));
  }
  return { frames: tracked.frames, notes: tracked.notes, score: scoreOf(tracked.head.grid, exact.grid) };
}

export interface StartOptions {
  readonly seed?: number;
  /** A worse accelerometer, and attitudes whose tilt sways by 0.15 degrees, slowly. */
  readonly isHarsh?: boolean;
  readonly settings?: Readonly<Record<string, unknown>>;
  /** Seconds from and until which the lens is covered. */
  readonly covered?: readonly [number, number];
  /** Seconds at which the drive ends. */
  readonly end?: number;
}

const SWAY = (0.15 * Math.PI) / 180;

/** The attitude of a sensor whose level sways: twice a minute about one axis, three times about the other. */
function swaying(event: OrientationEvent): OrientationEvent {
  const turns = (2 * Math.PI * event.time) / 60e6;
  const sway = fromRotationVector([SWAY * Math.sin(2 * turns), SWAY * Math.sin(3 * turns + 1), 0]);
  return { ...event, rotation: multiply(sway, event.rotation) };
}

/** Drives a scenario with heads that are switched on at these times, seconds. */
export function driveStarts(
  name: string,
  starts: readonly number[],
  {
    seed = 3,
    isHarsh = false,
    settings = {},
    covered = [0, 0],
    end = Number.POSITIVE_INFINITY,
  }: StartOptions = {},
): readonly Round[] {
  const scenario = withoutOdometry(name, seed, isHarsh);
  const heads = starts.map(() => new Tracked(scenario, settings));
  for (const plain of simulateEvents(scenario)) {
    if (plain.time >= 1e6 * end) break;
    const isDark = plain.time >= 1e6 * covered[0] && plain.time < 1e6 * covered[1];
    if (isDark && plain.kind === "depth") plain.counts.fill(0);
    const event = isHarsh && plain.kind === "orientation" ? swaying(plain) : plain;
    heads.forEach((tracked, n) => {
      if (event.time < 1e6 * starts[n]!) return;
      if (event.kind !== "reference" || tracked.frames.length === 0) tracked.note(tracked.head.take(event));
    });
  }
  return heads;
}
