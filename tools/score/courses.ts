import { Random } from "../simulate/random.ts";
import type { Course } from "./drive.ts";
import { type Beyond, beyond, matter, sceneOf, slab } from "./ground.ts";

const RADIANS = Math.PI / 180;
/** Drops that must never be missed, metres, and the two kinds without a level below. */
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
  const way = FRONT + between(1.3, 2);
  return {
    ...{ scene, seed, drop, reflectance, bearing },
    ...{ height: between(0.15, 0.6), pitch: between(5, 35), speed: between(0.1, 0.6), curvature: 0 },
    start: [-way * Math.cos(bearing), -way * Math.sin(bearing), bearing],
    ...{ duration: 45, until: 1, dip: between(0, 2.5) },
    isGone: (x) => x > 0,
  };
}
