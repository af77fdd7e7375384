import { resolveSettings, SETTINGS, type SettingName } from "../../../src/head/settings.ts";
import { Dice } from "../../../src/simulate/home/dice.ts";

/** All parameters ("knobs") of a drive, by name. A drive follows from its knobs alone. */
export type Knobs = Readonly<Record<KnobName, number | string>>;
type Value = number | string;

interface Knob {
  /** The default, and the target when a counterexample is simplified. */
  readonly default: Value;
  readonly draw: (dice: Dice) => Value;
  readonly help: string;
  /** Values of a choice, in the order of simplification. */
  readonly choices?: readonly string[];
}

export const FAULTS = [
  "none",
  "head killed",
  "head frozen",
  "head starved",
  "head restarts",
  "image frozen",
  "front camera dies",
  "orientation stops",
  "orientation stands still",
  "odometry stops",
] as const;
export type Fault = (typeof FAULTS)[number];

/** Directions of the cameras, degrees to the left; the first is the front one. */
export const CAMERA_SETS: Readonly<Record<string, readonly number[]>> = {
  front: [0],
  "front and rear": [0, 180],
  "front and sides": [0, 65, -65],
  "three round": [0, 120, -120],
};

export const WANDERS = ["straight", "spot", "random"] as const;

const bounds = (
  name: SettingName,
): { readonly min: number; readonly max: number; readonly default: number } => {
  const row = SETTINGS[name];
  if (!("min" in row)) throw new RangeError(`${name} is no number`);
  return row;
};

/** A setting within its legal range, log-uniform; its default in some of the drives. */
function logarithmic(name: SettingName, least = 0): Knob {
  const { min, max, default: usual } = bounds(name);
  const low = Math.max(min, least);
  return {
    default: usual,
    draw: (dice) => (dice.chance(0.35) ? usual : round(low * (max / low) ** dice.between(0, 1))),
    help: `${low} to ${max}`,
  };
}

/** A setting whose least value is 0: small ones are as likely as large ones. */
function fromZero(name: SettingName, often: number): Knob {
  const { min, max, default: usual } = bounds(name);
  return {
    default: usual,
    draw: (dice) => {
      if (dice.chance(0.35)) return usual;
      return round(dice.between(min, dice.chance(0.75) ? Math.max(often, min) : max));
    },
    help: `${min} to ${max}`,
  };
}

/** A number within a range; each is as likely as another. @param decimals that a drawn number is rounded to */
function even(usual: number, [low, high]: readonly [number, number], help: string, decimals = 3): Knob {
  return {
    default: usual,
    draw: (dice) => Number(dice.between(low, high).toFixed(decimals)) + 0, // no negative zero
    help: `${help}, ${low} to ${high}`,
  };
}

function choice(
  choices: readonly string[],
  help: string,
  weights: Readonly<Record<string, number>> = {},
): Knob {
  const list = choices.flatMap((one) => new Array<string>(weights[one] ?? 1).fill(one));
  return {
    default: choices[0]!,
    draw: (dice) => dice.pick(list),
    help: `${help}: ${choices.join(", ")}`,
    choices,
  };
}

const seed = (help: string): Knob => ({ default: 1, draw: (dice) => dice.whole(1_000_000), help });
const round = (value: number): number => Number(value.toPrecision(3));

/** Outlines of bodies: boxes, a round one, one with a point ahead, one that turns about its rear axle. */
function drawFootprint(dice: Dice): string {
  if (dice.chance(0.3)) return SETTINGS["body.footprint"].default;
  const half = dice.between(0.1, 0.28);
  const front = dice.between(0.1, 0.4);
  const rear = -dice.between(0.08, 0.35);
  const corner = (x: number, y: number): string => `${x.toFixed(3)},${y.toFixed(3)}`;
  switch (dice.whole(4)) {
    case 0:
      return Array.from({ length: 12 }, (_, n) => {
        const angle = (-2 * Math.PI * n) / 12;
        return corner(half * Math.cos(angle), half * Math.sin(angle));
      }).join(" ");
    case 1:
      return [
        corner(front, 0),
        corner(0.3 * front, -half),
        corner(rear, -half),
        corner(rear, half),
        corner(0.3 * front, half),
      ].join(" ");
    default:
      return [corner(front, half), corner(front, -half), corner(rear, -half), corner(rear, half)].join(" ");
  }
}

