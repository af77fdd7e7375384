import { DecodeError } from "../../coding/decode-error.ts";
import { decodeImage } from "../../coding/depth-codec.ts";
import type { Pose, Quat } from "../../geometry/optics.ts";
import { normalizeRotation } from "../../geometry/rigid.ts";
import { binningFactor, ImageBinning } from "../../sense/binning.ts";
import type { HeadEvent, Setup } from "../../sense/events.ts";
import { WireError } from "../../wire/codec.ts";
import type { FromClient } from "../../wire/messages.ts";
import { type FrameSlotMemory, FrameWriter } from "./frame-slot.ts";
import type { ToSensing } from "./sensing-messages.ts";

/** Microseconds by which a stamp may lag behind, or be ahead of, the head's clock. */
const MOST_BEHIND = 2_000_000;
const MOST_AHEAD = 100_000;

/** Messages of clients with observations. */
export type Observation = FromClient<
  "depth" | "orientation" | "inertial" | "reference" | "mount" | "motion" | "knock" | "floorcheck" | "waiver"
>;

export interface IntakeParts {
  /** With the sensors as they are. */
  readonly setup: Setup;
  /** One for each sensor, for binned images. */
  readonly slots: readonly FrameSlotMemory[];
  /** The size to which large images are binned (`binningFactor`); 0: never. */
  readonly mostPixels: number;
}

/** Where the images of one sensor go. */
class ImageEntry {
  readonly writer: FrameWriter;
  readonly #binning: { readonly image: ImageBinning; counts: Uint16Array; amplitude: Uint16Array } | null;

  constructor({ optics }: Setup["sensors"][number], writer: FrameWriter, mostPixels: number) {
    this.writer = writer;
    const factor = binningFactor(optics, mostPixels);
    const pixels = optics.width * optics.height;
    this.#binning =
      factor === 1
        ? null
        : {
            image: new ImageBinning(optics, factor),
            counts: new Uint16Array(pixels),
            amplitude: new Uint16Array(pixels),
          };
  }

  /** Buffers for the next image as the sensor gives it. */
  get counts(): Uint16Array {
    return (this.#binning ?? this.writer).counts;
  }
  get amplitude(): Uint16Array {
    return (this.#binning ?? this.writer).amplitude;
  }

  /** Bins the image in the buffers, where the sensor's is. */
  finish(hasAmplitude: boolean): void {
    if (this.#binning === null) return;
    const { image, counts, amplitude } = this.#binning;
    const { writer } = this;
    if (hasAmplitude) image.apply(writer.counts, counts, writer.amplitude, amplitude);
    else image.apply(writer.counts, counts, null, null);
  }
}

/** Turns messages of sensors and bases into events for the sensing thread. Frames go through shared memory. */
export class Intake {
  setup: Setup;
  readonly #post: (message: ToSensing) => void;
  readonly #now: () => number;
  #entries: readonly ImageEntry[];

  constructor(parts: IntakeParts, post: (message: ToSensing) => void, now: () => number) {
    this.setup = parts.setup;
    this.#entries = parts.setup.sensors.map((_, i) => entryOf(parts, i));
    this.#post = post;
    this.#now = now;
  }

  /** Replaces the sensors. Writers of unchanged slots are kept. */
  change(parts: IntakeParts): void {
    this.#entries = parts.setup.sensors.map((_, i) => entryOf(parts, i, this.#entries[i]?.writer));
    this.setup = parts.setup;
  }

  /** Takes an observation. @throws {WireError} when it fits no sensor, or its stamp is of another clock */
  take(message: Observation): void {
    const time = this.#stamp(message);
    switch (message.kind) {
      case "depth":
        this.#takeDepth(message, time);
        break;
      case "orientation":
        this.#event({ kind: "orientation", time, rotation: unit(message.rotation, message.kind) });
        break;
      case "inertial": {
        const { gyro, accel, mag } = message;
        this.#event({ kind: "inertial", time, gyro, accel, mag });
        break;
      }
      case "reference":
        this.#event({
          kind: "reference",
          time,
          of: "base",
          sensor: 0,
          pose: rigid(message.pose, message.kind),
        });
        break;
      case "mount": {
        const sensor = message.sensor === null ? null : this.#sensor(message.sensor, message.kind);
        this.#event({ kind: "mount", time, sensor, pose: rigid(message.pose, message.kind) });
        break;
      }
      case "motion":
        this.#event({ kind: "motion", time, pose: message.pose, speed: message.speed });
        break;
      case "knock":
        this.#event({ kind: "knock", time, point: message.point });
        break;
      case "floorcheck":
        this.#event({ kind: "floorcheck", time, point: message.point, alarm: message.alarm });
        break;
      case "waiver": {
        const { direction, seconds, reason } = message;
        this.#event({ kind: "waiver", time, direction, seconds, reason });
        break;
      }
      default:
        message satisfies never;
    }
  }

  #event(event: Exclude<HeadEvent, { kind: "depth" }>): void {
    this.#post({ kind: "event", event });
  }

