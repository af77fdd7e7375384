/** Counts frames of each sensor that never arrived. */
export class FrameCounts {
  /** Sequence number of each sensor's newest placed frame, by the sensor's name. */
  readonly #newest = new Map<string, number>();

  /** Takes a placed frame. @returns the number of missing frames since the sensor's last one */
  missedBefore(sensor: string, sequence: number): number {
    const last = this.#newest.get(sensor) ?? sequence - 1;
    this.#newest.set(sensor, sequence);
    return Math.max(0, sequence - last - 1);
  }
}
