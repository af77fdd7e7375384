import { Random } from "../../../src/simulate/random.ts";
import type { Course } from "./drive.ts";
import { type Beyond, beyond, matter, sceneOf, slab } from "./ground.ts";

const RADIANS = Math.PI / 180;
/** Drops that must not be missed, metres, and the two kinds without a level below. */
export const DROPS = ["50", "100", "150", "178", "197", "220", "760", "bottomless", "stair"] as const;
export const REFLECTANCES = [0.018, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8] as const;
/** The base's front, metres before its floor point. */
const FRONT = 0.22;

export interface Approach extends Course {
  readonly drop: string;
  readonly reflectance: number;
  readonly bearing: number;
}

/** Limits of stairs: IBC 2015 1011.5.2 and exceptions, Approved Document K Table 1.1, DIN 18065. */
const RISE = [0.102, 0.22] as const;
const GOING = [0.22, 0.4] as const;

/**
 * A base drives straight at an edge, the line x = 0, over floor of one brightness.
 * @param drop millimetres, or a name of `DROPS`
 */
export function approach(seed: number, drop: string): Approach {
  const random = new Random(seed, 1);
  const between = (low: number, high: number) => low + (high - low) * random.uniform();
  const bearing = between(-45, 45) * RADIANS;
  const reflectance = REFLECTANCES[Math.floor(random.uniform() * REFLECTANCES.length)]!;
  const below =
    random.uniform() < 0.5 ? reflectance : REFLECTANCES[Math.floor(random.uniform() * REFLECTANCES.length)]!;
  const what: Beyond =
    drop === "bottomless"
      ? { kind: "void" }
      : drop === "stair"
        ? { kind: "stair", rise: between(...RISE), going: between(...GOING) }
        : { kind: "level", drop: Number(drop) / 1000 };
  const scene = sceneOf([matter(reflectance), matter(below)], [slab(-20, 0, 0), ...beyond(what, 1)]);
  const way = FRONT + between(0.9, 1.5);
  return {
    scene,
    seed,
    drop,
    reflectance,
    bearing,
    height: between(0.15, 0.6),
    pitch: between(5, 35),
    speed: between(0.1, 0.6),
    curvature: 0,
    start: [-way * Math.cos(bearing), -way * Math.sin(bearing), bearing],
    duration: 45,
    until: 1,
    dip: between(0, 2.5),
    isGone: (x) => x > 0,
  };
}

/** Floors without a drop. */
export const FLOORS = [
  "plain",
  "black mat",
  "thresholds",
  "rug",
  "ramps",
  "braking",
  "mirror-like",
  "glass door",
] as const;

export interface Cruise extends Course {
  readonly floor: (typeof FLOORS)[number];
  readonly reflectance: number;
  /** Metres from start to end. */
  readonly length: number;
}

/**
 * A base crosses ground without a drop, along x from 0. Its head looks down far enough for the darkest floor to be in view
 * within its signal: a head that never sees the floor stands still, and rightly so.
 */
export function cruise(seed: number, floor: Cruise["floor"]): Cruise {
  const random = new Random(seed, 2);
  const between = (low: number, high: number) => low + (high - low) * random.uniform();
  const isDark = floor === "plain";
  const reflectance = isDark ? REFLECTANCES[Math.floor(random.uniform() * 7)]! : between(0.2, 0.6);
  const length = 6;
  const base = {
    seed,
    floor,
    reflectance,
    length,
    curvature: 0,
    dip: between(0, 2.5),
    height: between(0.15, 0.4),
    pitch: between(20, 35),
    speed: between(0.3, 0.6),
    start: [0, between(-0.5, 0.5), 0] as const,
    duration: 60,
    until: length,
    isGone: () => false,
  };
  const all = [matter(reflectance), matter(0.02), matter(0.25), matter(0.03, { transparent: 0.9, glint: 4 })];
  const plain = slab(-20, 40, 0);
  switch (floor) {
    case "plain":
      return { ...base, scene: sceneOf(all, [plain]) };
    case "black mat": {
      const scene = sceneOf(all, [slab(-20, 2.5, 0), slab(2.5, 3.7, 0, { material: 1 }), slab(3.7, 40, 0)]);
      return { ...base, scene, marks: [2.5 - FRONT, 3.7 + 0.2] };
    }
    case "thresholds": {
      // ADA 303.2 and 303.3: 6.4 mm upright, 13 mm bevelled 1:2.
      const low = slab(1.8, 1.9, 0.0064);
      const high = [
        slab(3.5, 3.526, 0, { end: 0.013 }),
        slab(3.526, 3.6, 0.013),
        slab(3.6, 3.626, 0.013, { end: 0 }),
      ];
      const ground = (x: number) =>
        x > 1.8 && x < 1.9
          ? 0.0064
          : x > 3.5 && x < 3.626
            ? 0.013 * Math.min(1, (x - 3.5) / 0.026, (3.626 - x) / 0.026)
            : 0;
      return { ...base, scene: sceneOf(all, [plain, low, ...high]), ground };
    }
    case "rug": {
      const ground = (x: number) => (x > 2 && x < 4 ? 0.015 : 0);
      return { ...base, scene: sceneOf(all, [plain, slab(2, 4, 0.015, { material: 2 })]), ground };
    }
    case "ramps": {
      // ADA 405.2 (from memory): 1 in 12, down and up again.
      const ground = (x: number) =>
        x < 1.5 ? 0 : x < 2.7 ? -(x - 1.5) / 12 : x < 3.3 ? -0.1 : x < 4.5 ? -0.1 + (x - 3.3) / 12 : 0;
      const solids = [
        slab(-20, 1.5, 0),
        slab(1.5, 2.7, 0, { end: -0.1 }),
        slab(2.7, 3.3, -0.1),
        slab(3.3, 4.5, -0.1, { end: 0 }),
        slab(4.5, 40, 0),
      ];
      return { ...base, scene: sceneOf(all, solids), ground };
    }
    case "braking": {
      // It brakes hard every 3 s: at 0.9 m/s^2 a dip of 3 degrees.
      const wish = (time: number) => (time % 3 < 2.2 ? base.speed : 0.05);
      return { ...base, scene: sceneOf(all, [plain]), wish, dip: 3.3 };
    }
    case "mirror-like":
      return { ...base, scene: sceneOf(all, [plain]), spoil: mirrored(between(0.7, 0.8)) };
    case "glass door": {
      // The course ends before the pane; nothing behind it must count as a drop.
      const pane = slab(5.2, 5.21, 2, { z0: 0, material: 3 });
      return { ...base, scene: sceneOf(all, [plain, pane]), until: 4.6, length: 4.6 };
    }
    default:
      return floor satisfies never;
  }
}

