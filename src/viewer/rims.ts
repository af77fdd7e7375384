import { FOOTING } from "../terms/safety.ts";
import type { FloorCells } from "../wire/floor-map.ts";

/** Fewest pieces of a line. A single cell gives four, and single cells are noise. */
const LEAST_PIECES = 5;

const GONE: number = FOOTING.gone;
const FIRM: number = FOOTING.firm;

/** A border between firm floor and gone floor: x, y of its points in order, metres of the world. */
export type Rim = readonly (readonly [x: number, y: number])[];

/**
 * The borders between firm floor and gone floor, as lines through the midpoints between their cells. Source: marching squares,
 * the two-dimensional case of Lorensen & Cline 1987; where two corners of a square meet diagonally, the two lines stay apart.
 */
export function rimsOf({ col, row, width, height, cell, cells }: FloorCells): Rim[] {
  /** Ends of the pieces: in half cells from the corner of the grid, packed into one number. */
  const next = new Map<number, number[]>();
  const join = (a: number, b: number): void => {
    for (const [from, to] of [[a, b], [b, a]] as const) next.set(from, [...(next.get(from) ?? []), to]); // biome-ignore format: both ways
  };
  const key = (x: number, y: number): number => y * (2 * width + 2) + x;
  for (let j = 0; j + 1 < height; j++) {
    for (let i = 0; i + 1 < width; i++) {
      const at = j * width + i;
      // Counter-clockwise from the corner of smallest x and y. Nearly all squares end here, so nothing is allocated before.
      const a = cells[at]!;
      const b = cells[at + 1]!;
      const c = cells[at + width + 1]!;
      const d = cells[at + width]!;
      if (a !== GONE && b !== GONE && c !== GONE && d !== GONE) continue;
      if (a !== FIRM && b !== FIRM && c !== FIRM && d !== FIRM) continue;
      const isGone = [a === GONE, b === GONE, c === GONE, d === GONE];
      const middles = [key(2 * i + 2, 2 * j + 1), key(2 * i + 3, 2 * j + 2), key(2 * i + 2, 2 * j + 3), key(2 * i + 1, 2 * j + 2)]; // biome-ignore format: by side
      // Going around the square, a line enters where gone floor begins, and leaves where it ends.
      for (let side = 0; side < 4; side++) {
        if (isGone[side]! || !isGone[(side + 1) % 4]!) continue;
        let end = (side + 1) % 4;
        while (isGone[end]! && isGone[(end + 1) % 4]!) end = (end + 1) % 4;
        join(middles[side]!, middles[end]!);
      }
    }
  }
  return chainsOf(next)
    .filter((chain) => chain.length > LEAST_PIECES)
    .map((chain) =>
      chain.map((end) => {
        const [x, y] = [end % (2 * width + 2), Math.floor(end / (2 * width + 2))];
        return [(col + x / 2) * cell, (row + y / 2) * cell] as const;
      }),
    );
}

/** Joins pieces end to end. Each is used once. */
function chainsOf(next: Map<number, number[]>): number[][] {
  const take = (from: number): number | undefined => {
    const to = next.get(from)?.pop();
    if (to === undefined) return undefined;
    const back = next.get(to)!;
    back.splice(back.indexOf(from), 1);
    return to;
  };
  const follow = (start: number): number[] => {
    const chain = [start];
    for (let end = take(start); end !== undefined; end = take(end)) chain.push(end);
    return chain;
  };
  const chains: number[][] = [];
  // Open lines first, from one of their ends. The rest are closed lines.
  for (const [end, others] of next) if (others.length === 1) chains.push(follow(end));
  for (const [end, others] of next) if (others.length > 0) chains.push(follow(end));
  return chains;
}
