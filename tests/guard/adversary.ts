import { openGlanceFrame } from "../../src/guard/glance-frame.ts";

/**
 * A base that makes the most of what it is permitted: it reaches any permitted speed at once, gets each permit late or never, obeys it
 * up to its end, and only then, after its reaction delay, brakes with what it declared.
 */
export class Adversary {
  speed = 0;
  #acting = { speed: 0, until: 0 };
  #coming: { readonly at: number; readonly speed: number; readonly until: number }[] = [];
  readonly deceleration: number;
  readonly reactionDelay: number;
  readonly random: () => number;
  constructor(deceleration: number, reactionDelay: number, random: () => number) {
    this.deceleration = deceleration;
    this.reactionDelay = reactionDelay;
    this.random = random;
  }

  /** A permit that is sent at a time; a fifth of them are lost. */
  send(speed: number, now: number, until: number): void {
    if (this.random() < 0.2) return;
    const at = now + this.random() ** 2 * Math.max(0, until - now) + this.reactionDelay;
    this.#coming = [...this.#coming, { at, speed, until }].sort((a, b) => a.at - b.at);
  }

  /** Metres gone in a step. */
  step(now: number, dt: number): number {
    while (this.#coming.length > 0 && this.#coming[0]!.at <= now) this.#acting = this.#coming.shift()!;
    const wish = now < this.#acting.until + this.reactionDelay ? this.#acting.speed : 0;
    this.speed = wish >= this.speed ? wish : Math.max(wish, this.speed - this.deceleration * dt);
    return this.speed * dt;
  }
}

/** A frame that is a fit view and says nothing: all ground is remembered. */
export const silent = (() => {
  const frame = openGlanceFrame(0, 0);
  frame.sight = "clear";
  return frame;
})();