/** A mirror-like patch from 2.2 m to 3.6 m: this share of its pixels have no return, a few show the room upside down. */
const mirrored =
  (missing: number): NonNullable<Course["spoil"]> =>
  ({ counts }, where, noise) => {
    for (let i = 0; i < counts.length; i++) {
      const at = where(i);
      if (at === null || at[0] < 2.2 || at[0] > 3.6) continue;
      const chance = noise.uniform();
      if (chance < missing) counts[i] = 0;
      // A wall or a ceiling, mirrored: behind the floor by any distance.
      else if (chance < missing + 0.06) counts[i]! += 300 + 3000 * noise.uniform();
    }
  };

/** Difficult cases. */
export const TRAPS = [
  "black mat up to a stair",
  "stair with hidden treads",
  "drop in the curve",
  "drop behind, from memory",
  "edge at the frame's border",
] as const;

export interface Trap extends Course {
  readonly trap: (typeof TRAPS)[number];
}

export function trap(seed: number, name: Trap["trap"]): Trap {
  const random = new Random(seed, 5);
  const between = (low: number, high: number) => low + (high - low) * random.uniform();
  const base = {
    seed,
    trap: name,
    curvature: 0,
    dip: between(0, 2.5),
    duration: 45,
    until: 30,
    height: between(0.15, 0.4),
    pitch: between(20, 35),
    speed: between(0.3, 0.6),
  };
  const floor = [matter(between(0.2, 0.6)), matter(0.02)];
  const stair = { kind: "stair", rise: between(0.15, 0.2), going: between(0.25, 0.3) } as const;
  switch (name) {
    case "black mat up to a stair": {
      const scene = sceneOf(floor, [slab(-20, -1, 0), slab(-1, 0, 0, { material: 1 }), ...beyond(stair)]);
      return { ...base, scene, start: [-2.6, 0, between(-0.3, 0.3)], isGone: (x) => x > 0 };
    }
    case "stair with hidden treads": {
      // From 0.15 m the treads of a 178/279 mm stair hide until d = h G / R = 0.235 m.
      const scene = sceneOf(floor, [
        slab(-20, 0, 0),
        ...beyond({ kind: "stair", rise: 0.178, going: 0.279 }),
      ]);
      const height = between(0.13, 0.17);
      return { ...base, scene, height, start: [-2, 0, between(-0.5, 0.5)], isGone: (x) => x > 0 };
    }
    case "drop in the curve": {
      // Straight on there is floor without end; the drop lies to the right, where the curve leads.
      const side = between(0.5, 0.9);
      const scene = sceneOf(floor, [slab(-20, 40, 0, { y0: -side }), slab(-20, 40, -0.3, { y1: -side })]);
      const curvature = -between(0.6, 1.4);
      return { ...base, scene, curvature, start: [0, 0, 0], isGone: (_, y) => y < -side };
    }
    case "drop behind, from memory": {
      const scene = sceneOf(floor, [slab(-20, 0, 0), ...beyond({ kind: "level", drop: between(0.05, 0.4) })]);
      const from = -between(0.5, 0.6);
      let phase: "ahead" | "left" | "back" = "ahead";
      const steer: Course["steer"] = ([x, , yaw]) => {
        if (phase === "ahead" && x > from) phase = "left";
        if (phase === "left" && yaw > Math.PI - 0.02) phase = "back";
        return phase;
      };
      const speed = Math.min(base.speed, 0.35);
      return { ...base, scene, speed, steer, start: [-1.7, 0, 0], isGone: (x) => x > 0 };
    }
    case "edge at the frame's border": {
      // The edge runs along the way and comes nearer slowly, at one side of the view.
      const scene = sceneOf(floor, [slab(-20, 40, 0, { y0: -0.45 }), slab(-20, 40, -0.2, { y1: -0.45 })]);
      return { ...base, scene, start: [0, 0, -between(0.05, 0.2)], isGone: (_, y) => y < -0.45 };
    }
    default:
      return name satisfies never;
  }
}
