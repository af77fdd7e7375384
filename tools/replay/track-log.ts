import type { Placed, Sighting, Tracking } from "../../src/head/tracking.ts";
import type { KeyframeView } from "../../src/track/keyframes.ts";

/** Inputs and results of tracking. Times are microseconds. */
type Entry =
  | { readonly kind: "placed"; readonly time: number; readonly sensor: number; readonly placed: Placed }
  | { readonly kind: "lost"; readonly time: number }
  /** A keyframe for rebuilding the map; null at the end. */
  | { readonly kind: "keyframe"; readonly keyframe: KeyframeView | null };

/** Bytes of a log kept in memory by one worker: half an hour of frames, or keyframes of some rooms. */
const ROOM = 24e6;
/** Bytes of an entry without its image, rather too many. */
const ENTRY = 1000;

/**
 * Log of the tracker's results for a recording, to be replayed. Tracking does not use the map, so settings of the map
 * alone give the same poses, loops, and keyframes.
 */
export class TrackLog {
  readonly #room: number;
  readonly #entries: Entry[] = [];
  /** Images in it: each keyframe's is in memory once, however often it is read. */
  readonly #images = new Set<Uint8Array>();
  #size = 0;
  #time = 0;
  #isWhole = false;

  /** @param room bytes; a log that needs more is never complete */
  constructor(room = ROOM) {
    this.#room = room;
  }

  /** Whether it has all of a recording, and can be replayed. */
  get isWhole(): boolean {
    return this.#isWhole;
  }

  /** Milliseconds that tracking took. */
  get time(): number {
    return this.#time;
  }

  /** The pose finder for a head: it records the results of the default one, or replays them when the log is complete. */
  open(openUsual: () => Tracking): Tracking {
    return this.#isWhole ? this.#say() : this.#keep(openUsual());
  }

  /** The recording is at its end. */
  finish(): void {
    this.#isWhole = this.#size <= this.#room;
  }

  #add(entry: Entry): void {
    this.#size += ENTRY;
    if (entry.kind === "keyframe" && entry.keyframe !== null) {
      const { depth } = entry.keyframe;
      if (!this.#images.has(depth)) this.#size += depth.byteLength;
      this.#images.add(depth);
    }
    if (this.#size <= this.#room) {
      this.#entries.push(entry);
      return;
    }
    this.#entries.length = 0;
    this.#images.clear();
  }

  #keep(usual: Tracking): Tracking {
    return {
      place: (sighting) => {
        const before = performance.now();
        const placed = usual.place(sighting);
        this.#time += performance.now() - before;
        this.#add({ kind: "placed", time: sighting.time, sensor: sighting.sensor, placed });
        return placed;
      },
      noFrameUntil: (time, hasInertial) => {
        const isLost = usual.noFrameUntil(time, hasInertial);
        if (isLost) this.#add({ kind: "lost", time });
        return isLost;
      },
      keyframes: () => {
        const keyframes = usual.keyframes();
        const next = () => {
          const keyframe = keyframes.next();
          this.#add({ kind: "keyframe", keyframe });
          return keyframe;
        };
        return { next };
      },
    };
  }

  #say(): Tracking {
    let at = 0;
    const next = () => {
      const entry = this.#entries[at++];
      if (entry?.kind !== "keyframe") throw unlike("a keyframe was not read here");
      return entry.keyframe;
    };
    return {
      place: ({ time, sensor }: Sighting) => {
        const entry = this.#entries[at++];
        if (entry?.kind !== "placed" || entry.time !== time || entry.sensor !== sensor) {
          throw unlike(`there was no frame of sensor ${sensor} at ${time} us here`);
        }
        return entry.placed;
      },
      noFrameUntil: (time) => {
        const entry = this.#entries[at];
        if (entry?.kind !== "lost" || entry.time !== time) return false;
        at++;
        return true;
      },
      keyframes: () => ({ next }),
    };
  }
}

const unlike = (what: string): RangeError =>
  new RangeError(`these poses were found with other settings or another recording: ${what}`);
