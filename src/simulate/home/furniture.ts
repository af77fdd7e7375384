import { cosOf, hypot2, sinOf } from "../../geometry/elementary.ts";
import type { Dice } from "./dice.ts";
import { type Drops, isOnFloor } from "./drops.ts";
import { insideOf, type Plan, zonesOf } from "./plan.ts";
import { areaOf, grown, heightOf, overlaps, type Rect, SIDES, type Side, widthOf, YAW_TO } from "./rect.ts";
import { boxOver, type ShapeJson } from "./shapes.ts";

/** Furniture around its own origin: x points away from a wall behind it, y along that wall. */
interface Piece {
  readonly name: string;
  /** Metres along x and y. */
  readonly size: readonly [number, number];
  /** Whether it stands with its back at a wall. */
  readonly atWall: boolean;
  readonly parts: readonly ShapeJson[];
}

type Make = (dice: Dice) => Piece;

const box = (
  material: string,
  at: readonly [number, number],
  base: number,
  size: readonly [number, number, number],
): ShapeJson => ({ shape: "box", material, at, base, size });

const round = (
  material: string,
  at: readonly [number, number],
  { base, radius, height }: { readonly base: number; readonly radius: number; readonly height: number },
): ShapeJson => ({ shape: "cylinder", material, at, base, radius, height });

/** Four legs under the corners. */
function legs(
  [x, y]: readonly [number, number],
  { inset, radius, height }: { readonly inset: number; readonly radius: number; readonly height: number },
  material: string,
): ShapeJson[] {
  return [-1, 1].flatMap((a) =>
    [-1, 1].map((b) =>
      round(material, [a * (x / 2 - inset), b * (y / 2 - inset)], { base: 0, radius, height }),
    ),
  );
}

const table: Make = (dice) => {
  const [x, y] = [dice.between(0.7, 0.95), dice.between(1.1, 1.9)];
  const height = dice.between(0.7, 0.76);
  const isGlass = dice.chance(0.15);
  return {
    name: "table",
    size: [x, y],
    atWall: false,
    parts: [
      box(isGlass ? "glass" : "beech", [0, 0], height - 0.03, [x, y, 0.03]),
      ...legs(
        [x, y],
        { inset: 0.07, radius: dice.between(0.012, 0.035), height: height - 0.03 },
        dice.pick(["beech", "steel"]),
      ),
    ],
  };
};

const chair: Make = (dice) => {
  const [x, y] = [dice.between(0.4, 0.48), dice.between(0.4, 0.48)];
  return {
    name: "chair",
    size: [x, y],
    atWall: false,
    parts: [
      box(dice.pick(["beech", "denim"]), [0, 0], 0.43, [x, y, 0.03]),
      box("beech", [-x / 2 + 0.015, 0], 0.46, [0.03, y, 0.42]),
      ...legs(
        [x, y],
        { inset: 0.04, radius: dice.between(0.008, 0.02), height: 0.43 },
        dice.pick(["beech", "steel"]),
      ),
    ],
  };
};

const sofa: Make = (dice) => {
  const [x, y] = [dice.between(0.75, 0.95), dice.between(1.4, 2.2)];
  const base = dice.between(0.05, 0.17);
  const cover = dice.pick(["cloth", "denim"]);
  return {
    name: "sofa",
    size: [x, y],
    atWall: dice.chance(0.8),
    parts: [
      box(cover, [0, 0], base, [x, y, 0.42 - base]),
      box(cover, [-x / 2 + 0.1, 0], 0.42, [0.2, y, 0.38]),
      ...legs([x, y], { inset: 0.08, radius: 0.02, height: base }, "beech"),
    ],
  };
};

const bed: Make = (dice) => {
  const [x, y] = [2.05, dice.between(0.9, 1.6)];
  const base = dice.between(0.12, 0.3);
  return {
    name: "bed",
    size: [x, y],
    atWall: true,
    parts: [
      box("cloth", [0, 0], base, [x, y, 0.5 - base]),
      ...legs([x, y], { inset: 0.06, radius: 0.025, height: base }, "beech"),
    ],
  };
};

const cabinet: Make = (dice) => {
  const [x, y] = [dice.between(0.35, 0.6), dice.between(0.6, 1.8)];
  const foot = dice.chance(0.5) ? dice.between(0.06, 0.14) : 0;
  return {
    name: "cabinet",
    size: [x, y],
    atWall: true,
    parts: [
      box(dice.pick(["beech", "plaster", "cloth"]), [0, 0], foot, [x, y, dice.between(0.7, 2.1) - foot]),
      ...(foot > 0 ? legs([x, y], { inset: 0.05, radius: 0.015, height: foot }, "steel") : []),
    ],
  };
};

