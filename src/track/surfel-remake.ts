import type { Pose } from "../geometry/optics.ts";
import { compose, invert } from "../geometry/rigid.ts";
import { worldSigma } from "./doubt.ts";
import { isSound, type KeyframeStore } from "./keyframes.ts";
import type { MapPair } from "./local-map.ts";
import type { LoopClosed } from "./loops.ts";
import { placement, setPlacement } from "./placement.ts";
import { emptySamples, unpackSamples } from "./samples.ts";

/** Keyframes fused in one step. It bounds the work per frame. Chosen by hand. */
const FUSED_AT_ONCE = 4;
/** Most samples of a keyframe (`packSamples` keeps fewer). */
const CAPACITY = 2048;

/**
 * Rebuilds the surfel maps from keyframes at corrected poses, a few in each step. The store must not drop keyframes meanwhile.
 */
export class SurfelRemake {
  readonly closed: LoopClosed;
  readonly maps: MapPair;
  /** Motion of the world near the newest keyframe. */
  readonly newFromOld: Pose;
  readonly #store: KeyframeStore;
  readonly #samples = emptySamples(CAPACITY);
  readonly #at = placement();
  #done: number;

  /**
   * @param maps receive the surfels
   * @param first index of the first keyframe that is not in them yet
   */
  constructor(store: KeyframeStore, closed: LoopClosed, maps: MapPair, first = 0) {
    this.#store = store;
    this.#done = first;
    this.closed = closed;
    this.maps = maps;
    const last = store.frames.length - 1;
    this.newFromOld = compose(closed.poses[last]!, invert(store.frames[last]!.worldFromLens));
  }

  /** Fuses some keyframes. @returns whether all are in the maps */
  step(): boolean {
    const { frames } = this.#store;
    const { fine, coarse } = this.maps;
    for (let k = 0; k < FUSED_AT_ONCE && this.#done < frames.length; k++, this.#done++) {
      const frame = frames[this.#done]!;
      if (!isSound(frame)) continue;
      unpackSamples(this.#samples, frame.samples);
      setPlacement(this.#at, this.#poseOf(this.#done));
      const doubt = worldSigma(frame.doubt);
      fine.fuse(this.#samples, this.#at, { doubt });
      coarse.fuse(this.#samples, this.#at, { doubt });
    }
    return this.#done >= frames.length;
  }

  /** Sets the corrected poses of the keyframes, once all are in the maps. */
  correctKeyframes(): void {
    this.#store.frames.forEach((frame, n) => {
      const pose = this.#poseOf(n);
      frame.floorHeight += pose.position[2] - frame.worldFromLens.position[2];
      frame.worldFromLens = pose;
    });
  }

  /** Corrected pose of a keyframe. Keyframes made since the loop was closed move along with the last one before it. */
  #poseOf(n: number): Pose {
    return this.closed.poses[n] ?? compose(this.newFromOld, this.#store.frames[n]!.worldFromLens);
  }
}
