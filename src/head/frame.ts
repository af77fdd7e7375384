import type { GlanceFrame } from "../guard/glance-frame.ts";

/** A depth frame as the mask left it, on its way to the map. */
export interface MaskedFrame {
  /** Microseconds: mid-exposure. */
  readonly time: number;
  /** Index into `Setup.sensors`. */
  readonly sensor: number;
  readonly sequence: number;
  /** z-depth (of a scan: along the beam) in 1 / unitsPerMetre, 0 where none is usable. Valid until the sensor's next frame. */
  readonly depth: Uint16Array;
  readonly unitsPerMetre: number;
  /** False for a frame that is only judged and located: it was shed, or is held out. */
  readonly isMapped: boolean;
  /** False when the lens is covered or the image is frozen: such a frame does not show the room. */
  readonly showsRoom: boolean;
}

/** A frame was left out, and why ("skipped" in outputs.ts). */
export interface Skip {
  readonly time: number;
  readonly sensor: number;
  readonly sequence: number;
  readonly why: "no pose" | "overtaken" | "unfit";
  readonly detail: string;
}

/** A frame with its own judgement of the floor; null where its sensor cannot be judged. */
export interface JudgedFrame extends MaskedFrame {
  readonly tally: Uint32Array;
  readonly judged: GlanceFrame | null;
  /** Whether image and attitude are live, and not frozen. */
  readonly isLive: boolean;
}
