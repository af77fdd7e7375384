import { Guard } from "../../src/guard/guard.ts";
import { Judging } from "../../src/head/judging.ts";
import { Masking } from "../../src/head/masking.ts";
import { isPoseEvent, type PoseEvent, PoseSources } from "../../src/head/pose-sources.ts";
import { openSensors } from "../../src/head/sensors.ts";
import { resolveSettings, SETTINGS, type Settings } from "../../src/head/settings.ts";
import { guardSettings } from "../../src/head/stage-settings.ts";
import type { Recording } from "../../src/record/file.ts";
import type { DepthEvent } from "../../src/sense/events.ts";
import { FrozenWatch } from "../../src/sense/frozen.ts";
import { HoldOut, type Question, Questions } from "./held-out.ts";
import { settingsOf } from "./run.ts";
import { TrackLog } from "./track-log.ts";

/** A depth frame as a bare head takes it: masked, judged, and asked of the map if it is held out. */
export interface PreparedFrame {
  /** Its counts are masked depth; no amplitudes. */
  readonly event: DepthEvent;
  readonly isClear: boolean;
  readonly question: Question | null;
}

/** What of a recording bears on the map and the poses, in order. */
export type Prepared = PreparedFrame | PoseEvent;

/** Settings of the map alone: neither masked frames nor poses hang on them. */
const OF_THE_MAP = ["evidence.", "floor.", "map.voxelSize", "map.carveEvery", "map.layersEvery"];
/** Settings that poses hang on where they are tracked, and masked frames never. */
const OF_TRACKING = ["track."];

const MASK_SETTINGS = ["mask.minAmplitude", "mask.grazing", "mask.agreement"] as const;

/** What settings come to before the map. */
export interface Preparation {
  /** Two settings with the same text come to the same `Prepared`. */
  readonly frames: string;
  /** With the same text here, too, they come to the same tracked poses; "" where poses are not tracked. */
  readonly poses: string;
}

export function preparationOf(settings: Settings): Preparation {
  const isOf = (starts: readonly string[], name: string) => starts.some((start) => name.startsWith(start));
  const all = Object.entries(settings).sort();
  const frames = all.filter(([name]) => !isOf([...OF_THE_MAP, ...OF_TRACKING], name));
  const poses =
    settings["pose.source"] === "tracked" ? all.filter(([name]) => isOf(OF_TRACKING, name)) : null;
  return { frames: JSON.stringify(frames), poses: poses === null ? "" : JSON.stringify(poses) };
}

/**
 * Reads, unpacks, masks and judges a recording, as the head does it. A frame's arrays are valid until the next is asked for.
 */
export function* prepare(recording: Recording, settings: Settings): Generator<Prepared> {
  const { setup } = recording.header;
  const isTracked = settings["pose.source"] === "tracked";
  // Frames are judged as they come: by gravity, which needs no tracked pose.
  const poses = new PoseSources(setup, isTracked ? { ...settings, "pose.source": "reference" } : settings);
  const sensors = openSensors(setup, settings);
  const masking = new Masking(sensors);
  const judging = new Judging(sensors, new Guard(guardSettings(settings)));
  const frozen = new FrozenWatch(setup.sensors.map(({ optics }) => optics));
  const holdOut = new HoldOut();
  const questions = new Questions(setup, settings["map.maxRange"]);
  const isUsualMask = MASK_SETTINGS.every((name) => settings[name] === SETTINGS[name].default);
  for (const event of recording.events()) {
    if (isPoseEvent(event)) {
      frozen.take(event);
      if (!(isTracked && event.kind === "reference")) poses.take(event);
      yield event;
    }
    if (event.kind !== "depth" || masking.unfit(event) !== null) continue;
    const { sensor, time } = event;
    const masked = masking.apply(event);
    const levelFromLens = poses.levelFromLens(sensor, time, poses.at(sensor, time));
    const isCovered = judging.isCovered({ sensor, masked, levelFromLens });
    const isClear = frozen.see(event).verdict === "live" && !frozen.isAttitudeFrozen && !isCovered;
    const question = holdOut.isHeldOut(sensor) ? questions.of(event, isUsualMask ? masked : null) : null;
    yield { event: { ...event, counts: masked.depth, amplitude: null }, isClear, question };
  }
}

/** Bytes of frames kept in memory by one worker. */
const ROOM = 96e6;

/**
 * Recordings ready to be replayed: the newest one's frames and poses are kept, as far as there is room for all of them. Frames are
 * then read and masked once for all settings that leave the mask alone, and poses found once for all that leave tracking alone.
 */
export class Shelf {
  #name = "";
  #kept: Prepared[] | null = null;
  #posesName = "";
  #log: TrackLog | null = null;
  readonly #room: number;

  constructor(room = ROOM) {
    this.#room = room;
  }

  /**
   * What tracking said of a recording with settings that come to the same poses, or a log to keep it in; null where poses are not
   * tracked.
   */
  logOf(path: string, settings: Settings): TrackLog | null {
    const { frames, poses } = preparationOf(settings);
    if (poses === "") return null;
    const name = `${path} ${frames} ${poses}`;
    // One that is not whole is of a replay that failed.
    if (this.#posesName !== name || this.#log?.isWhole !== true) this.#log = new TrackLog();
    this.#posesName = name;
    return this.#log;
  }

  /** @param given settings over those in the recording's header */
  *open(path: string, recording: Recording, settings: Settings): Generator<Prepared> {
    const name = `${path} ${preparationOf(settings).frames}`;
    if (this.#name === name && this.#kept !== null) {
      yield* this.#kept;
      return;
    }
    this.#name = name;
    this.#kept = null;
    let kept: Prepared[] | null = [];
    let size = 0;
    for (const one of prepare(recording, settings)) {
      if (kept !== null) {
        const copy = copyOf(one);
        size += "event" in copy ? copy.event.counts.byteLength + (copy.question?.rays.byteLength ?? 0) : 200;
        if (size > this.#room) kept = null;
        else kept.push(copy);
      }
      yield one;
    }
    this.#kept = kept;
  }
}

/** Apart from what its maker writes to: images alone. */
function copyOf(one: Prepared): Prepared {
  if (!("event" in one)) return one;
  return { ...one, event: { ...one.event, counts: one.event.counts.slice() } };
}

export const resolvedOf = (recording: Recording, given: Readonly<Record<string, unknown>>): Settings =>
  resolveSettings({ ...settingsOf(recording.header), ...given });
