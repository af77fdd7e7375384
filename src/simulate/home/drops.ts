import { hypot2 } from "../../geometry/elementary.ts";
import type { Dice } from "./dice.ts";
import { insideOf, outerSides, type Plan, WALL, zonesOf } from "./plan.ts";
import {
  areaOf,
  endsOf,
  grown,
  heightOf,
  isWithin,
  OPPOSITE,
  overlaps,
  type Rect,
  SIDES,
  type Side,
  stripAlong,
  widthOf,
} from "./rect.ts";
import { boxOver, type ShapeJson } from "./shapes.ts";

/** A line at which the floor ends. */
export interface Edge {
  readonly from: readonly [number, number];
  readonly to: readonly [number, number];
  /** Smallest height of the drop along the line, metres. */
  readonly drop: number;
  readonly what: "stairs" | "pit" | "sunken room" | "lower part" | "shaft" | "terrace";
  /** Whether posts or a low wall stand along it. */
  readonly isGuarded: boolean;
}

/** Additions of all drops of a home to its plan. */
export interface Drops {
  readonly edges: Edge[];
  readonly shapes: ShapeJson[];
  /** Per room: cut out of its floor, and how high the floor lies. */
  readonly holes: readonly Rect[][];
  readonly levels: number[];
  /** Passages and panes in the outer walls. */
  readonly openings: { readonly side: Side; readonly rect: Rect }[];
  /** Where no furniture may stand. */
  readonly keepFree: Rect[];
}

/** Steps of homes. Source: IBC 2015 1011.5.2 and its exceptions, Approved Document K table 1.1, DIN 18065. */
const RISE = [0.15, 0.2] as const;
const GOING = [0.22, 0.3] as const;
const SHALLOWEST = 0.04;

/** Walls and bottom of a hole; without them the view would leave the home below the floor. */
function shaftShapes(hole: Rect, depth: number, material: string): ShapeJson[] {
  const walls = SIDES.map((side) => {
    const around = side === "west" || side === "east" ? hole : grown(hole, 0.05);
    const strip = stripAlong(side === "west" || side === "east" ? around : hole, side, -0.05);
    return boxOver(strip, { base: -depth - 0.1, top: -0.1, material: "plaster", name: "shaft" });
  });
  const floor = { base: -depth - 0.1, top: -depth, material, name: "lower floor" };
  return [...walls, boxOver(grown(hole, 0.05), floor)];
}

interface Stairs {
  /** Height and depth of a step, metres. */
  readonly rise: number;
  readonly going: number;
  readonly material: string;
}

/** Treads that lead down across a hole, from one of its sides to the opposite one. */
function treadShapes(hole: Rect, top: Side, { rise, going, material }: Stairs): ShapeJson[] {
  const alongX = top === "west" || top === "east";
  const length = alongX ? widthOf(hole) : heightOf(hole);
  const count = Math.floor(length / going);
  const bottom = -(count + 1) * rise;
  return Array.from({ length: count }, (_, k) => {
    const behind = stripAlong(hole, top, (k + 1) * going);
    const before = k === 0 ? null : stripAlong(hole, top, k * going);
    const tread = before === null ? behind : beyond(behind, before, top);
    return boxOver(tread, { base: bottom - 0.1, top: -(k + 1) * rise, material, name: "tread" });
  });
}

/** The part of `whole` that lies past `part`, both strips along the same side. */
function beyond(whole: Rect, part: Rect, side: Side): Rect {
  const [x0, y0, x1, y1] = whole;
  switch (side) {
    case "west":
      return [part[2], y0, x1, y1];
    case "east":
      return [x0, y0, part[0], y1];
    case "south":
      return [x0, part[3], x1, y1];
    default:
      return [x0, y0, x1, part[1]];
  }
}

const POST_EVERY = 0.14;

/** A balustrade, or a low wall, along one side of a hole, on the floor beside it. */
function guardShapes(hole: Rect, side: Side, dice: Dice): ShapeJson[] {
  const line = stripAlong(hole, side, -0.06);
  if (dice.chance(0.4)) return [boxOver(line, { base: 0, top: 0.9, material: "plaster", name: "low wall" })];
  const [[x0, y0], [x1, y1]] = endsOf(line, OPPOSITE[side]);
  const length = hypot2(x1 - x0, y1 - y0);
  const count = Math.max(2, Math.floor(length / POST_EVERY));
  const step: [number, number] = [(x1 - x0) / (count - 1), (y1 - y0) / (count - 1)];
  const out = stripAlong(hole, side, -0.03);
  const [[px, py]] = endsOf(out, side);
  const posts: ShapeJson = {
    shape: "cylinder",
    name: "baluster",
    material: "beech",
    at: [px, py],
    radius: 0.012,
    height: 0.9,
    // Steps of a grid: along the line only.
    copies: step[0] !== 0 ? { count: [count, 1], step } : { count: [1, count], step },
  };
  return [posts, boxOver(line, { base: 0.86, top: 0.92, material: "beech", name: "rail" })];
}

