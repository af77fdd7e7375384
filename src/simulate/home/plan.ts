import { cosOf, sinOf } from "../../geometry/elementary.ts";
import type { Dice } from "./dice.ts";
import { areaOf, common, grown, heightOf, type Rect, SIDES, type Side, stripAlong, widthOf } from "./rect.ts";
import { boxOver, FLOOR_MATERIALS, type ShapeJson } from "./shapes.ts";

/** Metres. Rooms tile the home; walls between them stand on their common border, outer ones beside it. */
export const WALL = 0.1;
export const CEILING = 2.5;
const DOOR_HEIGHT = 2.03;
/** Walls reach below every sunken floor, so that none hangs in the air. */
const WALL_BASE = -0.7;
const SMALLEST_SIDE = 2.3;
/** Clear floor on both sides of a door. */
const DOOR_CLEAR = 0.9;
/** Source: ADA 303.2 and 303.3: 6.4 mm upright, 13 mm with a slope of 1:2. */
const UPRIGHT_THRESHOLD = 0.0064;
const BEVELLED_THRESHOLD = 0.013;

export interface Room {
  /** Up to the middle of the inner walls, and to the inner face of the outer ones. */
  readonly rect: Rect;
  readonly floor: string;
}

export interface Door {
  /** The passage: as long as the door is wide, and as wide as the wall is thick. */
  readonly rect: Rect;
  /** The direction in which one walks through. */
  readonly through: "x" | "y";
  readonly rooms: readonly [number, number];
}

export interface Plan {
  readonly outline: Rect;
  readonly rooms: readonly Room[];
  readonly doors: readonly Door[];
  /** Inner walls and lintels. */
  readonly shapes: readonly ShapeJson[];
}

/** The floor of a room between its walls. */
export const insideOf = ({ rect }: Room): Rect => grown(rect, -WALL / 2);

/** Floor that must stay free in front of a door. */
export function zonesOf({ rect, through }: Door): readonly Rect[] {
  const [x0, y0, x1, y1] = rect;
  return through === "x"
    ? [[x0 - DOOR_CLEAR, y0 - 0.1, x1 + DOOR_CLEAR, y1 + 0.1]]
    : [[x0 - 0.1, y0 - DOOR_CLEAR, x1 + 0.1, y1 + DOOR_CLEAR]];
}

/** Cuts a rectangle into rooms, the longer side first, until they are of a room's size. */
function cut(rect: Rect, dice: Dice): Rect[] {
  const [x0, y0, x1, y1] = rect;
  const alongX = widthOf(rect) > heightOf(rect);
  const long = alongX ? widthOf(rect) : heightOf(rect);
  if (long < 2 * SMALLEST_SIDE || areaOf(rect) < dice.between(11, 26)) return [rect];
  const at = dice.between(SMALLEST_SIDE, long - SMALLEST_SIDE);
  const [a, b]: [Rect, Rect] = alongX
    ? [
        [x0, y0, x0 + at, y1],
        [x0 + at, y0, x1, y1],
      ]
    : [
        [x0, y0, x1, y0 + at],
        [x0, y0 + at, x1, y1],
      ];
  return [...cut(a, dice), ...cut(b, dice)];
}

interface Border {
  readonly rooms: readonly [number, number];
  /** As thick as a wall, as long as both rooms share it. */
  readonly rect: Rect;
  readonly through: "x" | "y";
}

function bordersOf(rooms: readonly Rect[]): Border[] {
  const out: Border[] = [];
  rooms.forEach((a, i) => {
    rooms.forEach((b, k) => {
      if (k <= i) return;
      const rect = common(grown(a, WALL / 2), grown(b, WALL / 2));
      if (rect === null) return;
      const [w, h] = [widthOf(rect), heightOf(rect)];
      if (Math.max(w, h) < 2 * WALL) return; // corner to corner
      out.push({ rooms: [i, k], rect, through: w < h ? "x" : "y" });
    });
  });
  return out;
}

/** Doors so that every room can be reached, and some more. */
function openDoors(borders: readonly Border[], rooms: number, dice: Dice): Door[] {
  const groups = Array.from({ length: rooms }, (_, i) => i);
  const doors: Door[] = [];
  for (const { rooms: pair, rect, through } of dice.shuffled(borders)) {
    const [x0, y0, x1, y1] = rect;
    const long = through === "x" ? y1 - y0 : x1 - x0;
    if (long < 1.5) continue;
    const [a, b] = [groups[pair[0]]!, groups[pair[1]]!];
    if (a === b && !dice.chance(0.3)) continue;
    groups.forEach((group, i) => {
      if (group === b) groups[i] = a;
    });
    const isWide = long > 2.4 && dice.chance(0.25);
    const width = isWide ? dice.between(1.2, Math.min(2.2, long - 0.6)) : dice.between(0.78, 0.98);
    const from = dice.between(0.25, long - width - 0.25);
    doors.push({
      rect: through === "x" ? [x0, y0 + from, x1, y0 + from + width] : [x0 + from, y0, x0 + from + width, y1],
      through,
      rooms: pair,
    });
  }
  return doors;
}