const shelf: Make = (dice) => {
  const [x, y] = [0.3, dice.between(0.7, 1.4)];
  const boards = [0.12, 0.55, 1, 1.45].map((height) => box("beech", [0, 0], height, [x, y, 0.02]));
  return {
    name: "shelf",
    size: [x, y],
    atWall: true,
    parts: [...boards, ...legs([x, y], { inset: 0.015, radius: 0.012, height: 1.5 }, "steel")],
  };
};

const lowTable: Make = (dice) => {
  const [x, y] = [dice.between(0.45, 0.7), dice.between(0.7, 1.2)];
  return {
    name: "low table",
    size: [x, y],
    atWall: false,
    parts: [
      box(dice.chance(0.4) ? "glass" : "beech", [0, 0], 0.4, [x, y, 0.015]),
      ...legs([x, y], { inset: 0.05, radius: dice.between(0.008, 0.02), height: 0.4 }, "steel"),
    ],
  };
};

/** Its foot is a flat disc: some of them a base drives onto, and meets the pole. */
const lamp: Make = (dice) => {
  const radius = dice.between(0.12, 0.19);
  return {
    name: "lamp",
    size: [2 * radius, 2 * radius],
    atWall: false,
    parts: [
      round(dice.pick(["steel", "rubber"]), [0, 0], { base: 0, radius, height: dice.between(0.008, 0.03) }),
      round("steel", [0, 0], { base: 0, radius: 0.011, height: 1.6 }),
      { shape: "capsule", material: "cloth", at: [0, 0], base: 1.35, radius: 0.16, height: 0.34 },
    ],
  };
};

const plant: Make = (dice) => {
  const radius = dice.between(0.1, 0.18);
  return {
    name: "plant",
    size: [2 * radius, 2 * radius],
    atWall: false,
    parts: [
      round("tile", [0, 0], { base: 0, radius, height: dice.between(0.2, 0.4) }),
      { shape: "capsule", material: "cloth", at: [0, 0], base: 0.3, radius: 0.2, height: 0.8 },
    ],
  };
};

/** A swivel chair: a star of five bars close to the floor around a column. */
const swivelChair: Make = (dice) => {
  const turn = dice.between(0, 72);
  const bars = Array.from({ length: 5 }, (_, n): ShapeJson => {
    const angle = ((turn + 72 * n) * Math.PI) / 180;
    const at = [0.15 * cosOf(angle), 0.15 * sinOf(angle)] as const;
    return { ...box("steel", at, 0.05, [0.3, 0.04, 0.03]), yaw: turn + 72 * n };
  });
  const castors = Array.from({ length: 5 }, (_, n): ShapeJson => {
    const angle = ((turn + 72 * n) * Math.PI) / 180;
    return round("rubber", [0.28 * cosOf(angle), 0.28 * sinOf(angle)], {
      base: 0,
      radius: 0.025,
      height: 0.06,
    });
  });
  return {
    name: "swivel chair",
    size: [0.62, 0.62],
    atWall: false,
    parts: [
      ...bars,
      ...castors,
      round("steel", [0, 0], { base: 0.06, radius: 0.03, height: 0.38 }),
      round("denim", [0, 0], { base: 0.44, radius: 0.23, height: 0.07 }),
      box("denim", [-0.22, 0], 0.51, [0.05, 0.4, 0.5]),
    ],
  };
};

/** Something that mirrors or lets light through, on the floor. */
const pane: Make = (dice) => {
  const y = dice.between(0.5, 1.1);
  const isMirror = dice.chance(0.5);
  return {
    name: isMirror ? "mirror" : "glass partition",
    size: [0.03, y],
    atWall: isMirror,
    parts: [box(isMirror ? "silvered" : "glass", [0, 0], 0, [0.02, y, dice.between(1.4, 1.9)])],
  };
};

const MAKES: readonly Make[] = [
  table,
  table,
  chair,
  chair,
  chair,
  sofa,
  bed,
  cabinet,
  cabinet,
  shelf,
  lowTable,
  lamp,
  plant,
  swivelChair,
  pane,
];

interface Place {
  readonly at: readonly [number, number];
  /** Degrees. */
  readonly yaw: number;
  /** The area that it covers, with a margin. */
  readonly rect: Rect;
}

