import type { Outcome } from "./drive.ts";
import { DEFAULT_KNOBS, KNOBS, type KnobName, type Knobs } from "./knobs.ts";

/** Order in which knobs are reset to their defaults: the most influential first. */
const ORDER: readonly KnobName[] = [
  "fault",
  "fault.at",
  "fault.for",
  "people",
  "cameras",
  "noise",
  "dip",
  "wheels.scale",
  "wheels.turn",
  "wheels.slip",
  "imu",
  "odometry",
  "pose.source",
  "lens.range",
  "lens.sees",
  "lens.width",
  "lens.angle",
  "lens.place",
  "lens.late",
  "lens.pitch",
  "lens.height",
  "lens.rate",
  "head.cost",
  "acceleration",
  "body.footprint",
  "guard.topTurn",
  "guard.maxReach",
  "guard.margin",
  "body.reactionDelay",
  "body.deceleration",
  "guard.topSpeed",
];
/** Knobs that are not simplified: another seed is another drive. */
const IS_SEED: ReadonlySet<KnobName> = new Set(["home", "start", "seed", "seconds"]);

/** A drive that still falls, with fewer knobs set. */
export interface Simpler {
  readonly knobs: Knobs;
  readonly outcome: Outcome;
  readonly tries: number;
}

/**
 * Simplifies a drive as long as it still ends in a fall: a shorter drive, straight on from its position a moment
 * before, knobs at their defaults, the rest half way there.
 * @param drive runs one drive with other knobs
 * @param most  most drives to try
 */
export function simplify(
  knobs: Knobs,
  outcome: Outcome,
  drive: (knobs: Knobs) => Outcome,
  most = 80,
): Simpler {
  let best = { knobs, outcome };
  let tries = 0;
  const attempt = (changes: Partial<Record<KnobName, number | string>>): boolean => {
    if (tries >= most) return false;
    tries++;
    const changed = { ...best.knobs, ...changes } as Knobs;
    try {
      const now = drive(changed);
      if (now.fall === null) return false;
      best = { knobs: changed, outcome: now };
      return true;
    } catch (error) {
      if (error instanceof RangeError) return false; // these knobs are not a valid drive
      throw error;
    }
  };
  const cut = (): void => {
    const seconds = Math.ceil(10 * (best.outcome.time + 0.3)) / 10;
    best = { ...best, knobs: { ...best.knobs, seconds } };
  };
  cut();
  straighten(best.outcome, attempt);
  cut();
  for (const name of ORDER) {
    if (best.knobs[name] !== DEFAULT_KNOBS[name]) attempt({ [name]: DEFAULT_KNOBS[name] });
  }
  if (best.knobs.wander !== "straight") straighten(best.outcome, attempt);
  for (const name of ORDER) {
    for (let step = 0; step < 3; step++) {
      const [now, usual] = [best.knobs[name], KNOBS[name].default];
      if (typeof now !== "number" || typeof usual !== "number" || now === usual || IS_SEED.has(name)) break;
      if (!attempt({ [name]: Number(((now + usual) / 2).toPrecision(2)) })) break;
    }
  }
  // By now it may fall before anything goes wrong.
  for (const name of ["fault", "fault.at", "fault.for"] as const) {
    if (best.knobs[name] !== DEFAULT_KNOBS[name]) attempt({ [name]: DEFAULT_KNOBS[name] });
  }
  cut();
  return { ...best, tries };
}

/** Starts where it was some seconds before the fall, and goes straight on. */
function straighten(
  { trail, fall }: Outcome,
  attempt: (changes: Partial<Record<KnobName, number | string>>) => boolean,
): void {
  for (const seconds of [1.5, 2.5, 4]) {
    const before = trail.find(([time]) => fall !== null && time! > fall.time - seconds);
    if (before === undefined) continue;
    const [, x, y, yaw] = before;
    const place = [x!, y!, yaw!].map((value) => value.toFixed(3)).join(",");
    if (attempt({ place, wander: "straight" })) return;
  }
}