/** Sides of a hole that do not lie at a wall of its room. */
const openSides = (hole: Rect, inside: Rect): Side[] =>
  SIDES.filter((side) => overlaps(stripAlong(hole, side, -0.02), inside));

/** A hole with stairs in a corner of the room: they lead down along one wall, towards another. */
function cornerStairs(plan: Plan, room: number, drops: Drops, dice: Dice): boolean {
  const inside = insideOf(plan.rooms[room]!);
  for (const bottom of dice.shuffled(SIDES)) {
    const alongX = bottom === "west" || bottom === "east";
    const [long, wide] = alongX ? [widthOf(inside), heightOf(inside)] : [heightOf(inside), widthOf(inside)];
    const length = Math.min(dice.between(1.7, 2.6), long - 1.3);
    const width = dice.between(0.8, 1.1);
    if (length < 1.2 || wide < width + 1.1) continue;
    const beside = dice.pick(alongX ? (["south", "north"] as const) : (["west", "east"] as const));
    const hole = stripAlong(stripAlong(inside, bottom, length), beside, width);
    if (!isFree(hole, 0.25, plan, drops)) continue;
    const rise = dice.between(...RISE);
    const going = dice.between(...GOING);
    const material = dice.pick(["oak", "concrete", "beech", "slate"]);
    const depth = (Math.floor(length / going) + 1) * rise;
    drops.holes[room]!.push(hole);
    drops.shapes.push(...shaftShapes(hole, depth, material));
    drops.shapes.push(...treadShapes(hole, OPPOSITE[bottom], { rise, going, material }));
    const sides = openSides(hole, inside);
    for (const side of sides) {
      const isGuarded = side !== OPPOSITE[bottom] && dice.chance(0.5);
      if (isGuarded) drops.shapes.push(...guardShapes(hole, side, dice));
      const [from, to] = endsOf(hole, side);
      drops.edges.push({ from, to, drop: rise, what: "stairs", isGuarded });
    }
    drops.keepFree.push(grown(hole, 0.35));
    return true;
  }
  return false;
}

/** A part of the room, from wall to wall, that lies lower: as a step, as stairs, or as a shaft. */
function lowerPart(plan: Plan, room: number, drops: Drops, dice: Dice): boolean {
  const inside = insideOf(plan.rooms[room]!);
  for (const side of dice.shuffled(SIDES)) {
    const alongX = side === "west" || side === "east";
    const long = alongX ? widthOf(inside) : heightOf(inside);
    const depth = dice.between(0.3, 0.55) * long;
    const part = stripAlong(inside, side, depth);
    if (long - depth < 1.3 || !isFree(part, 0.2, plan, drops)) continue;
    const kind = dice.pick(["lower part", "lower part", "stairs", "shaft"] as const);
    const [from, to] = endsOf(part, OPPOSITE[side]);
    const material = plan.rooms[room]!.floor;
    const rise = dice.between(...RISE);
    let drop = rise;
    drops.holes[room]!.push(part);
    if (kind === "stairs") {
      const going = dice.between(...GOING);
      const deep = (Math.floor(depth / going) + 1) * rise;
      drops.shapes.push(...shaftShapes(part, deep, material));
      drops.shapes.push(...treadShapes(part, OPPOSITE[side], { rise, going, material }));
    } else {
      drop = kind === "shaft" ? dice.between(0.9, 2.6) : dice.between(SHALLOWEST, 0.3);
      drops.shapes.push(...shaftShapes(part, drop, material));
    }
    drops.edges.push({ from, to, drop, what: kind, isGuarded: false });
    drops.keepFree.push(grown(part, 0.3));
    return true;
  }
  return false;
}