  #stamp({ kind, time }: Observation): number {
    const now = this.#now();
    if (time === undefined) return now;
    const ahead = time - now;
    if (ahead > MOST_AHEAD || ahead < -MOST_BEHIND) {
      throw new WireError(
        "stamp",
        kind,
        null,
        `${kind}: time is ${(Math.abs(ahead) / 1e6).toFixed(3)} s ${ahead > 0 ? "ahead of" : "behind"} the head's clock; ` +
          "stamp by the head's clock (message clock), or leave time out",
      );
    }
    return time;
  }

  #sensor(name: string, kind: string): number {
    const index = this.setup.sensors.findIndex((sensor) => sensor.name === name);
    if (index >= 0) return index;
    const names = this.setup.sensors.map((sensor) => sensor.name).join(", ");
    throw new WireError(
      "sensor",
      kind,
      null,
      `${kind}: there is no sensor "${name}"; there is ${names || "none"}`,
    );
  }

  #takeDepth(message: FromClient<"depth">, time: number): void {
    const sensor = this.#sensor(message.sensor, message.kind);
    const entry = this.#entries[sensor]!;
    const { width, height } = this.setup.sensors[sensor]!.optics;
    const fill = (name: "counts" | "amplitude", bytes: Uint8Array, image: Uint16Array): void => {
      if (message.form === "packed") {
        try {
          decodeImage(image, bytes, 0, bytes.length, 0);
        } catch (error) {
          if (!(error instanceof DecodeError)) throw error;
          throw new WireError("unfit", "depth", null, `depth: ${name}: ${error.message}`);
        }
        return;
      }
      if (bytes.length !== 2 * image.length) {
        throw new WireError(
          "unfit",
          "depth",
          null,
          `depth: ${name} has ${bytes.length} bytes; ${width} x ${height} pixels of 16 bits are ${2 * image.length}`,
        );
      }
      new Uint8Array(image.buffer, image.byteOffset, image.byteLength).set(bytes);
    };
    fill("counts", message.counts, entry.counts);
    if (message.amplitude !== null) fill("amplitude", message.amplitude, entry.amplitude);
    this.publish(sensor, { time, sequence: message.sequence, hasAmplitude: message.amplitude !== null });
  }

  /** The buffer in which a built-in source puts the next image of a sensor. */
  countsOf(sensor: number): Uint16Array {
    return this.#entries[sensor]!.counts;
  }

  /** Publishes the image in the sensor's buffers. */
  publish(
    sensor: number,
    label: { readonly time: number; readonly sequence: number; readonly hasAmplitude: boolean },
  ): void {
    const entry = this.#entries[sensor]!;
    entry.finish(label.hasAmplitude);
    entry.writer.publish({ ...label, arrival: this.#now() });
    this.#post({ kind: "frame", sensor });
  }
}

/** @param before the writer of this sensor so far. It stays for the same slot, because it knows which buffer is its own */
function entryOf({ setup, slots, mostPixels }: IntakeParts, i: number, before?: FrameWriter): ImageEntry {
  const slot = slots[i]!;
  const writer = before?.is(slot) ? before : new FrameWriter(slot);
  return new ImageEntry(setup.sensors[i]!, writer, mostPixels);
}

function unit(rotation: Quat, kind: string): Quat {
  try {
    return normalizeRotation(rotation, 0.05);
  } catch {
    throw new WireError("unfit", kind, null, `${kind}: rotation must be a unit quaternion x, y, z, w`);
  }
}

const rigid = (pose: Pose, kind: string): Pose => ({ ...pose, rotation: unit(pose.rotation, kind) });
