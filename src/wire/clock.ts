/**
 * Offset and round trip from the four stamps of an exchange.
 * Source: RFC 5905 (Network Time Protocol version 4), section 8: theta = ((T2 - T1) + (T3 - T4)) / 2,
 * delta = (T4 - T1) - (T3 - T2).
 * @param sent     T1, by this clock     @param received T2, by the other's
 * @param replied  T3, by the other's    @param arrived  T4, by this clock; all in microseconds
 * @returns offset: other clock minus this clock; delay: of the round trip
 */
export function exchange(
  sent: number,
  received: number,
  replied: number,
  arrived: number,
): { readonly offset: number; readonly delay: number } {
  return {
    offset: (received - sent + (replied - arrived)) / 2,
    delay: arrived - sent - (replied - received),
  };
}

const KEPT = 8;

/**
 * Estimate of the other side's clock: of the last eight exchanges the one with the shortest delay counts, since the
 * error of an offset is at most half of its delay. Source: RFC 5905, section 10 (clock filter).
 */
export class ClockFilter {
  #samples: { readonly offset: number; readonly delay: number }[] = [];

  add(sent: number, received: number, replied: number, arrived: number): void {
    const sample = exchange(sent, received, replied, arrived);
    // The offset changed by more than the delays explain: the other clock was restarted, and old samples are invalid.
    const best = this.best;
    if (best !== null && Math.abs(sample.offset - best.offset) > (sample.delay + best.delay) / 2 + 1000) {
      this.#samples = [];
    }
    this.#samples.push(sample);
    if (this.#samples.length > KEPT) this.#samples.shift();
  }

  /** Null before the first exchange. */
  get best(): { readonly offset: number; readonly delay: number } | null {
    let best = this.#samples[0] ?? null;
    for (const sample of this.#samples) if (best !== null && sample.delay <= best.delay) best = sample;
    return best;
  }
}
