import type { MessagePort } from "node:worker_threads";
import type { HeadEvent, Setup } from "../../sense/events.ts";
import { Batch } from "../batch.ts";

/** Messages from the sensing thread to the pre-trigger recorder. Images are in buffers that are returned. */
export type ToPretrigger =
  | {
      readonly kind: "begin";
      readonly setup: Setup;
      readonly settings: Readonly<Record<string, unknown>>;
    }
  | { readonly kind: "event"; readonly event: Exclude<HeadEvent, { kind: "depth" }> }
  | {
      readonly kind: "frame";
      readonly time: number;
      readonly sensor: number;
      readonly sequence: number;
      readonly pixels: number;
      readonly hasAmplitude: boolean;
      readonly images: ArrayBuffer;
    };

/** Most frames in flight to the recorder. Beyond it frames are left out of the recording, so that the head never waits for a slow disk. */
const MOST_ON_THE_WAY = 12;

/** Forwards events to the pre-trigger recorder's thread without waiting for it. */
export class PretriggerTap {
  readonly #batch: Batch<ToPretrigger>;
  readonly #free: ArrayBuffer[] = [];
  #out = 0;
  /** Number of frames that were left out. */
  leftOut = 0;

  constructor(port: MessagePort) {
    this.#batch = new Batch((messages, moved) => port.postMessage(messages, [...moved]));
    port.on("message", (images: ArrayBuffer) => {
      this.#out--;
      this.#free.push(images);
    });
    port.unref();
  }

  begin(setup: Setup, settings: Readonly<Record<string, unknown>>): void {
    this.#free.length = 0; // the image size may have changed
    this.#batch.add({ kind: "begin", setup, settings });
  }

  take(event: HeadEvent): void {
    if (event.kind !== "depth") {
      this.#batch.add({ kind: "event", event });
      return;
    }
    const { time, sensor, sequence, counts, amplitude } = event;
    const pixels = counts.length;
    if (this.#out >= MOST_ON_THE_WAY) {
      this.leftOut++;
      return;
    }
    const fit = this.#free.findIndex(({ byteLength }) => byteLength === 4 * pixels);
    const images = fit >= 0 ? this.#free.splice(fit, 1)[0]! : new ArrayBuffer(4 * pixels);
    new Uint16Array(images, 0, pixels).set(counts);
    if (amplitude !== null) new Uint16Array(images, 2 * pixels).set(amplitude);
    this.#out++;
    const hasAmplitude = amplitude !== null;
    this.#batch.add({ kind: "frame", time, sensor, sequence, pixels, hasAmplitude, images }, [images]);
  }
}
