import { KNOWN_SIDE } from "../wire/known.ts";
import type { Answer } from "../wire/messages.ts";
import type { Ask } from "./worker-messages.ts";

export type Known = Extract<Answer, { about: "known" }>;

/** Blocks along a square's side. */
const SQUARE = KNOWN_SIDE;
/** Milliseconds between two questions, and before the squares are asked for again. */
const EVERY = 120;
const AGAIN = 2000;

/** Asks the head how old and how certain its map is, square by square, while somebody wants to see it. */
export class KnownMap {
  readonly #ask: Ask;
  readonly #squares: () => readonly (readonly [number, number])[];
  readonly #told: (square: readonly [number, number], known: Known) => void;
  #round = 0;
  #isOn = false;

  /**
   * @param squares the squares of the present map
   * @param told    called with each answer
   */
  constructor(
    ask: Ask,
    squares: () => readonly (readonly [number, number])[],
    told: (square: readonly [number, number], known: Known) => void,
  ) {
    this.#ask = ask;
    this.#squares = squares;
    this.#told = told;
  }

  set isOn(isOn: boolean) {
    if (isOn === this.#isOn) return;
    this.#isOn = isOn;
    this.#round++;
    if (isOn) void this.#run(this.#round);
  }

  async #run(round: number): Promise<void> {
    while (round === this.#round) {
      for (const square of this.#squares()) {
        const question = { about: "known", square: [...square] as [number, number] } as const;
        try {
          const known = await this.#ask<Known>({ kind: "ask", question });
          if (round !== this.#round) return;
          this.#told(square, known);
        } catch {
          // The connection is closed, or the head has no such answer: the next round asks again.
          break;
        }
        await new Promise((resolve) => setTimeout(resolve, EVERY));
        if (round !== this.#round) return;
      }
      await new Promise((resolve) => setTimeout(resolve, AGAIN));
    }
  }
}

/** The squares that contain places. @param side metres of a block */
export function squaresOf(
  places: readonly (readonly [x: number, y: number])[],
  side: number,
): (readonly [number, number])[] {
  const found = new Map<string, readonly [number, number]>();
  for (const [x, y] of places) {
    const square = [Math.floor(x / (SQUARE * side)), Math.floor(y / (SQUARE * side))] as const;
    found.set(square.join(), square);
  }
  return [...found.values()];
}
