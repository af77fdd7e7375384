import type { Settings } from "../head/settings.ts";

/** Settings that are specific to one base: with the outline or the brakes of another base, a pace is not valid. */
export const OF_THIS_BASE = [
  "body.footprint",
  "body.deceleration",
  "body.reactionDelay",
] as const satisfies readonly (keyof Settings)[];

/** Tracks whether this base's own outline and brakes were set, in the settings file or by a client. Defaults do not count. */
export class BodySettings {
  readonly #missing: Set<string>;

  /** @param given names of the settings in the settings file */
  constructor(given: Iterable<string>) {
    this.#missing = new Set(OF_THIS_BASE);
    this.set(given);
  }

  set(names: Iterable<string>): void {
    for (const name of names) this.#missing.delete(name);
  }

  /** Names of the settings that are not set yet. */
  get missing(): readonly string[] {
    return [...this.#missing];
  }

  /** The missing settings and how to set them, for a person. */
  get hint(): string {
    return `${this.missing.join(", ")} of this base were never set: no motion is permitted. Measure them (docs/mounting-the-head.md), and set them under "settings" in the settings file or on the page`;
  }
}
