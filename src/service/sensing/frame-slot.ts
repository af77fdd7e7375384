// Indices of the words of the control block.
const MIDDLE = 0;
const OVERTAKEN = 1;
const WORDS = 2;
const FRESH = 4;
/** Numbers per buffer: time, arrival, sequence, and whether it has amplitudes. */
const LABELS = 4;

export interface FrameLabel {
  /** Microseconds of the head's clock: mid-exposure, and arrival. */
  readonly time: number;
  readonly arrival: number;
  readonly sequence: number;
  readonly hasAmplitude: boolean;
}

/** The shared memory of a slot, which can be sent to another thread. */
export interface FrameSlotMemory {
  readonly pixels: number;
  readonly control: SharedArrayBuffer;
  readonly labels: SharedArrayBuffer;
  readonly images: SharedArrayBuffer;
}

export function frameSlotMemory(pixels: number): FrameSlotMemory {
  const control = new SharedArrayBuffer(4 * WORDS);
  new Int32Array(control)[MIDDLE] = 1;
  return {
    pixels,
    control,
    labels: new SharedArrayBuffer(8 * LABELS * 3),
    images: new SharedArrayBuffer(2 * 2 * pixels * 3),
  };
}

/** Number of frames of a slot that were overtaken: not taken before the next one. */
export const overtakenIn = ({ control }: FrameSlotMemory): number =>
  Atomics.load(new Int32Array(control), OVERTAKEN);

/**
 * Passes depth frames from one thread to another by triple buffering: a queue of length one for the newest frame. The writer fills its own
 * buffer and swaps it with the middle one. The reader swaps its own buffer with the middle one when that is fresh. Neither side waits, no
 * frame is torn, and a frame that was not taken in time is overtaken by the next one. One writer, one reader.
 */
class FrameSlot {
  protected readonly control: Int32Array;
  protected readonly labels: Float64Array;
  protected readonly images: Uint16Array;
  readonly pixels: number;

  constructor(memory: FrameSlotMemory) {
    this.pixels = memory.pixels;
    this.control = new Int32Array(memory.control);
    this.labels = new Float64Array(memory.labels);
    this.images = new Uint16Array(memory.images);
  }

  /** Whether it uses this memory. */
  is(memory: FrameSlotMemory): boolean {
    return this.images.buffer === memory.images;
  }

  protected image(buffer: number, which: 0 | 1): Uint16Array {
    const start = (2 * buffer + which) * this.pixels;
    return this.images.subarray(start, start + this.pixels);
  }
}

export class FrameWriter extends FrameSlot {
  #own = 0;

  /** The buffer for the next frame's counts. */
  get counts(): Uint16Array {
    return this.image(this.#own, 0);
  }
  get amplitude(): Uint16Array {
    return this.image(this.#own, 1);
  }

  /** Publishes the frame. @returns whether it overtook one that was not taken */
  publish({ time, arrival, sequence, hasAmplitude }: FrameLabel): boolean {
    this.labels.set([time, arrival, sequence, hasAmplitude ? 1 : 0], LABELS * this.#own);
    const before = Atomics.exchange(this.control, MIDDLE, this.#own | FRESH);
    this.#own = before & 3;
    const isOvertaking = (before & FRESH) !== 0;
    if (isOvertaking) Atomics.add(this.control, OVERTAKEN, 1);
    return isOvertaking;
  }
}

export class FrameReader extends FrameSlot {
  #own = 2;

  /** Takes the newest frame; null when there is no new one. Its arrays are valid until the next call. */
  take(): (FrameLabel & { readonly counts: Uint16Array; readonly amplitude: Uint16Array | null }) | null {
    if ((Atomics.load(this.control, MIDDLE) & FRESH) === 0) return null;
    this.#own = Atomics.exchange(this.control, MIDDLE, this.#own) & 3;
    const [time, arrival, sequence, hasAmplitude] = this.labels.subarray(
      LABELS * this.#own,
      LABELS * this.#own + 4,
    );
    return {
      time: time!,
      arrival: arrival!,
      sequence: sequence!,
      hasAmplitude: hasAmplitude === 1,
      counts: this.image(this.#own, 0),
      amplitude: hasAmplitude === 1 ? this.image(this.#own, 1) : null,
    };
  }
}
