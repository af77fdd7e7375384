import type { Recording } from "../../record/file.ts";
import type { OutlineEvent } from "../../record/reader.ts";
import { END } from "../../terms/safety.ts";
import { Slowing, STOPPED } from "../../terms/slowing.ts";
import { limitText } from "../../terms/words.ts";
import type { FromServer, MomentKind } from "../../wire/messages.ts";
import type { FromSensing, SensedReach } from "../sensing/sensing-messages.ts";
import { type LostPart, LostParts } from "./lost-parts.ts";

export type Moment = FromServer<"recording">["moments"][number];

/** Longest list of moments, so that a page can show it. */
const MOST_MOMENTS = 500;
/** A pause between frames is a gap when it exceeds this many median intervals and SHORTEST_GAP microseconds. */
const GAP_INTERVALS = 3;
const SHORTEST_GAP = 150_000;
/** Whether a reach stops the base because the way ahead ends at a brink. */
export const endsAtBrink = ({ body: { pace } }: SensedReach): boolean =>
  pace?.limit?.cause === END.brink && pace.forward < STOPPED;

/** Contents of a recording: times of its frames, and events of its sensors and its base. */
export interface Outline {
  /** Times of the frames, in their order in the recording. */
  readonly frames: readonly number[];
  readonly first: number;
  readonly last: number;
  readonly moments: readonly Moment[];
  /** What defines the world of the head's map and places: reference poses in the recording, or the place of the base at its start. */
  readonly world: "reference" | "start";
  /** What is damaged in it. */
  readonly lost: readonly LostPart[];
}

/** Reads all of a recording but its images. */
export function outlineOf(recording: Pick<Recording, "outline" | "damage">): Outline {
  const parts = new LostParts(recording);
  const contents = contentsOf(parts.events());
  return { ...contents, lost: parts.found };
}

/** @param events of the whole recording, in its order */
function contentsOf(events: Iterable<OutlineEvent>): Omit<Outline, "lost"> {
  const frames: number[] = [];
  const found: { time: number; what: MomentKind; text: string }[] = [];
  let referenced = Number.POSITIVE_INFINITY;
  let [first, last] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (const event of events) {
    first = Math.min(first, event.time);
    last = Math.max(last, event.time);
    const { time } = event;
    if (event.kind === "depth") frames.push(time);
    else if (event.kind === "reference") referenced = Math.min(referenced, time);
    else if (event.kind === "knock") {
      const [x, y] = event.point;
      found.push({ time, what: "knock", text: `at ${x.toFixed(2)}, ${y.toFixed(2)} m of the base` });
    } else if (event.kind === "floorcheck") {
      const text = event.alarm
        ? "the base's floor sensor misses the floor"
        : "the base's floor sensor is well";
      found.push({ time, what: "floorcheck", text });
    } else if (event.kind === "waiver") {
      const text =
        event.seconds > 0 ? `${event.direction}, ${event.seconds} s: ${event.reason}` : "taken back";
      found.push({ time, what: "waiver", text });
    } else if (event.kind === "mark") found.push({ time, what: "mark", text: event.text });
  }
  const intervals = frames.slice(1).map((time, n) => time - frames[n]!);
  const usual = intervals.toSorted((a, b) => a - b)[intervals.length >> 1] ?? 0;
  intervals.forEach((interval, n) => {
    if (interval <= SHORTEST_GAP || interval <= GAP_INTERVALS * usual) return;
    found.push({ time: frames[n]!, what: "gap", text: `no frame for ${(interval / 1e6).toFixed(2)} s` });
  });
  found.sort((a, b) => a.time - b.time);
  const moments = found.slice(0, MOST_MOMENTS).map(({ time, ...rest }) => ({ at: time - first, ...rest }));
  if (frames.length === 0) return { frames, first: 0, last: 0, moments: [], world: "start" };
  // The head takes its world from a reference that is known at the first frame.
  return { frames, first, last, moments, world: referenced <= frames[0]! ? "reference" : "start" };
}

/** Collects moments from a head's messages during one run through a recording. */
export class MomentCollector {
  readonly moments: Moment[] = [];
  readonly #first: number;
  readonly #topSpeed: number;
  readonly #slowing = new Slowing();
  #sight = "";

  /**
   * @param first    time at which the recording begins
   * @param topSpeed top speed in the settings, m/s
   */
  constructor(first: number, topSpeed: number) {
    this.#first = first;
    this.#topSpeed = topSpeed;
  }

  hear(message: FromSensing): void {
    if (message.kind === "reach") {
      const { state } = message.body;
      const isFit = state === "clear" || state === "dark";
      if (this.#sight !== "" && this.#sight !== state && !isFit && state !== "lost") {
        this.#add(message.time, "sight", state);
      }
      this.#sight = state;
      this.#hearPace(message);
    } else if (message.kind === "track") {
      const { what } = message.note;
      if (what === "lost") this.#add(message.time, "lost", "the place is not known any more");
      else if (what === "found") this.#add(message.time, "found", "the place is known again");
      else this.#add(message.time, "track", what);
    }
  }

  #hearPace(message: SensedReach): void {
    const { pace } = message.body;
    if (pace === null) return;
    const held = this.#slowing.begins(message.time, pace.forward, this.#topSpeed);
    if (held === null) return;
    const why = pace.limit === null ? "nothing named" : limitText(pace.limit);
    if (held === "slow") this.#add(message.time, "slow", `${pace.forward.toFixed(2)} m/s: ${why}`);
    else this.#add(message.time, endsAtBrink(message) ? "brink" : "stop", why);
  }

  #add(time: number, what: MomentKind, text: string): void {
    if (this.moments.length >= MOST_MOMENTS) return;
    this.moments.push({ at: time - this.#first, what, text });
  }
}