export const KNOBS = {
  home: seed("seed of the generated home"),
  start: { default: 0, draw: (dice) => dice.whole(12), help: "number of the start in that home" },
  seed: seed("of the noise of sensors and wheels, and of the wander"),
  seconds: { default: 20, draw: (dice) => Math.round(dice.between(8, 18)), help: "of the drive" },
  wander: { ...choice(WANDERS, "what the base wants"), draw: () => "random" },
  place: { default: "", draw: () => "", help: "x,y,yaw in metres and radians, instead of the start" },
  "guard.topSpeed": logarithmic("guard.topSpeed"),
  "guard.topTurn": logarithmic("guard.topTurn", 0.2),
  "guard.margin": fromZero("guard.margin", 0.3),
  "guard.maxReach": logarithmic("guard.maxReach"),
  "body.deceleration": logarithmic("body.deceleration"),
  "body.reactionDelay": fromZero("body.reactionDelay", 0.5),
  "body.footprint": {
    default: SETTINGS["body.footprint"].default,
    draw: drawFootprint,
    help: "outline, as in the settings",
  },
  "pose.source": choice(["tracked", "odometry"], "where poses come from", { tracked: 3 }),
  cameras: choice(Object.keys(CAMERA_SETS), "where cameras look"),
  "lens.height": even(0.4, [0.12, 0.8], "metres over the floor"),
  "lens.pitch": even(22, [8, 42], "degrees downwards", 1),
  "lens.place": even(0.7, [0.2, 1], "share of the way from the base's floor point to its front"),
  "lens.angle": even(83, [58, 98], "degrees across", 1),
  "lens.width": {
    default: 96,
    draw: (dice) => dice.pick([80, 96, 112, 128, 160]),
    help: "pixels across; three quarters of it down",
  },
  "lens.rate": even(10, [5, 16], "frames a second", 1),
  "lens.range": even(6, [3, 8], "metres", 1),
  "lens.sees": {
    default: 4.5,
    draw: (dice) => Number((dice.chance(0.5) ? dice.between(3.5, 6) : dice.between(6, 16)).toFixed(1)),
    help: "metres at which a white surface at normal incidence still returns; limits the speed of the base",
  },
  "lens.late": even(0.03, [0.005, 0.06], "seconds from the exposure to the frame's arrival"),
  imu: choice(["raw", "fused"], "what the inertial sensor gives"),
  odometry: choice(["yes", "no"], "whether odometry is sent", { yes: 4 }),
  "wheels.scale": even(0, [-0.02, 0.02], "error of the wheels' circumference"),
  "wheels.turn": even(0, [-0.02, 0.02], "error of their distance"),
  "wheels.slip": even(0, [0, 0.1], "share of the way that wheels slip on rugs"),
  acceleration: even(0.6, [0.4, 2.5], "m/s2 of the base speeding up"),
  dip: even(0, [0, 3], "degrees that the chassis dips at full braking", 1),
  people: choice(["no", "yes"], "whether they walk about"),
  noise: { ...choice(["no", "yes"], "of the depth sensor"), draw: () => "yes" },
  "head.cost": even(12, [4, 30], "milliseconds that a frame keeps the head busy", 0),
  obeys: {
    ...choice(
      ["rules", "board"],
      "who holds the base to the pace: the protocol's rules, or the compiled code of a motor board, whose driver wants three times the pace",
    ),
    draw: () => "rules",
  },
  fault: choice(FAULTS, "what goes wrong", { none: 4 }),
  "fault.at": even(3, [0.8, 8], "seconds from the start", 1),
  "fault.for": even(2, [0.2, 5], "seconds that it lasts, where it ends", 1),
} as const satisfies Record<string, Knob>;

export type KnobName = keyof typeof KNOBS;
export const KNOB_NAMES = Object.keys(KNOBS) as readonly KnobName[];

export const DEFAULT_KNOBS: Knobs = Object.fromEntries(
  Object.entries(KNOBS).map(([name, knob]) => [name, knob.default]),
) as Knobs;

/** Settings of the core among the knobs. */
export const settingsOf = (knobs: Knobs): Record<string, unknown> => ({
  ...Object.fromEntries(
    KNOB_NAMES.filter((name) => Object.hasOwn(SETTINGS, name)).map((name) => [name, knobs[name]]),
  ),
  "body.height": Math.max(0.3, Number(knobs["lens.height"]) + 0.1),
});

/** The knobs of a drive number: random legal settings and everything else. */
export function drawKnobs(number: number): Knobs {
  const dice = new Dice(number, 77);
  const knobs = Object.fromEntries(
    Object.entries(KNOBS).map(([name, knob]) => [name, knob.draw(dice)]),
  ) as Record<KnobName, Value>;
  // Without wheels only depth gives the motion, and the source `odometry` needs them.
  if (knobs["pose.source"] === "odometry") knobs.odometry = "yes";
  return knobs;
}

/**
 * Knobs from "name=value" texts over given ones.
 * @throws {RangeError} naming an unknown or illegal knob
 */
export function turned(knobs: Knobs, changes: readonly string[]): Knobs {
  const out: Record<string, Value> = { ...knobs };
  for (const change of changes) {
    const at = change.indexOf("=");
    const name = change.slice(0, at);
    const knob = Object.hasOwn(KNOBS, name) ? KNOBS[name as KnobName] : undefined;
    if (at < 0 || knob === undefined)
      throw new RangeError(`"${change}" is not name=value of a knob; --knobs lists them`);
    const text = change.slice(at + 1);
    if (typeof knob.default === "string") {
      const { choices } = knob as Knob;
      if (choices !== undefined && !choices.includes(text)) {
        throw new RangeError(`${name} must be one of ${choices.join(", ")}, got "${text}"`);
      }
      out[name] = text;
    } else {
      const value = Number(text);
      if (text.trim() === "" || !Number.isFinite(value))
        throw new RangeError(`${name} must be a number, got "${text}"`);
      out[name] = value;
    }
  }
  resolveSettings(settingsOf(out as Knobs));
  return out as Knobs;
}

/** The arguments that repeat the drive: all knobs that differ from their defaults. */
export const argumentsOf = (knobs: Knobs): string =>
  KNOB_NAMES.filter((name) => knobs[name] !== DEFAULT_KNOBS[name])
    .map((name) => {
      const text = `${name}=${knobs[name]}`;
      return `-k ${/^[\w.,=-]+$/.test(text) ? text : `'${text}'`}`;
    })
    .join(" ");
