import { lengthOf } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import type { DepthEvent, HeadEvent, MotionEvent } from "./events.ts";
import { InertialMotion, type MotionSource, wheelMotion } from "./motion-claims.ts";

// A driver that hangs may keep sending its last image, or its last attitude, with new stamps and sequence numbers. The numbers are
// fresh and the content is old: nothing but the content can show it.
//
// - A measured image never repeats itself: noise changes pixels from frame to frame even where nothing moves. A camera whose images
//   have shown noise is frozen as soon as they repeat themselves. A camera that has shown none (a simulated one, or one that rounds
//   coarsely) does repeat itself while it stands still: it is only suspect until something says that the head moves. A simulated
//   camera without noise that drives over bare floor, and sees nothing else, is called frozen: its images cannot be told from those
//   of a driver that hangs.
// - A measured attitude or rate never stays the same to the last bit either. A simulated sensor without noise does on a straight
//   drive, so that only turning counts against it.

/** A stream of which the content may be old. */
export type FrozenStream = "depth" | "orientation" | "inertial";

/** A stream began to repeat itself, or ended it. */
export interface FrozenNote {
  readonly stream: FrozenStream;
  /** Which sensor; null for orientation and inertial samples. */
  readonly sensor: number | null;
  /** "suspect": it repeats itself, as it may at rest; "frozen": the head moves, or its noise is gone; "live": it changes again. */
  readonly state: "suspect" | "frozen" | "live";
  /** What says that the head moves; null when nothing does. */
  readonly by: MotionSource | null;
}

/** A note in words. @param sensors of the setup */
export function frozenText(
  { stream, sensor, state, by }: FrozenNote,
  sensors: readonly { readonly name: string }[],
): string {
  const name = sensor === null ? stream : (sensors[sensor]?.name ?? `sensor ${sensor}`);
  const what = sensor === null ? "sample" : "image";
  switch (state) {
    case "frozen":
      if (by === null)
        return `${name} repeats its last ${what} to the last bit, without the noise that it has shown: the base stops`;
      return `${name} repeats its last ${what}, though the ${by} says that the head moves: the base stops`;
    case "suspect":
      return `${name} repeats its last ${what} to the last bit; nothing says that the head moves`;
    case "live":
      return `${name} changes again`;
    default:
      return state satisfies never;
  }
}

/** Verdict on an image: "doubtful" repeats itself while the head moves, for too short a time to be called frozen. */
export type ImageVerdict = "live" | "doubtful" | "frozen";

/**
 * Microseconds for which motion must have been known before a repeated sample may be blamed: stamps of two streams may differ by this
 * much, and what is stamped later may have been measured before. Chosen by hand.
 */
const STAMPS_DIFFER = 100_000;
/** Microseconds of repeated images without motion after which they are suspect. Chosen by hand. */
const SUSPECT_AFTER = 1e6;
/** Microseconds of repeated images after which a camera that has shown noise is frozen: longer than a driver repeats one frame. */
const NOISE_GONE_AFTER = 150_000;
/** Images with noise after which a camera is known to have it. Chosen by hand: half a second's. */
const NOISY_IMAGES = 8;
/**
 * Counts by which the change of a pixel since the last image differs from its two neighbours' mean, doubled. Rounding alone gives up to 4.
 * And the share of pixels at which it does in an image with noise. Edges of moving things fill fewer. Chosen by hand.
 */
const ROUGH = 4;
const ROUGH_SHARE = 0.25;
/** Motion by the wheels, metres and radians, that changes every image. */
const LEAST_WAY = 0.01;
const LEAST_TURN = (0.6 * Math.PI) / 180;
/** Turn by the wheels, radians, that every attitude shows. */
const LEAST_TURN_FELT = (1 * Math.PI) / 180;
/** Error of the wheels as a share of a turn. */
const WHEELS_ERR = 0.1;
/** Number of equal consecutive samples of an attitude, or of rates, that count as a repetition. */
const LEAST_ALIKE = 5;

