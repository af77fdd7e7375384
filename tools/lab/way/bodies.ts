import type { Footprint } from "../../../src/guard/body.ts";

/** Outlines of the bodies for which ways are measured. */
export const BODIES = {
  /** 0.4 m across, as sixteen corners. */
  round: Array.from({ length: 16 }, (_, k): [number, number] => [
    0.2 * Math.cos((k * Math.PI) / 8),
    0.2 * Math.sin((k * Math.PI) / 8),
  ]),
  /** The settings' default. */
  oblong: [
    [0.22, 0.175],
    [0.22, -0.175],
    [-0.2, -0.175],
    [-0.2, 0.175],
  ],
  /** Wheels near the rear. */
  "long nose": [
    [0.38, 0.1],
    [0.38, -0.1],
    [0.1, -0.19],
    [-0.19, -0.19],
    [-0.19, 0.19],
    [0.1, 0.19],
  ],
} satisfies Record<string, Footprint>;
