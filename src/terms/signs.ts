import type { Palette } from "./palette.ts";

// Signs of the ground on page and pictures. One table, so that a sign has the same meaning everywhere.

/** A tile that repeats: a path in pixels, filled, or stroked with lines `stroke` wide. */
export interface Pattern {
  readonly size: number;
  readonly path: string;
  readonly stroke?: number;
}

export const PATTERNS = {
  /** Diagonals that rise to the right. Three lines, so that the corners of the tile are whole. */
  hatch: { size: 8, stroke: 1.5, path: "M-8 8L0 0M0 8L8 0M8 8L16 0" },
  /** Thin diagonals that fall to the right. */
  scratches: { size: 8, stroke: 1, path: "M-8 0L0 8M0 0L8 8M8 0L16 8" },
  bars: { size: 5, path: "M0 0H5V2H0Z" },
  dots: { size: 6, path: "M2 2H4V4H2Z" },
  sparseDots: { size: 9, path: "M4 4H6V6H4Z" },
  dashes: { size: 10, path: "M0 2H4V3H0ZM5 7H9V8H5Z" },
} as const satisfies Record<string, Pattern>;

/** A fill: a colour of the palette, and a pattern on it in another. */
export interface Sign {
  readonly fill: keyof Palette;
  readonly pattern?: keyof typeof PATTERNS;
  readonly ink?: keyof Palette;
}

export const SIGNS = {
  unseen: { fill: "paper", pattern: "sparseDots", ink: "unseen" },
  firm: { fill: "firm" },
  /** Firm by memory: not seen in the last second. */
  remembered: { fill: "firm", pattern: "scratches", ink: "unseen" },
  obstacle: { fill: "obstacle" },
  /** Something hangs lower than the robot is high. */
  overhang: { fill: "paper", pattern: "bars", ink: "obstacle" },
  /** A drop: the edge in bearings, the floor that is gone on maps. */
  brink: { fill: "brink", pattern: "hatch", ink: "paper" },
  doubtful: { fill: "doubtful", pattern: "dots", ink: "paper" },
  /** Free space above, its floor not seen. */
  noFloorSeen: { fill: "card", pattern: "dashes", ink: "unseen" },
  /** An area that a person has closed to the base. */
  closed: { fill: "paper", pattern: "hatch", ink: "mark" },
  /** Floor below something under which the robot passes. */
  covered: { fill: "firm", pattern: "bars", ink: "mapOverhead" },
} as const satisfies Record<string, Sign>;
