import { atan2Of, cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { Dice } from "./home/dice.ts";
import { drawDrops, type Edge, floorShape } from "./home/drops.ts";
import { drawFurniture } from "./home/furniture.ts";
import { type GroundCell, ReachableGround } from "./home/ground.ts";
import { drawWalk, walkerJson } from "./home/people.ts";
import { CEILING, doorShapes, drawPlan, insideOf, outerWalls, WALL } from "./home/plan.ts";
import { QuarterTurn } from "./home/quarter-turn.ts";
import { grown, type Rect } from "./home/rect.ts";
import { boxOver, MATERIALS, type ShapeJson } from "./home/shapes.ts";
import { loadScenario, type Scenario } from "./scenario.ts";

export type { Edge } from "./home/drops.ts";
export { ReachableGround } from "./home/ground.ts";
export type { Rect } from "./home/rect.ts";

/** A start for a base: on level floor, with free space around. */
export interface Start {
  readonly x: number;
  readonly y: number;
  /** Radians. */
  readonly yaw: number;
  /** Metres to the nearest floor edge or obstacle. */
  readonly clear: number;
  /** Whether it looks at an edge that it can reach straight on. */
  readonly looksAtEdge: boolean;
}

/** A generated home and its ground truth. World coordinates are those of its scenario. */
export interface Home {
  readonly seed: number;
  /** Parsed JSON of a scenario file: `loadScenario` takes it, and so does the command `simulate`. */
  readonly json: Readonly<Record<string, unknown>>;
  /** Insides of the rooms. */
  readonly rooms: readonly Rect[];
  /** Every line at which the floor ends, except between the treads of stairs. */
  readonly edges: readonly Edge[];
  /** The first is where the scenario's own drive begins. */
  readonly starts: readonly Start[];
  /** Rugs: wheels slip there. */
  readonly slippery: readonly Rect[];
}

/** Random streams of one seed. */
const STREAM = { plan: 41, drops: 42, furniture: 43, people: 44, starts: 45 } as const;
/** Least reachable floor of a home, square metres. */
const LEAST_AREA = 5;
const STARTS = 12;
/** Seconds for which people walk. */
const LONGEST = 600;
/** Distances of the scenario's own drive and of starts, metres: to obstacles, and to edges. */
const DRIVE_CLEAR = 0.36;
const EDGE_CLEAR = 0.5;
const START_CLEAR = 0.5;
const MOST_ATTEMPTS = 50;

/**
 * Lays out a home at random: rooms, doors with thresholds, furniture on thin legs, low sofas, stairs down, pits, sunken rooms,
 * lower terraces, mats up to the edge, rugs, polished patches, glass, people. The same seed gives the same home.
 * @param seed 0 to 4294967295
 * @throws {RangeError} if the seed gives no home; no such seed is known
 */
export function generateHome(seed: number): Home {
  for (let attempt = 0; attempt < MOST_ATTEMPTS; attempt++) {
    const home = tryHome(seed, attempt);
    if (home !== null) return home;
  }
  throw new RangeError(`no home with enough floor came of seed ${seed}`);
}

function tryHome(seed: number, attempt: number): Home | null {
  const dice = (stream: number): Dice => new Dice(seed, stream + 64 * attempt);
  const plan = drawPlan(dice(STREAM.plan));
  const dropDice = dice(STREAM.drops);
  const drops = drawDrops(plan, dropDice);
  const furniture = drawFurniture(plan, drops, dice(STREAM.furniture));
  const doors = plan.doors.flatMap((door) =>
    doorShapes(door, drops.levels[door.rooms[0]] === drops.levels[door.rooms[1]], dropDice),
  );
  const shapes: ShapeJson[] = [
    ...plan.rooms.map((_, room) => floorShape(plan, room, drops)),
    ...plan.shapes,
    ...outerWalls(plan.outline, drops.openings),
    ...doors,
    ...drops.shapes,
    ...furniture.shapes,
    boxOver(grown(plan.outline, WALL), {
      base: CEILING,
      top: CEILING + 0.1,
      material: "plaster",
      name: "ceiling",
    }),
  ];
  const scene = loadScenario(fileOf(seed, { ...furniture, shapes, moving: [], points: NOWHERE })).scene;
  const pick = dice(STREAM.starts);
  const floors = { rooms: plan.rooms.map(insideOf), levels: drops.levels, edges: drops.edges };
  const laid = layOut(scene, floors, pick);
  if (laid === null) return null;
  const { ground, starts, points, quarters } = laid;
  const turn = new QuarterTurn([starts[0]!.x, starts[0]!.y], quarters);
  const people = dice(STREAM.people);
  const cells = [...ground.cells()];
  const walks = [0.45, 0.15].flatMap((share) =>
    people.chance(share) ? (drawWalk(ground, cells, people) ?? []) : [],
  );
  const json = fileOf(seed, {
    kits: furniture.kits,
    shapes: shapes.map((shape) => turn.shape(shape)),
    moving: walks.map((walk) =>
      walkerJson({ ...walk, a: turn.point(walk.a), b: turn.point(walk.b) }, LONGEST),
    ),
    points: points.map((point) => turn.point(point)),
    slippery: furniture.slippery.map((rect) => turn.rect(rect)),
  });
  return {
    seed,
    json,
    rooms: plan.rooms.map((room) => turn.rect(insideOf(room))),
    edges: drops.edges.map((edge) => ({ ...edge, from: turn.point(edge.from), to: turn.point(edge.to) })),
    starts: starts.map((start) => {
      const [x, y] = turn.point([start.x, start.y]);
      return { ...start, x, y, yaw: start.yaw + turn.angle };
    }),
    slippery: furniture.slippery.map((rect) => turn.rect(rect)),
  };
}

const NOWHERE: readonly (readonly [number, number])[] = [
  [0, 0],
  [1, 0],
];

interface Floors {
  /** Insides of the rooms, and how high the floor of each lies, metres. */
  readonly rooms: readonly Rect[];
  readonly levels: readonly number[];
  readonly edges: readonly Edge[];
}

interface Laid {
  readonly ground: ReachableGround;
  readonly starts: readonly Start[];
  /** Of the scenario's drive. */
  readonly points: readonly (readonly [number, number])[];
  /** Quarter turns that make its first leg lead along x. */
  readonly quarters: number;
}

/** Finds drivable floor, places to start, and a short drive; null where there is too little floor. */
function layOut(scene: Scenario["scene"], { rooms, levels, edges }: Floors, dice: Dice): Laid | null {
  const room = rooms[dice.pick([...rooms.keys()].filter((i) => levels[i] === 0))]!;
  const from = [dice.between(room[0], room[2]), dice.between(room[1], room[3])] as const;
  if (scene.solidAt(from[0], from[1], 0.1, 0) || scene.cast(from[0], from[1], 0.06, 0, 0, -1, 0) > 0.075)
    return null;
  const ground = new ReachableGround(scene, from);
  if (ground.area < LEAST_AREA) return null;
  const clear = [...ground.cells()].filter(
    ({ z, toBlocked, toGone }) => z === 0 && Math.min(toBlocked, toGone) > START_CLEAR,
  );
  if (clear.length === 0) return null;
  const first = firstLeg(ground, clear, dice);
  if (first === null) return null;
  const { start, points, quarters } = first;
  return {
    ground,
    starts: [start, ...otherStarts(ground, clear, edges, dice)],
    points: wander(ground, points, dice),
    quarters,
  };
}

function firstLeg(
  ground: ReachableGround,
  clear: readonly GroundCell[],
  dice: Dice,
): { start: Start; points: (readonly [number, number])[]; quarters: number } | null {
  for (let attempt = 0; attempt < 60; attempt++) {
    const cell = dice.pick(clear);
    const quarters = dice.whole(4);
    const yaw = (-quarters * Math.PI) / 2;
    const far = dice.between(0.8, 2);
    const to = [cell.x + Math.round(cosOf(yaw)) * far, cell.y + Math.round(sinOf(yaw)) * far] as const;
    if (!ground.isClear([cell.x, cell.y], to, DRIVE_CLEAR, EDGE_CLEAR)) continue;
    const start = {
      x: cell.x,
      y: cell.y,
      yaw,
      clear: Math.min(cell.toBlocked, cell.toGone),
      looksAtEdge: false,
    };
    return { start, points: [[cell.x, cell.y], to], quarters };
  }
  return null;
}

/** Extends the drive from the last point over clear floor, in straight legs. */
function wander(
  ground: ReachableGround,
  points: readonly (readonly [number, number])[],
  dice: Dice,
): (readonly [number, number])[] {
  const out = [...points];
  const goals = [...ground.cells()].filter(
    (cell) => cell.toBlocked > DRIVE_CLEAR && cell.toGone > EDGE_CLEAR,
  );
  for (let attempt = 0; attempt < 200 && out.length < 9; attempt++) {
    const goal = dice.pick(goals);
    const [x, y] = out.at(-1)!;
    if (hypot2(goal.x - x, goal.y - y) < 0.8) continue;
    if (ground.isClear([x, y], [goal.x, goal.y], DRIVE_CLEAR, EDGE_CLEAR)) out.push([goal.x, goal.y]);
  }
  return out;
}

/** Half of them look at an edge from some way off, where there is one that can be driven at. */
function otherStarts(
  ground: ReachableGround,
  clear: readonly GroundCell[],
  edges: readonly Edge[],
  dice: Dice,
): Start[] {
  const open = edges.filter(({ isGuarded }) => !isGuarded);
  const starts: Start[] = [];
  for (let attempt = 0; attempt < 400 && starts.length < STARTS - 1; attempt++) {
    const cell = dice.pick(clear);
    const room = Math.min(cell.toBlocked, cell.toGone);
    const anywhere = {
      x: cell.x,
      y: cell.y,
      yaw: dice.between(-Math.PI, Math.PI),
      clear: room,
      looksAtEdge: false,
    };
    const isWanted = open.length > 0 && starts.length % 2 === 0 && attempt < 300;
    if (!isWanted) {
      starts.push(anywhere);
      continue;
    }
    const { from, to } = dice.pick(open);
    const share = dice.between(0.1, 0.9);
    const target = [from[0] + share * (to[0] - from[0]), from[1] + share * (to[1] - from[1])] as const;
    const [dx, dy] = [target[0] - cell.x, target[1] - cell.y];
    const far = hypot2(dx, dy);
    if (far < 0.8 || far > 4) continue;
    const before = [target[0] - (0.15 * dx) / far, target[1] - (0.15 * dy) / far] as const;
    if (!ground.isClear([cell.x, cell.y], before, 0.2, 0)) continue;
    starts.push({ ...anywhere, yaw: atan2Of(dy, dx) + dice.between(-0.25, 0.25), looksAtEdge: true });
  }
  return starts;
}

interface FileParts {
  readonly kits: Readonly<Record<string, readonly ShapeJson[]>>;
  readonly shapes: readonly ShapeJson[];
  readonly moving: readonly ShapeJson[];
  readonly points: readonly (readonly [number, number])[];
  readonly slippery: readonly Rect[];
}

/** The scenario file: a small base with one depth camera and a cheap inertial sensor on its round. */
function fileOf(
  seed: number,
  { kits, shapes, moving, points, slippery }: FileParts,
): Record<string, unknown> {
  return {
    name: `home ${seed}`,
    seed,
    materials: MATERIALS,
    kits,
    scene: shapes,
    moving,
    base: { dip: { gain: 2.5 }, bumper: 0.22 },
    head: { position: [0.15, 0, 0.4], pitch: 0 },
    imu: { position: [0, 0, -0.03] },
    sensors: [
      {
        name: "front",
        rate: 10,
        optics: { width: 160, height: 120, fieldOfView: [83, 67], minRange: 0.05, maxRange: 6 },
        mount: { pitch: 22 },
        noise: {
          gate: 150,
          seen: { reflectance: 0.8, range: 4.5 },
          frequency: 60e6,
          dark: 200,
          amplitudeUnit: 8,
        },
      },
    ],
    inertial: {
      gyroNoise: 0.01,
      gyroBias: [0.4, -0.3, 0.5],
      gyroWalk: 0.003,
      accelNoise: 0.002,
      accelBias: [0.1, -0.05, 0.08],
    },
    orientation: null,
    odometry: {
      scale: 0.012,
      turnScale: -0.015,
      noise: 0.003,
      slips: slippery.map((rect) => ({ rect, share: 0.05 })),
    },
    drive: { followFloor: points !== NOWHERE, points: points.map((at) => ({ at, corner: 0 })) },
  };
}
