import type { Settings } from "../head/settings.ts";

/** What is of one base alone: with another's outline and brakes a pace is no promise. */
export const OF_THIS_BASE = [
  "body.footprint",
  "body.deceleration",
  "body.reactionDelay",
] as const satisfies readonly (keyof Settings)[];

/** Whether this base's own outline and brakes were set: in the settings file, or since by a client. Defaults do not count. */
export class BodySettings {
  readonly #missing: Set<string>;

  /** @param given names of the settings that were given at the start */
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

  /** What is missing and what to do, for a person. */
  get hint(): string {
    return `${this.missing.join(", ")} of this base were never set: no motion is permitted. Measure them (docs/mounting-the-head.md), and set them under "settings" in the settings file or on the page`;
  }
}