/** A pit within the room, with floor around it. */
function pit(plan: Plan, room: number, drops: Drops, dice: Dice): boolean {
  const inside = insideOf(plan.rooms[room]!);
  const most = [widthOf(inside) - 1.7, heightOf(inside) - 1.7] as const;
  if (Math.min(...most) < 0.9) return false;
  const size = [
    dice.between(0.9, Math.min(2.6, most[0])),
    dice.between(0.9, Math.min(2.2, most[1])),
  ] as const;
  for (let attempt = 0; attempt < 10; attempt++) {
    const x = dice.between(inside[0] + 0.8, inside[2] - 0.8 - size[0]);
    const y = dice.between(inside[1] + 0.8, inside[3] - 0.8 - size[1]);
    const hole: Rect = [x, y, x + size[0], y + size[1]];
    if (!isFree(hole, 0.3, plan, drops)) continue;
    const depth = dice.between(0.12, 0.5);
    const material = dice.pick([plan.rooms[room]!.floor, "rug", "concrete"]);
    drops.holes[room]!.push(hole);
    drops.shapes.push(...shaftShapes(hole, depth, material));
    const stepped = dice.chance(0.4) ? dice.pick(SIDES) : null;
    if (stepped !== null) {
      const step = { base: -depth, top: -depth / 2, material: "beech", name: "step" };
      drops.shapes.push(boxOver(stripAlong(hole, stepped, 0.3), step));
    }
    for (const side of SIDES) {
      const [from, to] = endsOf(hole, side);
      // The step lies along one side, and meets the two beside it.
      const drop = stepped === null || side === OPPOSITE[stepped] ? depth : depth / 2;
      drops.edges.push({ from, to, drop, what: "pit", isGuarded: false });
    }
    drops.keepFree.push(grown(hole, 0.1));
    return true;
  }
  return false;
}

/** A whole room that lies lower: its doors are edges. */
function sunkenRoom(plan: Plan, room: number, drops: Drops, dice: Dice): boolean {
  const doors = plan.doors.filter(({ rooms }) => rooms.includes(room));
  const isUsed = drops.holes[room]!.length > 0 || drops.levels[room] !== 0;
  const others = doors.map(({ rooms }) => (rooms[0] === room ? rooms[1] : rooms[0]));
  if (isUsed || doors.length === 0 || others.some((other) => drops.levels[other] !== 0)) return false;
  const depth = dice.between(SHALLOWEST, 0.45);
  drops.levels[room] = -depth;
  const [rx0, ry0, rx1, ry1] = plan.rooms[room]!.rect;
  for (const { rect, through } of doors) {
    const [x0, y0, x1, y1] = rect;
    const x = Math.abs((x0 + x1) / 2 - rx0) < 0.01 ? rx0 : rx1;
    const y = Math.abs((y0 + y1) / 2 - ry0) < 0.01 ? ry0 : ry1;
    const from: [number, number] = through === "x" ? [x, y0] : [x0, y];
    const to: [number, number] = through === "x" ? [x, y1] : [x1, y];
    drops.edges.push({ from, to, drop: depth, what: "sunken room", isGuarded: false });
  }
  return true;
}

const TERRACE_DEPTH = 3;

interface TerraceOptions {
  readonly plan: Plan;
  readonly room: number;
  readonly drops: Drops;
  readonly dice: Dice;
  /** Whether a pane closes the passage. */
  readonly isGlazed: boolean;
}

/** A passage in the outer wall onto lower ground; or a pane in front of that ground. */
function terrace({ plan, room, drops, dice, isGlazed }: TerraceOptions): boolean {
  if (drops.levels[room] !== 0) return false;
  for (const side of dice.shuffled(outerSides(plan.rooms[room]!, plan.outline))) {
    const inside = insideOf(plan.rooms[room]!);
    const wall = stripAlong(plan.rooms[room]!.rect, side, -WALL);
    const alongY = side === "west" || side === "east";
    const [low, high] = alongY ? [inside[1], inside[3]] : [inside[0], inside[2]];
    const width = dice.between(0.9, Math.min(2.2, high - low - 0.6));
    const from = dice.between(low + 0.3, high - 0.3 - width);
    const rect: Rect = alongY
      ? [wall[0], from, wall[2], from + width]
      : [from, wall[1], from + width, wall[3]];
    const zone = stripAlong(rect, OPPOSITE[side], -1.2);
    const isTaken = drops.holes[room]!.some((hole) => overlaps(hole, zone));
    if (isTaken || drops.openings.some((other) => other.side === side)) continue;
    const drop = dice.between(0.1, 0.6);
    drops.openings.push({ side, rect });
    const ground = stripAlong(rect, side, -TERRACE_DEPTH);
    const wide: Rect = alongY
      ? [ground[0], ground[1] - 1.5, ground[2], ground[3] + 1.5]
      : [ground[0] - 1.5, ground[1], ground[2] + 1.5, ground[3]];
    drops.shapes.push(boxOver(wide, { base: -drop - 0.2, top: -drop, material: "ground", name: "terrace" }));
    drops.keepFree.push(zone);
    if (isGlazed) {
      const pane = stripAlong(stripAlong(rect, side, WALL / 2), OPPOSITE[side], 0.01);
      drops.shapes.push(boxOver(pane, { base: 0, top: 2.03, material: "glass", name: "pane" }));
      return true;
    }
    const [a, b] = endsOf(rect, side);
    drops.edges.push({ from: a, to: b, drop, what: "terrace", isGuarded: false });
    return true;
  }
  return false;
}

