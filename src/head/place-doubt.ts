import { square } from "../geometry/elementary.ts";
import type { TrackState } from "./outputs.ts";

/** Sigmas within which a place must be known for memory to answer from it. */
const SIGMAS = 3;
/** Metres from the base at which an error of its heading counts: about as far as it brakes. Chosen by hand. */
const ARM = 1;

/**
 * Whether memory may answer from a tracked place. What is remembered was seen from places that were sure; what has come to the doubt
 * since the last of them puts it in the wrong place around the base. Doubt that it was built with moves all of it alike and does no harm.
 */
export class PlaceDoubt {
  /** m^2 and radians^2 at the last place that was sure. */
  #place = 0;
  #heading = 0;

  /**
   * Takes the newest place.
   * @param state  null for a place that is given, not tracked
   * @param isSure whether what was seen from there is remembered
   * @param room   metres that errors of place may take: the margin, and the cell that is kept besides
   * @returns whether memory may answer from it
   */
  isKnown(state: TrackState | null, isSure: boolean, room: number): boolean {
    if (state === null) return true;
    const [xx = 0, , , , yy = 0] = state.covariance;
    const place = xx + yy;
    const heading = square(state.yawSigma);
    // A place may become surer between two that are remembered, by a loop that closes: then all before was.
    if (isSure || place < this.#place) this.#place = place;
    if (isSure || heading < this.#heading) this.#heading = heading;
    const doubt = place - this.#place + square(ARM) * (heading - this.#heading);
    return SIGMAS * Math.sqrt(Math.max(0, doubt)) <= room;
  }
}
