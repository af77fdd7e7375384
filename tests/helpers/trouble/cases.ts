import { Random } from "../../../src/simulate/random.ts";
import { Course, type Floor, type Leg } from "./course.ts";

/** What is wrong with the sensors of a case, and what is around. */
export interface TroubleCase {
  readonly name: string;
  readonly seed: number;
  /** Shapes and movers as in a scenario file (docs/simulator.md); the floor is among them. */
  readonly shapes: readonly object[];
  readonly moving?: readonly object[];
  readonly course: Course;
  /** Frames a second. */
  readonly rate?: number;
  /** Metres by which upright surfaces are measured too far: light that took two ways in corners. */
  readonly bias?: number;
  /** Degrees: roll, pitch and yaw by which the lens is mounted otherwise than declared. */
  readonly mounted?: readonly [number, number, number];
  /** Seconds that orientation's stamps are late, unknown to the head. */
  readonly late?: number;
  /** Spans of time without frames, and with the lens covered; seconds. */
  readonly gaps?: readonly (readonly [number, number])[];
  readonly covered?: readonly (readonly [number, number])[];
  /** Errors of the wheels. */
  readonly wheels?: {
    readonly scale?: number;
    readonly turnScale?: number;
    readonly slips?: readonly {
      readonly rect: readonly [number, number, number, number];
      readonly share: number;
    }[];
  };
  /** Seconds and degrees: a jump of the orientation's yaw. */
  readonly yawJump?: readonly [number, number];
}

const WALL = "wall";
const box = (at: [number, number], size: [number, number, number], material = WALL, base = 0) => ({
  shape: "box",
  material,
  at,
  size,
  base,
});
const floor = (x0: number, y0: number, x1: number, y1: number, material = "boards") => ({
  shape: "floor",
  material,
  rect: [x0, y0, x1, y1],
});

/** Four walls with the inner corners given. */
const walls = (x0: number, y0: number, x1: number, y1: number) => [
  box([(x0 + x1) / 2, y0 - 0.05], [x1 - x0 + 0.2, 0.1, 2.5]),
  box([(x0 + x1) / 2, y1 + 0.05], [x1 - x0 + 0.2, 0.1, 2.5]),
  box([x0 - 0.05, (y0 + y1) / 2], [0.1, y1 - y0, 2.5]),
  box([x1 + 0.05, (y0 + y1) / 2], [0.1, y1 - y0, 2.5]),
];

const between = (random: Random, least: number, most: number) => least + (most - least) * random.uniform();

/** A room of about 6 x 5 m around the start, furnished along its walls, with a table and a cupboard out in the room. */
function room(random: Random): object[] {
  const [x0, y0] = [-1.2 - 0.4 * random.uniform(), -2.2 - 0.4 * random.uniform()];
  const [x1, y1] = [4.4 + 0.6 * random.uniform(), 2.2 + 0.6 * random.uniform()];
  const things = [floor(x0 - 1, y0 - 1, x1 + 1, y1 + 1), ...walls(x0, y0, x1, y1)];
  for (let n = 0; n < 9; n++) {
    const size: [number, number, number] = [
      between(random, 0.3, 1.1),
      between(random, 0.25, 0.6),
      between(random, 0.4, 1.9),
    ];
    const along = between(random, 0.1, 0.9);
    const side = n % 4;
    if (side === 0) things.push(box([x0 + along * (x1 - x0), y0 + size[1] / 2], size, "wood"));
    else if (side === 1) things.push(box([x0 + along * (x1 - x0), y1 - size[1] / 2], size, "wood"));
    else if (side === 2) {
      things.push(box([x1 - size[1] / 2, y0 + along * (y1 - y0)], [size[1], size[0], size[2]], "wood"));
    } else things.push(box([x0 + size[1] / 2, y0 + along * (y1 - y0)], [size[1], size[0], size[2]], "wood"));
  }
  things.push(box([x1 - 1.1, y0 + 1 + random.uniform() * 0.3], [0.5, 0.4, 0.75], "wood"));
  return things;
}

const person = (way: readonly object[]) => ({
  name: "a person",
  parts: [
    ...[0.09, -0.09].map((side, n) => ({
      shape: "capsule",
      material: "cloth",
      at: [0, side],
      height: 0.85,
      radius: 0.07,
      swing: { reach: 0.22, period: 1.1, phase: 180 * n },
    })),
    { ...box([0, 0], [0.24, 0.42, 0.6], "cloth", 0.8) },
  ],
  way,
});

