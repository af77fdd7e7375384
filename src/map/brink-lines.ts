import { expOf, square } from "../geometry/elementary.ts";
/** A boundary from firm to gone, in the world. */
export interface Brink {
  /** x, y in order along the edge, metres. */
  readonly points: readonly (readonly [number, number])[];
  /** Metres, the median along it. */
  readonly drop: number;
  /** 0 to 1: grows with the number of frames that confirmed it. */
  readonly confidence: number;
  /** Metres, 1 sigma, of the points' place across the edge. */
  readonly error: number;
}

/** A point of an edge, from one cell; metres. */
export interface BrinkSpot {
  readonly x: number;
  readonly y: number;
  readonly drop: number;
  readonly error: number;
  readonly looks: number;
}

/** Looks after which an edge's confidence is 1 - 1/e. Chosen by hand. */
const LOOKS = 3;

/**
 * Chains spots to polylines: repeatedly adds the nearest remaining spot, at both ends.
 * @param spots emptied
 * @param link  metres: spots farther apart are not of one edge
 */
export function chainBrinks(spots: BrinkSpot[], link: number): Brink[] {
  const nearest = (to: BrinkSpot): number => {
    let best = -1;
    let least = square(link);
    for (let k = 0; k < spots.length; k++) {
      const spot = spots[k]!;
      const apart = square(spot.x - to.x) + square(spot.y - to.y);
      if (apart < least) {
        least = apart;
        best = k;
      }
    }
    return best;
  };
  const out: Brink[] = [];
  while (spots.length > 0) {
    const chain = [spots.pop()!];
    for (let k = nearest(chain.at(-1)!); k >= 0; k = nearest(chain.at(-1)!))
      chain.push(...spots.splice(k, 1));
    for (let k = nearest(chain[0]!); k >= 0; k = nearest(chain[0]!)) chain.unshift(...spots.splice(k, 1));
    out.push(brinkOf(chain));
  }
  return out;
}

function brinkOf(chain: readonly BrinkSpot[]): Brink {
  const drops = chain.map(({ drop }) => drop).sort((a, b) => a - b);
  const looks = chain.reduce((sum, spot) => sum + spot.looks, 0) / chain.length;
  return {
    points: chain.map(({ x, y }) => [x, y] as const),
    drop: drops[drops.length >> 1]!,
    confidence: 1 - expOf(-looks / LOOKS),
    error: Math.max(...chain.map(({ error }) => error)),
  };
}
