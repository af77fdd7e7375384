import { parseFootprint } from "../../src/guard/body.ts";
import type { GuardSettings } from "../../src/guard/guard.ts";

/** Settings of a guard for tests that state only what they are about: a base of 0.4 x 0.3 m, seen every 5 cm, with the product's margin. */
export const guardSettingsFor = ({
  footprint = "0.2,0.15 0.2,-0.15 -0.2,-0.15 -0.2,0.15",
  deceleration = 0.3,
  reactionDelay = 0.15,
  ...more
}: Partial<Omit<GuardSettings, "body">> & {
  readonly footprint?: string;
  readonly deceleration?: number;
  readonly reactionDelay?: number;
} = {}): GuardSettings => ({
  body: {
    footprint: parseFootprint(footprint),
    height: 0.6,
    wheelRadius: 0.06,
    climbableStep: 0.015,
    tolerableDrop: 0.015,
    deceleration,
    reactionDelay,
  },
  cellSize: 0.05,
  margin: 0.07,
  maxReach: 3,
  topSpeed: 1,
  topTurn: 1,
  maxBlind: 1,
  hold: 0,
  memory: 600,
  startTrust: 0,
  knockRepeat: 1,
  maxTrim: 0.1,
  gate: 0,
  slowIn: [],
  ...more,
});