/** Whether a hole may be cut there: clear of doors, of passages to the outside, and of other holes. */
function isFree(hole: Rect, margin: number, plan: Plan, drops: Drops): boolean {
  const around = grown(hole, margin);
  return (
    !plan.doors.some((door) => zonesOf(door).some((zone) => overlaps(zone, around))) &&
    !drops.keepFree.some((other) => overlaps(other, around))
  );
}

/** Black mats and rugs that lie right up to an edge. */
function matsAt(plan: Plan, drops: Drops, dice: Dice): void {
  for (const edge of [...drops.edges]) {
    if (edge.isGuarded || edge.what === "terrace" || !dice.chance(0.3)) continue;
    const depth = dice.between(0.5, 1.2);
    const [low, high] = [
      [Math.min(edge.from[0], edge.to[0]), Math.min(edge.from[1], edge.to[1])] as const,
      [Math.max(edge.from[0], edge.to[0]), Math.max(edge.from[1], edge.to[1])] as const,
    ];
    const both: Rect[] =
      low[0] === high[0]
        ? [
            [low[0] - depth, low[1], low[0], high[1]],
            [low[0], low[1], low[0] + depth, high[1]],
          ]
        : [
            [low[0], low[1] - depth, high[0], low[1]],
            [low[0], low[1], high[0], low[1] + depth],
          ];
    const mat = both.find((rect) => isOnFloor(rect, plan, drops));
    if (mat === undefined) continue;
    const material = dice.pick(["rubber", "rubber", "rug"]);
    const top = dice.between(0.002, 0.008);
    drops.shapes.push(boxOver(mat, { base: 0, top, material, name: "mat at the edge" }));
  }
}

/** Whether a rectangle lies wholly on the floor of one room at level 0, beside all holes. */
export function isOnFloor(rect: Rect, plan: Plan, drops: Drops): boolean {
  const room = plan.rooms.findIndex((one) => isWithin(rect, grown(insideOf(one), 0.06)));
  return room >= 0 && drops.levels[room] === 0 && !drops.holes[room]!.some((hole) => overlaps(hole, rect));
}

type Maker = (plan: Plan, room: number, drops: Drops, dice: Dice) => boolean;
const MAKERS: readonly Maker[] = [
  cornerStairs,
  lowerPart,
  lowerPart,
  lowerPart,
  pit,
  sunkenRoom,
  (plan, room, drops, dice) => terrace({ plan, room, drops, dice, isGlazed: false }),
];

/** Places where floors of the home end: one or two in most homes, none in some. */
export function drawDrops(plan: Plan, dice: Dice): Drops {
  const drops: Drops = {
    edges: [],
    shapes: [],
    holes: plan.rooms.map(() => []),
    levels: plan.rooms.map(() => 0),
    openings: [],
    keepFree: [],
  };
  const wanted = dice.chance(0.06) ? 0 : 1 + dice.whole(3);
  let made = 0;
  for (let attempt = 0; attempt < 40 && made < wanted; attempt++) {
    // Large rooms first: they are where a base drives.
    const liking = plan.rooms.map(({ rect }) => areaOf(rect) + dice.between(0, 12));
    const room = liking.indexOf(Math.max(...liking));
    if (dice.pick(MAKERS)(plan, room, drops, dice)) made++;
  }
  if (dice.chance(0.4)) terrace({ plan, room: dice.whole(plan.rooms.length), drops, dice, isGlazed: true });
  matsAt(plan, drops, dice);
  return drops;
}

/** The parts of a room's floor, as one shape. */
export function floorShape(plan: Plan, room: number, drops: Drops): ShapeJson {
  const { rect, floor } = plan.rooms[room]!;
  const outer = new Set(outerSides(plan.rooms[room]!, plan.outline));
  const [x0, y0, x1, y1] = rect;
  const under: Rect = [
    outer.has("west") ? x0 - WALL : x0,
    outer.has("south") ? y0 - WALL : y0,
    outer.has("east") ? x1 + WALL : x1,
    outer.has("north") ? y1 + WALL : y1,
  ];
  return {
    shape: "floor",
    name: "floor",
    material: floor,
    rect: under,
    top: drops.levels[room],
    thickness: 0.6,
    holes: drops.holes[room]!,
  };
}
