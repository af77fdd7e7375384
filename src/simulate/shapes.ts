import { cosOf, sinOf } from "../geometry/elementary.ts";
import { RADIANS } from "./attitude.ts";
import { Fields } from "./fields.ts";
import type { Material, Mover, Solid } from "./solids.ts";

/** Lists of shapes by name, not yet read. */
export type Kits = ReadonlyMap<string, unknown[]>;

/** Where a list of shapes is placed, and when it is there. */
interface Frame {
  readonly x: number;
  readonly y: number;
  readonly z: number;
  readonly yaw: number;
  readonly from: number;
  readonly until: number;
}

/** Where shapes of a scene itself are placed. */
export const WORLD: Frame = { x: 0, y: 0, z: 0, yaw: 0, from: Number.NEGATIVE_INFINITY, until: Infinity };
/** Metres; nothing indoors is larger. */
export const FAR = 1e4;
const MOST_SOLIDS = 20_000;
/** Shapes placed, kits among them: empty kits of kits must not run for ever. */
const MOST_PLACED = 100_000;

/** The materials in order, and where each name is. */
export function readMaterials(root: Fields): { materials: Material[]; indexOf: Map<string, number> } {
  const materials = root.entries("materials").map(([name, value]): Material => {
    const f = new Fields(value, `materials.${name}`);
    const material = {
      name,
      reflectance: f.number("reflectance", 0, 1),
      mirror: f.number("mirror", 0, 1, 0),
      transparent: f.number("transparent", 0, 1, 0),
      glint: f.number("glint", 0, 100, 0),
    };
    f.done();
    if (material.mirror > 0 && material.transparent > 0) {
      f.fail("mirror", "a material may mirror or let light through, not both: set one of them to 0");
    }
    return material;
  });
  if (materials.length === 0) root.fail("materials", 'give at least one, { "oak": { "reflectance": 0.4 } }');
  return { materials, indexOf: new Map(materials.map(({ name }, i) => [name, i])) };
}

/** Turns shapes into solids: expands kits, copies, and floors with holes. */
export class SolidReader {
  readonly #materials: ReadonlyMap<string, number>;
  readonly #kits: Kits;
  readonly solids: Solid[] = [];
  #placed = 0;

  constructor(materials: ReadonlyMap<string, number>, kits: Kits) {
    this.#materials = materials;
    this.#kits = kits;
  }

  read(value: unknown, path: string, frame: Frame, depth = 0): void {
    const f = new Fields(value, path);
    const shape = f.choice("shape", ["box", "ramp", "cylinder", "capsule", "floor", "kit"]);
    const name = f.text("name", shape);
    const [x, y] = shape === "floor" ? [0, 0] : f.pair("at", -FAR, FAR);
    const yaw = shape === "floor" ? 0 : f.number("yaw", -360, 360, 0) * RADIANS;
    const from = f.has("from") ? Math.max(frame.from, f.number("from", 0, 1e6)) : frame.from;
    const until = f.has("until") ? Math.min(frame.until, f.number("until", 0, 1e6)) : frame.until;
    const copies = f.object("copies");
    const [nx, ny] = copies.pair("count", 1, 1000, [1, 1]);
    const [stepX, stepY] = copies.pair("step", -FAR, FAR, [0, 0]);
    if (nx % 1 !== 0 || ny % 1 !== 0) copies.fail("count", "give two whole numbers");
    copies.done();
    const part = { name, material: 0, from, until };
    for (let i = 0; i < nx * ny; i++) {
      if (++this.#placed > MOST_PLACED) f.fail("copies", `a scene places at most ${MOST_PLACED} shapes`);
      const ix = x + (i % nx) * stepX;
      const iy = y + Math.floor(i / nx) * stepY;
      const cos = cosOf(frame.yaw);
      const sin = sinOf(frame.yaw);
      const here = {
        x: frame.x + ix * cos - iy * sin,
        y: frame.y + ix * sin + iy * cos,
        yaw: frame.yaw + yaw,
      };
      if (shape === "kit")
        this.#kit(f, { ...here, z: frame.z + f.number("base", -100, 100, 0), from, until }, depth);
      else if (shape === "floor") this.#floor(f, part, frame);
      else this.#solid(f, shape, part, { ...here, z: frame.z });
      if (this.solids.length > MOST_SOLIDS) f.fail("copies", `a scene holds at most ${MOST_SOLIDS} solids`);
    }
    f.done();
  }

  #material(f: Fields, name: string): number {
    const wanted = f.text(name);
    return (
      this.#materials.get(wanted) ?? f.fail(name, `name one of ${[...this.#materials.keys()].join(", ")}`)
    );
  }