/** Number of pixels of an image that are compared, approximately. */
const SAMPLED = 4096;
/** Fewest returns among them; an image with less is blind, which the guard reports. */
const LEAST_RETURNS = 64;
/** One sampled pixel in 500 may change in a repeated image: drivers write counters and stamps into images. */
const CHANGED_SHARE = 500;
/** Number of different images that are remembered: a driver with two or three buffers may hang and send them in turn. */
const REMEMBERED = 3;

/** Detects an image that equals one of the last few. Live images differ in the first pixels that are compared. */
class ImageMemory {
  readonly #rows: number;
  readonly #width: number;
  readonly #height: number;
  readonly #images: {
    readonly counts: Uint16Array;
    readonly amplitude: Uint16Array;
    hasAmplitude: boolean;
  }[] = [];
  #next = 0;
  /** Number of images that have shown noise. */
  #noisy = 0;

  constructor(width: number, height: number) {
    this.#width = width;
    this.#height = height;
    this.#rows = Math.max(1, Math.min(height, Math.round(SAMPLED / width)));
  }

  /** Whether the images before have shown noise. */
  get hasNoise(): boolean {
    return this.#noisy >= NOISY_IMAGES;
  }

  /** Whether the image is one of those remembered; if not, it is remembered. */
  isRepeated(counts: Uint16Array, amplitude: Uint16Array | null): boolean {
    for (const known of this.#images) {
      if (known.hasAmplitude !== (amplitude !== null)) continue;
      if (!this.#isAlike(known.counts, counts)) continue;
      if (amplitude !== null && !this.#isAlike(known.amplitude, amplitude)) continue;
      return this.#returnsOf(known.counts) >= LEAST_RETURNS;
    }
    if (this.#isNoisy(counts)) this.#noisy++;
    this.#remember(counts, amplitude);
    return false;
  }

  /** Whether pixels have changed since the last image otherwise than their neighbours: motion changes neighbours alike. */
  #isNoisy(image: Uint16Array): boolean {
    const before = this.#images[(this.#next + REMEMBERED - 1) % REMEMBERED]?.counts;
    if (this.hasNoise || before === undefined) return false;
    let compared = 0;
    let rough = 0;
    for (let n = 0; n < this.#rows; n++) {
      const start = this.#rowStart(n);
      const k = n * this.#width;
      for (let u = 1; u + 1 < this.#width; u++) {
        const [left, middle, right] = [image[start + u - 1]!, image[start + u]!, image[start + u + 1]!];
        const [wasLeft, was, wasRight] = [before[k + u - 1]!, before[k + u]!, before[k + u + 1]!];
        if (left === 0 || middle === 0 || right === 0 || wasLeft === 0 || was === 0 || wasRight === 0)
          continue;
        compared++;
        if (Math.abs(left - wasLeft + (right - wasRight) - 2 * (middle - was)) > ROUGH) rough++;
      }
    }
    return compared >= LEAST_RETURNS && rough > ROUGH_SHARE * compared;
  }

  #returnsOf(known: Uint16Array): number {
    let returns = 0;
    for (let k = 0; k < known.length; k++) if (known[k] !== 0) returns++;
    return returns;
  }

  /** Where the n-th sampled row starts. */
  #rowStart(n: number): number {
    return Math.floor(((n + 0.5) * this.#height) / this.#rows) * this.#width;
  }

  #isAlike(known: Uint16Array, image: Uint16Array): boolean {
    const width = this.#width;
    const most = Math.floor(known.length / CHANGED_SHARE);
    let changed = 0;
    for (let n = 0, k = 0; n < this.#rows; n++) {
      const start = this.#rowStart(n);
      for (let u = 0; u < width; u++, k++) {
        if (image[start + u] !== known[k] && ++changed > most) return false;
      }
    }
    return true;
  }

  #remember(counts: Uint16Array, amplitude: Uint16Array | null): void {
    const size = this.#rows * this.#width;
    this.#images[this.#next] ??= {
      counts: new Uint16Array(size),
      amplitude: new Uint16Array(size),
      hasAmplitude: false,
    };
    const image = this.#images[this.#next]!;
    this.#next = (this.#next + 1) % REMEMBERED;
    image.hasAmplitude = amplitude !== null;
    for (let n = 0; n < this.#rows; n++) {
      const start = this.#rowStart(n);
      image.counts.set(counts.subarray(start, start + this.#width), n * this.#width);
      if (amplitude !== null)
        image.amplitude.set(amplitude.subarray(start, start + this.#width), n * this.#width);
    }
  }
}

interface RepeatLimits {
  /** Fewest repeated samples that count. */
  readonly alike: number;
  /** Motion by the wheels, metres and radians, that must change the content. */
  readonly way: number;
  readonly turn: number;
  /** Microseconds of repeated samples without motion after which they are suspect. */
  readonly suspectAfter: number;
}

/** State of one stream: since when it repeats itself, and which source shows motion of the head meanwhile. */
class Repeats {
  state: FrozenNote["state"] = "live";
  /** The first source that showed motion since the content repeats itself. */
  claim: { readonly time: number; readonly by: MotionSource } | null = null;
  /** Microseconds: of the first of the equal samples; and the wheels' pose then. */
  #since = Number.NEGATIVE_INFINITY;
  #wheels: Vec3 | null = null;
  #alike = 0;
  /** Turn rate in the repeated sample itself, rad/s. */
  #rate = 0;
  readonly #limits: RepeatLimits;

  constructor(limits: RepeatLimits) {
    this.#limits = limits;
  }

  /**
   * Takes a sample. Returns whether the state has changed.
   * @param rate    its own turn rate, rad/s
   * @param isNoisy whether samples before it have shown noise
   */
  see(time: number, isRepeated: boolean, wheels: Vec3 | null, { rate = 0, isNoisy = false } = {}): boolean {
    const before = this.state;
    const { alike, suspectAfter } = this.#limits;
    if (!isRepeated) {
      this.#rate = rate;
      this.state = "live";
      this.#since = time;
      this.#wheels = wheels;
      this.#alike = 0;
      this.claim = null;
      return before !== this.state;
    }
    this.#alike++;
    // A stream stays frozen until its content changes, because the base stops and then no source shows motion any more.
    if (this.state === "frozen" || this.#alike < alike) return false;
    if (this.claim !== null && time - this.claim.time >= STAMPS_DIFFER) this.state = "frozen";
    else if (isNoisy && time - this.#since >= NOISE_GONE_AFTER) this.state = "frozen";
    else if (time - this.#since >= suspectAfter) this.state = "suspect";
    return before !== this.state;
  }

  /** A source shows motion of the head. */
  note(time: number, by: MotionSource): void {
    if (this.claim === null && time > this.#since) this.claim = { time, by };
  }

  /** Motion by the wheels. */
  noteWheels(event: MotionEvent): void {
    this.#wheels ??= event.pose;
    const { way, turn } = wheelMotion(this.#wheels, event);
    const said = (this.#rate * Math.max(0, event.time - this.#since)) / 1e6;
    const limits = this.#limits;
    const isTurning = Math.abs(turn - said) > limits.turn + WHEELS_ERR * said;
    if (way > limits.way || isTurning) this.note(event.time, "odometry");
  }
}

const IMAGES: RepeatLimits = { alike: 1, way: LEAST_WAY, turn: LEAST_TURN, suspectAfter: SUSPECT_AFTER };
/** At rest, an attitude with coarse steps repeats itself normally: attitudes are never "suspect". */
const ATTITUDES: RepeatLimits = {
  alike: LEAST_ALIKE,
  way: Number.POSITIVE_INFINITY,
  turn: LEAST_TURN_FELT,
  suspectAfter: Number.POSITIVE_INFINITY,
};

/** Monitors all streams of a head for content that does not change although the head moves. */
export class FrozenWatch {
  readonly #images: readonly { readonly memory: ImageMemory; readonly repeats: Repeats }[];
  readonly #orientation = new Repeats(ATTITUDES);
  readonly #inertial = new Repeats(ATTITUDES);
  readonly #motion = new InertialMotion();
  /** The newest sample of each. */
  #lastOrientation: readonly number[] = [];
  #lastInertial: readonly number[] = [];
  #wheels: Vec3 | null = null;

  /** @param sensors sizes of their images, pixels */
  constructor(sensors: readonly { readonly width: number; readonly height: number }[]) {
    this.#images = sensors.map(({ width, height }) => ({
      memory: new ImageMemory(width, height),
      repeats: new Repeats(IMAGES),
    }));
  }

  /** Whether any stream is frozen: then the memory of the ground cannot be trusted. */
  get isFrozen(): boolean {
    return this.isAttitudeFrozen || this.#images.some(({ repeats: { state } }) => state === "frozen");
  }

  /** Whether a source of the attitude is frozen. */
  get isAttitudeFrozen(): boolean {
    return this.#orientation.state === "frozen" || this.#inertial.state === "frozen";
  }

  /** Takes an event that is not a frame. Returns what has changed, or null. */
  take(event: HeadEvent): FrozenNote | null {
    switch (event.kind) {
      case "motion":
        this.#wheels = event.pose;
        for (const repeats of this.#all()) repeats.noteWheels(event);
        return null;
      case "inertial": {
        const sample = [...event.gyro, ...event.accel];
        const isRepeated = isSame(sample, this.#lastInertial);
        this.#lastInertial = sample;
        const by = this.#motion.take(event);
        // Repeated rates are no evidence of motion.
        if (by !== null && !isRepeated) this.#claim(event.time, by);
        const hasChanged = this.#inertial.see(event.time, isRepeated, this.#wheels, {
          rate: lengthOf(event.gyro),
        });
        return hasChanged ? noteOf("inertial", null, this.#inertial) : null;
      }
      case "orientation": {
        const isRepeated = isSame(event.rotation, this.#lastOrientation);
        this.#lastOrientation = event.rotation;
        const hasChanged = this.#orientation.see(event.time, isRepeated, this.#wheels);
        return hasChanged ? noteOf("orientation", null, this.#orientation) : null;
      }
      default:
        return null;
    }
  }

  /** Takes a frame of its sensor's size. */
  see({ sensor, time, counts, amplitude }: DepthEvent): { verdict: ImageVerdict; note: FrozenNote | null } {
    const { memory, repeats } = this.#images[sensor]!;
    const isRepeated = memory.isRepeated(counts, amplitude);
    const hasChanged = repeats.see(time, isRepeated, this.#wheels, { isNoisy: memory.hasNoise });
    const { state, claim } = repeats;
    const verdict = state === "frozen" ? state : isRepeated && claim !== null ? "doubtful" : "live";
    const note = hasChanged ? noteOf("depth", sensor, repeats) : null;
    return { verdict, note };
  }

  *#all(): Generator<Repeats> {
    for (const { repeats } of this.#images) yield repeats;
    yield this.#orientation;
    yield this.#inertial;
  }

  #claim(time: number, by: MotionSource): void {
    for (const { repeats } of this.#images) repeats.note(time, by);
    // The accelerometer also measures a push without rotation.
    if (by === "gyro") this.#orientation.note(time, by);
  }
}

function noteOf(stream: FrozenStream, sensor: number | null, { state, claim }: Repeats): FrozenNote {
  return { stream, sensor, state, by: state === "frozen" ? (claim?.by ?? null) : null };
}

function isSame(a: readonly number[], b: readonly number[]): boolean {
  return a.length === b.length && a.every((value, k) => value === b[k]);
}
