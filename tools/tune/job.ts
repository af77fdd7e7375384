import type { Head } from "../../src/head/head.ts";
import { openRecording, type Recording } from "../../src/record/file.ts";
import { replayBare } from "../replay/bare.ts";
import { resolvedOf, Shelf } from "../replay/prepared.ts";
import { replayRecording } from "../replay/run.ts";
import type { TrackLog } from "../replay/track-log.ts";
import { type LabelScore, type Labels, scoreLabels } from "./labels.ts";
import { gatherTruth, scenarioOf, scoreTrueMap, type TrueMapScore, type Truth } from "./true-map.ts";

/** One replay with held-out frames; plain data, to cross threads. */
export interface Job {
  readonly path: string;
  /** Over those in the recording's header. */
  readonly settings: Readonly<Record<string, unknown>>;
  readonly labels: Labels | null;
  /** The scenario that was simulated, as JSON; null where no truth is known. */
  readonly scenario: unknown;
}

/** Score and cost of a replay. */
export interface Score {
  /** Mean of the next three, 0 to 1; see `HeldOutScore`. */
  readonly agreement: number;
  readonly found: number;
  readonly airFree: number;
  readonly believed: number;
  /** Share of held-out pixels predicted within 5 cm along the ray, 0 to 1; pixels without an answer count as wrong. */
  readonly within5cm: number;
  /** Median depth error of the answered held-out pixels, metres. */
  readonly medianError: number;
  /** Share of held-out pixels for which the map had a surface at all. */
  readonly answered: number;
  /** Held-out pixels. */
  readonly pixels: number;
  /**
   * Mean milliseconds to place and map a depth frame, without mask and glance, which do not affect scores;
   * measured while other replays run in parallel.
   */
  readonly frameTime: number;
  /** Bytes of the map. */
  readonly mapSize: number;
  /** RMS of the absolute trajectory error after alignment, metres; null without reference, or with its poses. */
  readonly trajectory: number | null;
  /** Against labels; null without labels. */
  readonly labels: LabelScore | null;
  /** Against the true geometry; null where it is not known. */
  readonly truth: TrueMapScore | null;
  /** Seconds of recording, and taken to replay and score it. */
  readonly recorded: number;
  readonly taken: number;
  /** SHA-256 over the poses and the map. */
  readonly hash: string;
}

/** A score, or why this recording cannot be replayed with these settings. */
export type Answer = { readonly score: Score } | { readonly failed: string };

/** Of this thread. */
const shelf = new Shelf();

let known: { readonly path: string; readonly text: string; readonly truth: Truth } | null = null;
/** Gathered once for all settings. */
function truthOf(path: string, recording: Recording, json: unknown): Truth {
  const text = JSON.stringify(json);
  if (known?.path !== path || known.text !== text) {
    const scenario = scenarioOf(json, recording.header.settings);
    known = { path, text, truth: gatherTruth(scenario, recording.events()) };
  }
  return known.truth;
}

/** The head of a whole replay, which needs to find no poses that were found already. */
async function wholeHead(path: string, settings: Job["settings"], log: TrackLog | null): Promise<Head> {
  const told = log?.isWhole === true ? { openTracking: log.open.bind(log) } : {};
  return (await replayRecording(path, { settings, ...told })).head;
}

export default async function runJob({ path, settings: given, labels, scenario }: Job): Promise<Answer> {
  const start = performance.now();
  try {
    const recording = await openRecording(path);
    try {
      const settings = resolvedOf(recording, given);
      const found = shelf.foundOf(path, settings);
      const { heldOut, ...replay } = replayBare(
        recording.header.setup,
        settings,
        shelf.open(path, recording, settings),
        found,
      );
      if (heldOut.pixels === 0) return { failed: "no pixel of a held-out frame could be scored" };
      return {
        score: {
          agreement: heldOut.agreement,
          found: heldOut.found,
          airFree: heldOut.airFree,
          believed: heldOut.believed,
          within5cm: heldOut.within5cm,
          // No answered pixel: the largest number in JSON.
          medianError: Number.isNaN(heldOut.medianError) ? Number.MAX_VALUE : heldOut.medianError,
          answered: heldOut.answered,
          pixels: heldOut.pixels,
          frameTime: replay.frameTime,
          mapSize: replay.head.grid.byteSize,
          trajectory: replay.trajectory?.aligned.rmse ?? null,
          // Floor edges are the guard's, which a bare head has not.
          labels: labels === null ? null : scoreLabels(labels, await wholeHead(path, given, found.poses)),
          truth: scenario === null ? null : scoreTrueMap(replay.head, truthOf(path, recording, scenario)),
          recorded: replay.recorded,
          taken: (performance.now() - start) / 1000,
          hash: replay.hash,
        },
      };
    } finally {
      recording.close();
    }
  } catch (error) {
    return { failed: (error as Error).message };
  }
}