  #kit(f: Fields, frame: Frame, depth: number): void {
    const parts = this.#kits.get(f.text("kit"));
    if (!parts) f.fail("kit", `name one of ${[...this.#kits.keys()].join(", ") || "(no kits given)"}`);
    if (depth >= 8) f.fail("kit", "kits are nested more than 8 deep: does one hold itself?");
    parts.forEach((part, i) => {
      this.read(part, `kits.${f.text("kit")}[${i}]`, frame, depth + 1);
    });
  }

  #solid(
    f: Fields,
    shape: "box" | "ramp" | "cylinder" | "capsule",
    part: { name: string; from: number; until: number },
    here: { x: number; y: number; z: number; yaw: number },
  ): void {
    const { z } = here;
    const common = { ...part, x: here.x, y: here.y, material: this.#material(f, "material") };
    const base = z + f.number("base", -100, 100, 0);
    if (shape === "box") {
      const [sx, sy, sz] = f.triple("size", 1e-4, FAR);
      const heights = [base + sz, base + sz] as const;
      this.solids.push({
        ...common,
        shape: "block",
        base,
        halfX: sx / 2,
        halfY: sy / 2,
        yaw: here.yaw,
        heights,
      });
    } else if (shape === "ramp") {
      const [sx, sy] = f.pair("size", 1e-4, FAR);
      const [low, high] = f.pair("heights", -100, 100);
      if (z + Math.min(low, high) < base || low === high) {
        f.fail("heights", `give two different heights of the top, neither below the base`);
      }
      const heights = [z + low, z + high] as const;
      this.solids.push({
        ...common,
        shape: "block",
        base,
        halfX: sx / 2,
        halfY: sy / 2,
        yaw: here.yaw,
        heights,
      });
    } else {
      const radius = f.number("radius", 1e-4, FAR);
      const top = base + f.number("height", 1e-4, 100);
      if (shape === "capsule" && top - base < 2 * radius) {
        f.fail("height", "a capsule is at least two radii high, round ends included");
      }
      this.solids.push({ ...common, shape, base, radius, top });
    }
  }

  /** A slab with rectangular holes, some filled with another material: cut into boxes along the holes' edges. */
  #floor(f: Fields, part: { name: string; from: number; until: number }, frame: Frame): void {
    const material = this.#material(f, "material");
    const rect = f.rect("rect");
    const top = frame.z + f.number("top", -100, 100, 0);
    const thickness = f.number("thickness", 1e-3, 100, 0.2);
    const holes = f.list("holes", 0, (value, path) => new Fields({ rect: value }, path).rect("rect"));
    const inlays = f.list("inlays", 0, (value, path) => {
      const g = new Fields(value, path);
      const inlay = { rect: g.rect("rect"), material: this.#material(g, "material") };
      g.done();
      return inlay;
    });
    const lay = ([x0, y0, x1, y1]: readonly number[], of: number): void => {
      this.solids.push({
        ...part,
        shape: "block",
        material: of,
        x: frame.x + (x0! + x1!) / 2,
        y: frame.y + (y0! + y1!) / 2,
        halfX: (x1! - x0!) / 2,
        halfY: (y1! - y0!) / 2,
        yaw: 0,
        base: top - thickness,
        heights: [top, top],
      });
    };
    let pieces: number[][] = [rect];
    for (const [hx0, hy0, hx1, hy1] of [...holes, ...inlays.map((inlay) => inlay.rect)]) {
      pieces = pieces.flatMap(([x0 = 0, y0 = 0, x1 = 0, y1 = 0]) => {
        if (hx0 >= x1 || hx1 <= x0 || hy0 >= y1 || hy1 <= y0) return [[x0, y0, x1, y1]];
        const low = Math.max(x0, hx0);
        const high = Math.min(x1, hx1);
        return [
          [x0, y0, low, y1],
          [high, y0, x1, y1],
          [low, y0, high, Math.max(y0, hy0)],
          [low, Math.min(y1, hy1), high, y1],
        ].filter(([a = 0, b = 0, c = 0, d = 0]) => a < c && b < d);
      });
    }
    for (const piece of pieces) lay(piece, material);
    for (const inlay of inlays) lay(inlay.rect, inlay.material);
  }
}

export function readMover(
  value: unknown,
  path: string,
  materials: ReadonlyMap<string, number>,
  kits: Kits,
): Mover {
  const f = new Fields(value, path);
  const reader = new SolidReader(materials, kits);
  const swings: { reach: number; period: number; phase: number }[] = [];
  f.list("parts", 1, (part, partPath) => {
    const { swing, ...solid } = Object(part) as Record<string, unknown>;
    reader.read(solid, partPath, WORLD);
    const s = new Fields(swing ?? {}, `${partPath}.swing`);
    const one = {
      reach: s.number("reach", 0, 10, 0),
      period: s.number("period", 0.01, 1000, 1),
      phase: s.number("phase", -360, 360, 0) * RADIANS,
    };
    s.done();
    while (swings.length < reader.solids.length) swings.push(one);
  });
  const way = f.list("way", 2, (point, pointPath) => {
    const p = new Fields(point, pointPath);
    const [x, y] = p.pair("at", -FAR, FAR);
    const stop = { time: p.number("time", 0, 1e6), x, y };
    p.done();
    return stop;
  });
  way.forEach((point, i) => {
    if (i > 0 && point.time <= way[i - 1]!.time) f.fail("way", `times must rise; entry ${i} does not`);
  });
  f.text("name", "");
  f.done();
  return { parts: reader.solids, swings, way };
}
