import { Masking } from "../../src/head/masking.ts";
import { isPoseEvent, type PoseEvent } from "../../src/head/pose-sources.ts";
import { openSensors } from "../../src/head/sensors.ts";
import { resolveSettings, SETTINGS, type Settings } from "../../src/head/settings.ts";
import type { Recording } from "../../src/record/file.ts";
import type { DepthEvent } from "../../src/sense/events.ts";
import { FrozenWatch } from "../../src/sense/frozen.ts";
import { HoldOut, type Question, Questions } from "./held-out.ts";
import { settingsOf } from "./run.ts";
import { SightLog } from "./sight-log.ts";
import { TrackLog } from "./track-log.ts";

/** A depth frame as a bare head takes it: masked, and asked of the map if it is held out. */
export interface PreparedFrame {
  /** Its counts are masked depth. */
  readonly event: DepthEvent;
  /** The mask's reasons. */
  readonly reason: Uint8Array;
  /** Whether image and attitude are new. */
  readonly isLive: boolean;
  readonly question: Question | null;
}

/** The events of a recording that affect map and poses, in order. */
export type Prepared = PreparedFrame | PoseEvent;

/** Settings of the map alone; they affect neither frames nor poses. */
const OF_THE_MAP = ["evidence.", "floor.", "map.voxelSize", "map.carveEvery", "map.layersEvery"];
/** Settings that affect tracked poses but not masked frames. */
const OF_TRACKING = ["track."];

const MASK_SETTINGS = ["mask.minAmplitude", "mask.grazing", "mask.agreement"] as const;

/** Keys of the settings' effect before the map. */
export interface Preparation {
  /** Settings with the same text give the same `Prepared`. */
  readonly frames: string;
  /** Settings that also share this text give the same tracked poses; "" where poses are not tracked. */
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
 * Reads, unpacks and masks a recording, as the head does it. A frame's arrays are valid until the next is asked for.
 */
export function* prepare(recording: Recording, settings: Settings): Generator<Prepared> {
  const { setup } = recording.header;
  const masking = new Masking(openSensors(setup, settings));
  const frozen = new FrozenWatch(setup.sensors.map(({ optics }) => optics));
  const holdOut = new HoldOut();
  const questions = new Questions(setup, settings["map.maxRange"]);
  const isUsualMask = MASK_SETTINGS.every((name) => settings[name] === SETTINGS[name].default);
  for (const event of recording.events()) {
    if (isPoseEvent(event)) {
      frozen.take(event);
      yield event;
    }
    if (event.kind !== "depth" || masking.unfit(event) !== null) continue;
    const masked = masking.apply(event);
    const isLive = frozen.see(event).verdict === "live" && !frozen.isAttitudeFrozen;
    const isHeldOut = holdOut.isHeldOut(event.sensor);
    const question = isHeldOut ? questions.of(event, isUsualMask ? masked : null) : null;
    yield { event: { ...event, counts: masked.depth }, reason: masked.reason, isLive, question };
  }
}

/** Bytes of frames kept in memory by one worker: the demo, five bytes a pixel. */
const ROOM = 160e6;

/** What was found of a recording before, or is to be kept of it. */
export interface Found {
  /** Null where poses are not tracked. */
  readonly poses: TrackLog | null;
  readonly sights: SightLog;
}

/**
 * Recordings ready to be replayed: the newest one's frames and poses are kept, as far as there is room for all of them. Frames are
 * then read and masked once for all settings that leave the mask alone, and poses found once for all that leave tracking alone.
 */
export class Shelf {
  #name = "";
  #kept: Prepared[] | null = null;
  #foundName = "";
  #found: Found | null = null;
  readonly #room: number;

  constructor(room = ROOM) {
    this.#room = room;
  }

  /** What was found of a recording with settings that come to the same frames and poses, or logs to keep it in. */
  foundOf(path: string, settings: Settings): Found {
    const { frames, poses } = preparationOf(settings);
    const name = `${path} ${frames} ${poses}`;
    if (this.#foundName !== name) this.#found = null;
    this.#foundName = name;
    const { poses: posesBefore = null, sights: sightsBefore = null } = this.#found ?? {};
    // A log that is not whole is of a replay that failed.
    const isWhole = poses !== "" && posesBefore?.isWhole === true;
    this.#found = {
      poses: isWhole ? posesBefore : poses === "" ? null : new TrackLog(),
      sights: sightsBefore?.isWhole === true ? sightsBefore : new SightLog(),
    };
    return this.#found;
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
        size += sizeOf(copy);
        if (size > this.#room) kept = null;
        else kept.push(copy);
      }
      yield one;
    }
    this.#kept = kept;
  }
}

/** Approximate size in bytes. */
function sizeOf(one: Prepared): number {
  if (!("event" in one)) return 200;
  const { event, reason, question } = one;
  const images = event.counts.byteLength + (event.amplitude?.byteLength ?? 0) + reason.byteLength;
  return images + (question?.rays.byteLength ?? 0);
}

/** Apart from what its maker writes to: images alone. */
function copyOf(one: Prepared): Prepared {
  if (!("event" in one)) return one;
  const { counts, amplitude } = one.event;
  const event = { ...one.event, counts: counts.slice(), amplitude: amplitude?.slice() ?? null };
  return { ...one, event, reason: one.reason.slice() };
}

export const resolvedOf = (recording: Recording, given: Readonly<Record<string, unknown>>): Settings =>
  resolveSettings({ ...settingsOf(recording.header), ...given });