/** Looks round, so that the room is known. */
const LOOK: readonly Leg[] = [{ stand: 1 }, { spin: 360 }];
/** A round in the room. */
const ROUND: readonly Leg[] = [
  ...LOOK,
  { go: 2, turn: 20 },
  { go: 1.2, turn: 110 },
  { go: 1.5, turn: 60 },
  { go: 1.5, turn: 150 },
  { go: 1, turn: 20 },
  { stand: 1 },
];

type Maker = (seed: number, random: Random) => Omit<TroubleCase, "name" | "seed">;

function carry(_seed: number, random: Random): Omit<TroubleCase, "name" | "seed"> {
  const way = between(random, 0.5, 2.6);
  const aside = between(random, -0.8, 0.8);
  const seconds = between(random, 2, 5);
  const dark = between(random, 0.3, 1.5);
  const turn = between(random, -150, 150);
  const legs: Leg[] = [...LOOK, { go: 0.4 }, { stand: dark }];
  legs.push({ carry: [way, aside], turn, seconds }, { stand: 0.8 }, { spin: turn > 0 ? -60 : 60 });
  legs.push({ stand: 6 });
  const course = new Course(legs);
  return { shapes: room(random), course, covered: [[course.timeOf(3), course.timeOf(5) + 0.4]] };
}

const RAMP_FLOOR: Floor = (x) => {
  // 1:12 from x = 2.2 to 4.6, rounded over 0.3 m at both ends as wheels round it.
  const rise = (t: number) => (t <= 0 ? 0 : t >= 0.3 ? t - 0.15 : (t * t) / 0.6);
  const at = (t: number) => (t <= 0 ? 0 : t >= 0.3 ? 1 : t / 0.3);
  return {
    height: (rise(x - 2.05) - rise(x - 4.45)) / 12,
    slope: (at(x - 2.05) - at(x - 4.45)) / 12,
  };
};

