const WRAP = 2 ** 32;

/** Unwraps 32-bit microsecond stamps, which overflow every 71.6 minutes. */
export class StampUnwrapper {
  #last: number | null = null;

  /**
   * @param stamp 0 to 2^32 - 1, less than 35 minutes after or before the one before it
   * @returns microseconds since the counter's zero before the first stamp; it runs back when stamps come out of order
   * @throws {RangeError} if the stamp is not a 32-bit count
   */
  unwrap(stamp: number): number {
    if (!(Number.isInteger(stamp) && stamp >= 0 && stamp < WRAP)) {
      throw new RangeError(`stamp ${stamp} is not a 32-bit count of microseconds`);
    }
    // The difference modulo 2^32, taken as a signed number.
    this.#last = this.#last === null ? stamp : this.#last + ((stamp - (this.#last % WRAP)) | 0);
    return this.#last;
  }
}