/** A wall with its doors left out, and a lintel over each. */
function wallShapes(rect: Rect, through: "x" | "y", openings: readonly Rect[]): ShapeJson[] {
  const [from, to] = through === "x" ? [1, 3] : [0, 2];
  const part = (low: number, high: number): Rect =>
    through === "x" ? [rect[0], low, rect[2], high] : [low, rect[1], high, rect[3]];
  const wall = { base: WALL_BASE, top: CEILING, material: "plaster", name: "wall" };
  const lintel = { base: DOOR_HEIGHT, top: CEILING, material: "plaster", name: "lintel" };
  const sorted = openings.toSorted((a, b) => a[from]! - b[from]!);
  const shapes: ShapeJson[] = [];
  let at = rect[from]!;
  for (const opening of sorted) {
    if (opening[from]! > at) shapes.push(boxOver(part(at, opening[from]!), wall));
    shapes.push(boxOver(part(opening[from]!, opening[to]!), lintel));
    at = opening[to]!;
  }
  if (rect[to]! > at) shapes.push(boxOver(part(at, rect[to]!), wall));
  return shapes;
}

function thresholdShapes({ rect, through }: Door, dice: Dice): ShapeJson[] {
  const [x0, y0, x1, y1] = rect;
  const middle: Rect =
    through === "x"
      ? [(x0 + x1) / 2 - 0.03, y0, (x0 + x1) / 2 + 0.03, y1]
      : [x0, (y0 + y1) / 2 - 0.03, x1, (y0 + y1) / 2 + 0.03];
  if (dice.chance(0.5)) {
    const top = dice.between(0.003, UPRIGHT_THRESHOLD);
    return [boxOver(middle, { base: 0, top, material: "steel", name: "threshold" })];
  }
  const height = dice.between(UPRIGHT_THRESHOLD, BEVELLED_THRESHOLD);
  const run = 2 * height;
  const length = through === "x" ? heightOf(middle) : widthOf(middle);
  const [mx, my] = [(middle[0] + middle[2]) / 2, (middle[1] + middle[3]) / 2];
  const bevel = (side: 1 | -1): ShapeJson => ({
    shape: "ramp",
    name: "threshold",
    material: "beech",
    at: through === "x" ? [mx + side * (0.03 + run / 2), my] : [mx, my + side * (0.03 + run / 2)],
    base: -0.01,
    size: [run, length],
    heights: side > 0 ? [height, 0] : [0, height],
    yaw: through === "x" ? 0 : 90,
  });
  return [
    boxOver(middle, { base: 0, top: height, material: "beech", name: "threshold" }),
    bevel(1),
    bevel(-1),
  ];
}

/** A leaf that stands open in the wall's line of one room, hinged at one end of the passage. */
function leafShape({ rect, through }: Door, dice: Dice): ShapeJson {
  const [x0, y0, x1, y1] = rect;
  const width = (through === "x" ? y1 - y0 : x1 - x0) - 0.02;
  const open = dice.between(80, 105);
  const side = dice.chance(0.5) ? 1 : -1; // into which room
  // The leaf turns about its hinge, from lying in the wall to standing across it.
  const [hx, hy] = through === "x" ? [side > 0 ? x1 : x0, y0] : [x0, side > 0 ? y1 : y0];
  const yaw = through === "x" ? 90 - side * open : side * open;
  const angle = (yaw * Math.PI) / 180;
  return {
    shape: "box",
    name: "door leaf",
    material: dice.chance(0.15) ? "glass" : "beech",
    at: [hx + (width / 2) * cosOf(angle), hy + (width / 2) * sinOf(angle)],
    base: 0.008,
    size: [width, 0.04, 1.98],
    yaw,
  };
}

/**
 * Leaf and threshold of a door: some have one, some have both or none.
 * @param isLevel whether the floors on both sides are equally high; a step takes the threshold's place otherwise
 */
export function doorShapes(door: Door, isLevel: boolean, dice: Dice): ShapeJson[] {
  const width = door.through === "x" ? heightOf(door.rect) : widthOf(door.rect);
  const hasThreshold = dice.chance(0.4);
  const hasLeaf = dice.chance(0.6);
  const shapes = hasThreshold && isLevel ? thresholdShapes(door, dice) : [];
  return hasLeaf && width < 1 ? [...shapes, leafShape(door, dice)] : shapes;
}

/** Rooms, walls and doors of a home. */
export function drawPlan(dice: Dice): Plan {
  const outline: Rect = [0, 0, dice.between(6.5, 10.5), dice.between(5, 8)];
  const rects = cut(outline, dice);
  const rooms = rects.map((rect): Room => ({ rect, floor: dice.pick(FLOOR_MATERIALS) }));
  const borders = bordersOf(rects);
  const doors = openDoors(borders, rooms.length, dice);
  const shapes = borders.flatMap(({ rect, through, rooms: pair }) =>
    wallShapes(
      rect,
      through,
      doors.filter((door) => door.rooms[0] === pair[0] && door.rooms[1] === pair[1]).map((door) => door.rect),
    ),
  );
  return { outline, rooms, doors, shapes };
}

/** Where a room meets the outside, or null where another room lies. */
export function outerSides({ rect }: Room, outline: Rect): Side[] {
  return SIDES.filter((side) => {
    const strip = stripAlong(rect, side, -0.01);
    return common(strip, outline) === null;
  });
}

/** The outer walls, with openings. */
export function outerWalls(
  outline: Rect,
  openings: readonly { readonly side: Side; readonly rect: Rect }[],
): ShapeJson[] {
  return SIDES.flatMap((side) => {
    const wall = stripAlong(side === "west" || side === "east" ? outline : grownAlongX(outline), side, -WALL);
    const own = openings.filter((opening) => opening.side === side).map(({ rect }) => rect);
    return wallShapes(wall, side === "west" || side === "east" ? "x" : "y", own);
  });
}

const grownAlongX = ([x0, y0, x1, y1]: Rect): Rect => [x0 - WALL, y0, x1 + WALL, y1];
