import { Head } from "../../src/head/head.ts";
import { resolveSettings, SETTINGS, type Settings } from "../../src/head/settings.ts";
import type { Recording } from "../../src/record/file.ts";
import type { DepthEvent, HeadEvent } from "../../src/sense/events.ts";
import { HoldOut, type Question, Questions } from "./held-out.ts";
import { settingsOf } from "./run.ts";

/** A depth frame as a bare head takes it: masked, judged, and asked of the map if it is held out. */
interface PreparedFrame {
  /** Its counts are masked depth; no amplitudes. */
  readonly event: DepthEvent;
  readonly isClear: boolean;
  readonly question: Question | null;
}

/** What of a recording bears on the map and the poses, in order. */
export type Prepared = PreparedFrame | Exclude<HeadEvent, DepthEvent>;

/** Settings that nothing in a `Prepared` hangs on. */
const INDIFFERENT = ["evidence.", "floor.", "track.", "map.voxelSize", "map.carveEvery", "map.layersEvery"];

const MASK_SETTINGS = ["mask.minAmplitude", "mask.grazing", "mask.agreement"] as const;

/** Two settings with the same text come to the same `Prepared`. */
export function preparationOf(settings: Settings): string {
  const rest = Object.entries(settings).filter(
    ([name]) => !INDIFFERENT.some((start) => name.startsWith(start)),
  );
  return JSON.stringify(rest.sort());
}

/**
 * Reads, unpacks, masks and judges a recording, as the head does it. A frame's arrays are valid until the next is asked for.
 */
export function* prepare(recording: Recording, settings: Settings): Generator<Prepared> {
  const { setup } = recording.header;
  const isTracked = settings["pose.source"] === "tracked";
  // Only the judgement is wanted of it: what it makes of tracked poses, that judgement does not wait for.
  const judging = isTracked ? { ...settings, "pose.source": "reference" as const } : settings;
  const head = new Head(setup, judging, { isJudge: true });
  const holdOut = new HoldOut();
  const questions = new Questions(setup, settings["map.maxRange"]);
  const isUsualMask = MASK_SETTINGS.every((name) => settings[name] === SETTINGS[name].default);
  for (const event of recording.events()) {
    if (event.kind !== "depth") {
      const isOfPoses = event.kind !== "knock" && event.kind !== "floorcheck" && event.kind !== "waiver";
      if (!isOfPoses || event.kind === "mark") continue;
      if (!(isTracked && event.kind === "reference")) head.take(event);
      yield event;
      continue;
    }
    head.take(event);
    const masked = head.maskedOf(event.sensor);
    const isHeldOut = holdOut.isHeldOut(event.sensor);
    // One that the head finds unfit, it will find so again.
    if (masked === null || masked.depth.length !== event.counts.length) continue;
    const question = isHeldOut ? questions.of(event, isUsualMask ? masked : null) : null;
    const isClear = !head.isCovered(event.sensor);
    yield { event: { ...event, counts: masked.depth, amplitude: null }, isClear, question };
  }
}

/** Bytes of frames kept in memory by one worker. */
const ROOM = 96e6;

/**
 * Recordings ready to be replayed: the newest one's frames are kept, as far as there is room for all of them, and are then read
 * and masked once for all settings that leave the mask alone.
 */
export class Shelf {
  #name = "";
  #kept: Prepared[] | null = null;
  readonly #room: number;

  constructor(room = ROOM) {
    this.#room = room;
  }

  /** @param given settings over those in the recording's header */
  *open(path: string, recording: Recording, settings: Settings): Generator<Prepared> {
    const name = `${path} ${preparationOf(settings)}`;
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