/** A place in a room, with its back to a wall if the piece requires it. */
function placeIn(inside: Rect, { size, atWall }: Piece, dice: Dice): Place | null {
  const side: Side = dice.pick(SIDES);
  const isTurned = side === "south" || side === "north";
  const [wide, deep] = isTurned ? [size[1], size[0]] : size;
  const [w, h] = [widthOf(inside) - wide, heightOf(inside) - deep];
  if (w < 0.1 || h < 0.1) return null;
  let x = inside[0] + wide / 2 + dice.between(0, w);
  let y = inside[1] + deep / 2 + dice.between(0, h);
  if (atWall) {
    const gap = dice.between(0.005, 0.04);
    if (side === "west") x = inside[2] - wide / 2 - gap;
    else if (side === "east") x = inside[0] + wide / 2 + gap;
    else if (side === "south") y = inside[3] - deep / 2 - gap;
    else y = inside[1] + deep / 2 + gap;
  }
  const slant = !atWall && dice.chance(0.4) ? dice.between(-30, 30) : 0;
  const reach = slant === 0 ? 0 : (hypot2(wide, deep) - Math.min(wide, deep)) / 2;
  const rect: Rect = [x - wide / 2, y - deep / 2, x + wide / 2, y + deep / 2];
  return { at: [x, y], yaw: YAW_TO[side] + slant, rect: grown(rect, 0.03 + reach) };
}

export interface Furnishing {
  /** Kits by name. */
  readonly kits: Record<string, readonly ShapeJson[]>;
  readonly shapes: ShapeJson[];
  /** Floor areas on which wheels slip. */
  readonly slippery: Rect[];
}

/** Square metres of room for each piece of furniture, at the least. */
const ROOM_EACH = 2.2;
const ATTEMPTS = 6;

/** Furniture, rugs and polished patches. */
export function drawFurniture(plan: Plan, drops: Drops, dice: Dice): Furnishing {
  const furnishing: Furnishing = { kits: {}, shapes: [], slippery: [] };
  const taken: Rect[] = [...plan.doors.flatMap(zonesOf), ...drops.keepFree];
  plan.rooms.forEach((room, index) => {
    const inside = insideOf(room);
    if (drops.levels[index] === 0) layRugs(inside, { plan, drops }, furnishing, dice);
    const wanted = dice.whole(Math.floor(areaOf(inside) / ROOM_EACH) + 2);
    for (let n = 0; n < wanted; n++) {
      const piece = dice.pick(MAKES)(dice);
      for (let attempt = 0; attempt < ATTEMPTS; attempt++) {
        const place = placeIn(inside, piece, dice);
        if (place === null || taken.some((other) => overlaps(other, place.rect))) continue;
        if (drops.holes[index]!.some((hole) => overlaps(hole, place.rect))) continue;
        taken.push(place.rect);
        const name = `${piece.name} ${Object.keys(furnishing.kits).length + 1}`;
        furnishing.kits[name] = piece.parts;
        const base = drops.levels[index]!;
        furnishing.shapes.push({ shape: "kit", name, kit: name, at: place.at, yaw: place.yaw, base });
        break;
      }
    }
  });
  return furnishing;
}

/** A rug, and a polished patch, where the floor is whole. */
function layRugs(
  inside: Rect,
  { plan, drops }: { readonly plan: Plan; readonly drops: Drops },
  { shapes, slippery }: Furnishing,
  dice: Dice,
): void {
  const somewhere = (most: number): Rect | null => {
    const [w, h] = [
      dice.between(0.8, Math.min(most, widthOf(inside) - 0.2)),
      dice.between(0.8, Math.min(most, heightOf(inside) - 0.2)),
    ];
    const x = dice.between(inside[0] + 0.05, inside[2] - w - 0.05);
    const y = dice.between(inside[1] + 0.05, inside[3] - h - 0.05);
    const rect: Rect = [x, y, x + w, y + h];
    const isClear = isOnFloor(rect, plan, drops) && !plan.doors.some((door) => overlaps(door.rect, rect));
    return isClear ? rect : null;
  };
  const rug = dice.chance(0.4) ? somewhere(2.6) : null;
  if (rug !== null) {
    shapes.push(boxOver(rug, { base: 0, top: dice.between(0.004, 0.012), material: "rug", name: "rug" }));
    slippery.push(rug);
  }
  const patch = dice.chance(0.2) ? somewhere(2) : null;
  // A millimetre above the floor: with two faces in one plane it would be undefined which of them is seen.
  if (patch !== null)
    shapes.push(boxOver(patch, { base: 0, top: 0.001, material: "polished", name: "polished patch" }));
  const mat = dice.chance(0.2) ? somewhere(1.4) : null;
  if (mat !== null) shapes.push(boxOver(mat, { base: 0, top: 0.003, material: "rubber", name: "black mat" }));
}