/** Makers of the cases, by name. */
export const TROUBLES: Readonly<Record<string, Maker>> = {
  plain: (_, random) => ({ shapes: room(random), course: new Course(ROUND) }),
  carry,
  glass: (_, random) => {
    const pane = between(random, 1.6, 2.2);
    const shapes = [...room(random), box([pane, 0], [0.01, 3, 2.2], "glass")];
    const legs: Leg[] = [...LOOK, { go: pane - 0.55, speed: 0.3 }, { stand: 1 }, { spin: 100 }, { go: 1 }];
    legs.push({ spin: 80 }, { stand: 1 });
    return { shapes, course: new Course(legs) };
  },
  corridor: (_, random) => {
    const width = between(random, 1.4, 2);
    const shapes = [floor(-3, -3, 15, 3), ...walls(-1.5, -width / 2, 12.5, width / 2)];
    shapes.push(box([-1.2, -width / 2 + 0.2], [0.5, 0.4, 1], "wood"));
    shapes.push(box([12.3, width / 2 - 0.3], [0.4, 0.5, 1.4], "wood"));
    return { shapes, course: new Course([...LOOK, { go: 10 }, { stand: 1 }]), bias: 0.025 };
  },
  hall: (_, random) => {
    const shapes = [floor(-20, -20, 20, 20), box([between(random, 1, 2), 1.5], [0.6, 0.8, 1.2], "wood")];
    shapes.push(box([1.5, -1.8], [1.2, 0.4, 0.9], "wood"));
    const legs: Leg[] = [
      { stand: 1 },
      { go: 5, turn: 30 },
      { go: 3, turn: 120 },
      { go: 4, turn: 30 },
      { stand: 1 },
    ];
    return { shapes, course: new Course(legs) };
  },
  ramp: (_, random) => {
    const shapes: object[] = [floor(-2, -1.6, 2.2, 1.6)];
    shapes.push({
      shape: "ramp",
      material: "boards",
      at: [3.4, 0],
      size: [2.4, 3.2],
      heights: [0, 0.2],
      base: -0.3,
    });
    shapes.push({ ...floor(4.6, -1.6, 9, 1.6), top: 0.2 }, ...walls(-1.6, -1.5, 8.4, 1.5));
    shapes.push(box([-1.2, between(random, -1, 1)], [0.4, 0.6, 1], "wood"));
    shapes.push(box([7.6, between(random, -1, 0.4)], [0.4, 0.7, 1.2], "wood"));
    const course = new Course(
      [...LOOK, { go: 6.2 }, { stand: 1 }, { spin: 180 }, { go: 2 }],
      [0, 0, 0],
      RAMP_FLOOR,
    );
    return { shapes, course };
  },
  person: (_, random) => {
    const shapes = room(random);
    const course = new Course([...LOOK, { go: 1 }, { stand: 6 }, { go: 1, turn: 40 }, { stand: 2 }]);
    const t = course.timeOf(2);
    const [near, far] = [between(random, 1.9, 2.4), between(random, 1.8, 2.6)];
    const way = [
      { time: t - 1, at: [near, -1.8] },
      { time: t + 3.5, at: [near, 0.1] },
      { time: t + 5, at: [near, 0.3] },
      { time: t + 8, at: [far, 1.6] },
      { time: t + 11, at: [far - 0.4, -0.5] },
      { time: t + 16, at: [far, -1.8] },
    ];
    return { shapes, course, moving: [person(way)] };
  },
  gaps: (_, random) => {
    const course = new Course(ROUND);
    const gaps: [number, number][] = [];
    for (let t = 4; t < course.duration - 3; t += between(random, 2.5, 4))
      gaps.push([t, t + between(random, 0.2, 1)]);
    return { shapes: room(random), course, gaps };
  },
  slip: (_, random) => ({
    shapes: room(random),
    course: new Course(ROUND),
    wheels: { slips: [{ rect: [0.8, -2, 2.4, 2], share: between(random, 0.1, 0.8) }] },
  }),
  scale: (_, random) => ({
    shapes: room(random),
    course: new Course(ROUND),
    wheels: { scale: between(random, 0.02, 0.05) * (random.uniform() < 0.5 ? -1 : 1), turnScale: 0.04 },
  }),
  corners: (_, random) => {
    const bias = between(random, 0.01, 0.04);
    const legs: Leg[] = [...ROUND, { spin: 130 }, { stand: 8 }];
    return { shapes: room(random), course: new Course(legs), bias };
  },
  mount: (_, random) => {
    const sign = () => (random.uniform() < 0.5 ? -1 : 1);
    return { shapes: room(random), course: new Course(ROUND), mounted: [0.5 * sign(), sign(), 0.7 * sign()] };
  },
  late12: (_, random) => ({ shapes: room(random), course: new Course([...ROUND, ...ROUND]), late: 0.012 }),
  late40: (_, random) => ({ shapes: room(random), course: new Course([...ROUND, ...ROUND]), late: 0.04 }),
  "5 fps": (_, random) => ({ shapes: room(random), course: new Course(ROUND), rate: 5 }),
  "30 fps": (_, random) => ({ shapes: room(random), course: new Course(ROUND), rate: 30 }),
  standing: (_, random) => {
    const shapes = room(random);
    const way = [
      { time: 3, at: [1.6, -1.8] },
      { time: 8, at: [0.9, 0.2] },
      { time: 12, at: [1.1, 0.3] },
      { time: 18, at: [1.6, 1.8] },
      { time: 25, at: [1.3, -1.5] },
    ];
    return { shapes, course: new Course([{ stand: 30 }]), moving: [person(way)], bias: 0.02 };
  },
  "yaw jump": (_, random) => ({
    shapes: room(random),
    course: new Course(ROUND),
    yawJump: [between(random, 8, 18), between(random, 5, 40)],
  }),
  floors: (_, random) => {
    // A strip like a mirror, and a mat that returns nothing from afar.
    const shapes = room(random);
    shapes.push(box([1.6, 0.3], [0.9, 2.4, 0.002], "sealed"), box([3, -0.8], [1.2, 1.2, 0.002], "rubber"));
    return { shapes, course: new Course(ROUND) };
  },
};

export function troubleCase(name: string, seed: number): TroubleCase {
  let stream = 7;
  for (const letter of name) stream = (stream * 31 + letter.charCodeAt(0)) % 65_521;
  return { name, seed, ...TROUBLES[name]!(seed, new Random(seed, stream)) };
}
