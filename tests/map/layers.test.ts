import { beforeAll, describe, expect, test } from "vitest";
import type { PinholeOptics } from "../../src/geometry/optics.ts";
import { rayTable } from "../../src/geometry/rays.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { FloorLayer } from "../../src/map/floor.ts";
import { BlockGrid, TOP } from "../../src/map/grid.ts";
import { BodyLayers, COLUMN } from "../../src/map/layers.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

const SIZE = 0.05;
const KINDS = Object.keys(COLUMN) as (keyof typeof COLUMN)[];
const FREE = 0;

/** A lens straight down, 1.5 m over z = 0: world x to its right, world y to its top. */
const optics: PinholeOptics = {
  model: "pinhole",
  width: 60,
  height: 60,
  fx: 60,
  fy: 60,
  cx: 29.5,
  cy: 29.5,
  measures: "z",
  unit: 0.0001,
  minRange: 0.1,
  maxRange: 5,
};
const RAYS = rayTable(optics);
const DOWN = Float64Array.from([1, 0, 0, 0, -1, 0, 0, 0, -1]);

/** A map whose voxels and floors a test writes, for a body of 0.6 m that drives over 20 mm. */
class Bench {
  readonly grid = new BlockGrid(SIZE);
  readonly floor = new FloorLayer(SIZE, { band: 0.35, slope: 0.26 });
  readonly layers = new BodyLayers(this.grid, this.floor, { height: 0.6, groundClearance: 0.02 }, 2);

  constructor() {
    this.grid.frame = 1;
  }

  /** A level floor at `height`, for 0.6 m about the origin; `each` gives the heights of single pixels. */
  seeFloor(height: number, each = () => height): this {
    const depth = Uint16Array.from({ length: 60 * 60 }, () => Math.round((1.5 - each()) * 10_000));
    const position = Float64Array.from([0, 0, 1.5]);
    const view = { rays: RAYS, unitsPerMetre: 10_000, rotation: DOWN, floorHeight: 0, step: 1, stride: 1 };
    this.floor.addFrame({ ...view, depth, position, frame: this.grid.frame });
    return this;
  }

  set(i: number, j: number, heights: readonly number[], value: number): this {
    for (const k of heights) this.grid.setValue(i, j, k, value);
    return this;
  }

  kind(i = 2, j = 3): keyof typeof COLUMN {
    this.layers.update(0);
    return KINDS.find((name) => COLUMN[name] === this.layers.kindAt(i, j))!;
  }

  headroom(i: number, j: number): number {
    const { col, row, cells } = this.layers.headroom()!;
    return cells.get(j - row, i - col);
  }
}

/** Whole numbers from `from` to `to`. */
const span = (from: number, to: number): number[] =>
  Array.from({ length: to - from + 1 }, (_, n) => from + n);
/** Free from above the floor to well over the body. */
const air = (bench: Bench): Bench => bench.set(2, 3, span(1, 20), FREE);

describe("a column", () => {
  test("is unseen while nothing of it is known, and the map has no bounds", () => {
    const bench = new Bench();
    expect(bench.kind()).toBe("unseen");
    expect(bench.layers.bounds()).toBeNull();
    expect(bench.layers.kinds()).toBeNull();
    expect(bench.layers.clearances()).toBeNull();
  });

  test("is open where only air was seen, not clear: its floor may not be there", () => {
    expect(air(new Bench()).kind()).toBe("open");
  });

  test("is unseen where air was seen only above the body", () => {
    expect(new Bench().set(2, 3, span(12, 20), FREE).kind()).toBe("unseen");
  });

  test("that leaves exactly the body's height is not blocked", () => {
    const bench = air(new Bench()).set(2, 3, [10], TOP).seeFloor(0);
    // 10 * 50 mm; half a metre is exact in binary, and so is the floor at 0.
    const layers = new BodyLayers(bench.grid, bench.floor, { height: 0.5, groundClearance: 0.02 }, 2);
    layers.update(0);
    expect(layers.kindAt(2, 3)).toBe(COLUMN.overhang);
  });

  test("becomes clear when its floor is seen, though no voxel changed", () => {
    const bench = air(new Bench());
    expect(bench.kind()).toBe("open");
    expect(bench.seeFloor(0).kind()).toBe("clear");
  });

  // Voxel k reaches from 50 k to 50 (k + 1) mm; the body from 20 to 600 mm.
  test.each([
    [0, "clear", "the voxel that holds the floor"],
    [1, "blocked", "50 mm"],
    [11, "blocked", "550 mm"],
    [12, "overhang", "600 mm, just above the body"],
    [19, "overhang", "950 mm"],
    [-1, "clear", "below the floor"],
  ])("with something in voxel layer %i is %s (%s)", (k, kind) => {
    expect(air(new Bench()).set(2, 3, [k], TOP).seeFloor(0).kind()).toBe(kind);
  });

  // Single samples of a sensor with few pixels are off by a centimetre, and a column gets one or two of them.
  test("with one low sample among those of its neighbours, and noise of the floor in the layer above, is clear", () => {
    const random = new Random(17);
    for (const height of [-0.013, -0.01, 0.037, 0.045]) {
      const bench = air(new Bench()).set(2, 3, [Math.floor(height / SIZE) + 1], TOP);
      bench.seeFloor(height, () => height + 0.006 * random.gauss());
      expect(bench.kind(), `floor at ${height} m`).toBe("clear");
    }
    // What is farther above the floor than its noise reaches is in the way.
    const bench = air(new Bench()).set(2, 3, [1], TOP);
    bench.seeFloor(0.005, () => 0.005 + 0.006 * random.gauss());
    expect(bench.kind()).toBe("blocked");
  });

  test("needs no floor of its own to be blocked", () => {
    expect(air(new Bench()).set(2, 3, [4], TOP).kind()).toBe("blocked");
  });

  test("has the headroom up to the underside of what is lowest", () => {
    const bench = air(new Bench()).set(2, 3, [15, 18], TOP).set(4, 3, [3], TOP).set(5, 3, span(1, 20), FREE);
    bench.seeFloor(0).layers.update(0);
    // 15 * 50 mm and 3 * 50 mm; nothing was seen above the third.
    expect(bench.headroom(2, 3)).toBeCloseTo(0.75, 6);
    expect(bench.headroom(4, 3)).toBeCloseTo(0.15, 6);
    expect(bench.headroom(5, 3)).toBe(Number.POSITIVE_INFINITY);
  });

  // A raised floor carries its body with it: 150 mm up, what is from 170 to 750 mm is in the way.
  test.each([
    [2, "clear"],
    [4, "blocked"],
    [14, "blocked"],
    [15, "overhang"],
  ])("on a platform of 150 mm, with something in voxel layer %i, is %s", (k, kind) => {
    expect(air(new Bench()).set(2, 3, [k], TOP).seeFloor(0.15).kind()).toBe(kind);
  });

  // Noise puts a floor near a boundary between layers into both.
  test.each([-0.004, -0.001, 0.001, 0.004, 0.046, 0.054])(
    "with a floor at %d m that fills the layers on both sides of it is clear",
    (height) => {
      const k = Math.round(height / SIZE);
      expect(
        air(new Bench())
          .set(2, 3, [k - 1, k], TOP)
          .seeFloor(height)
          .kind(),
      ).toBe("clear");
    },
  );

  test("that was blocked is clear again when what stood there is seen through", () => {
    const bench = air(new Bench()).set(2, 3, [4], TOP).seeFloor(0);
    expect(bench.kind()).toBe("blocked");
    bench.grid.frame++;
    expect(bench.set(2, 3, [4], FREE).kind()).toBe("clear");
  });
});

describe("the layers", () => {
  test("span exactly what was seen, lowest y first, on both sides of zero", () => {
    const bench = new Bench().set(-3, -2, [4], TOP).set(1, 5, [4], FREE);
    bench.layers.update(0);
    expect(bench.layers.bounds()).toEqual({ col: -3, row: -2, columns: 5, rows: 8 });
    const { col, row, cells } = bench.layers.kinds()!;
    expect([col, row, ...cells.shape]).toEqual([-3, -2, 8, 5]);
    expect(cells.get(0, 0)).toBe(COLUMN.blocked);
    expect(cells.get(7, 4)).toBe(COLUMN.open);
    expect(cells.get(7, 0)).toBe(COLUMN.unseen);
  });

  test("give the distance to the nearest blocked column, and forget it when the column is free again", () => {
    const bench = new Bench().set(0, 0, [4], TOP).set(3, 4, [4], FREE);
    bench.layers.update(0);
    // 3, 4, 5 columns of 50 mm.
    expect(bench.layers.clearanceAt(3, 4)).toBeCloseTo(0.25, 6);
    bench.grid.frame++;
    bench.set(0, 0, [4], FREE).layers.update(0);
    expect(bench.layers.clearanceAt(3, 4)).toBe(Number.POSITIVE_INFINITY);
  });

  test("look only at columns of blocks that changed", () => {
    const bench = new Bench().set(0, 0, [4], TOP).set(40, 0, [4], TOP);
    expect(bench.layers.update(0)).toBe(2);
    expect(bench.layers.update(0)).toBe(0);
    bench.grid.frame++;
    expect(bench.set(40, 0, [5], TOP).layers.update(0)).toBe(1);
  });

  test("refuse a body that is lower than what it drives over", () => {
    const { grid, floor } = new Bench();
    expect(() => new BodyLayers(grid, floor, { height: 0.1, groundClearance: 0.2 }, 2)).toThrow(
      /body\.height/,
    );
  });
});

/** A room with what layers get wrong first, seen without noise by a camera that drives through its middle. */
const ROOM = {
  name: "trial room",
  seed: 1,
  materials: { plain: { reflectance: 0.5 } },
  scene: [
    { shape: "floor", material: "plain", rect: [-1, -2, 5, 2], holes: [[2, -1.4, 2.8, -0.6]] },
    // Under the hole, farther down than floor may lie.
    { shape: "floor", material: "plain", rect: [1.5, -2, 5, 0], top: -2 },
    { shape: "box", material: "plain", at: [1.2, 0], size: [0.06, 3.6, 0.012] },
    { shape: "ramp", material: "plain", at: [2.9, 0], size: [1.2, 0.6], heights: [0, 0.1] },
    { shape: "box", material: "plain", at: [4, 0], size: [1, 0.6, 0.1] },
    { shape: "box", material: "plain", at: [1.825, 0.725], size: [0.025, 0.025, 0.9] },
    { shape: "box", material: "plain", at: [2.6, 1], base: 0.75, size: [0.6, 0.6, 0.04] },
    { shape: "box", material: "plain", at: [4.6, 0], size: [0.1, 4, 1.5] },
  ],
  base: { width: 0.3, bumper: 0.18, wheelbase: 0.25, track: 0.26 },
  head: { position: [0.1, 0, 0.4] },
  sensors: [
    {
      name: "front depth",
      rate: 8,
      optics: { width: 160, height: 120, fieldOfView: [74, 58], measures: "z", minRange: 0.15, maxRange: 6 },
      mount: { position: [0.02, 0, 0.02], pitch: 18 },
      noise: null,
    },
  ],
  drive: {
    points: [
      { at: [0, 0], look: [30, -30] },
      { at: [3.6, 0], speed: 0.5 },
    ],
  },
};

describe("the map of a room seen without noise", () => {
  let head: Head;
  beforeAll(() => {
    const scenario = loadScenario(ROOM, { exact: true });
    head = new Head(scenario.setup, resolveSettings());
    for (const event of simulateEvents(scenario)) head.take(event);
    head.finish();
  });

  /** Columns of each kind whose middles lie within a rectangle, metres. */
  function kindsIn(
    x0: number,
    y0: number,
    x1: number,
    y1: number,
  ): Partial<Record<keyof typeof COLUMN, number>> {
    const counts: Partial<Record<keyof typeof COLUMN, number>> = {};
    for (let i = Math.ceil(x0 / SIZE - 0.5); (i + 0.5) * SIZE < x1; i++) {
      for (let j = Math.ceil(y0 / SIZE - 0.5); (j + 0.5) * SIZE < y1; j++) {
        const kind = KINDS[head.layers.kindAt(i, j)]!;
        counts[kind] = (counts[kind] ?? 0) + 1;
      }
    }
    return counts;
  }

  test("a threshold of 12 mm across the way is clear", () => {
    expect(kindsIn(1.1, -0.4, 1.3, 0.4)).toEqual({ clear: 4 * 16 });
  });

  test("a ramp and the platform that it leads to are clear, and their floor as high as they are", () => {
    expect(kindsIn(2.3, -0.25, 4.4, 0.25)).toEqual({ clear: 42 * 10 });
    // Up by 100 mm over 1.2 m from x = 2.3.
    for (const [x, z] of [
      [2.625, (0.325 / 1.2) * 0.1],
      [3.225, (0.925 / 1.2) * 0.1],
      [4.025, 0.1],
    ] as const) {
      expect(head.floor.heightAt(Math.floor(x / SIZE), 1), `x = ${x}`).toBeCloseTo(z, 2);
    }
  });

  test("a leg of 25 mm blocks its column and not the floor beside it", () => {
    expect(head.layers.kindAt(36, 14)).toBe(COLUMN.blocked);
    expect(kindsIn(1.6, 0.9, 2.05, 1.1)).toEqual({ clear: 9 * 4 });
    expect(kindsIn(1.6, 0.3, 1.75, 1)).toEqual({ clear: 3 * 14 });
  });

  test("under a table top at 0.75 m a body of 0.6 m may pass", () => {
    const { overhang = 0, ...rest } = kindsIn(2.35, 0.75, 2.85, 1.25);
    expect(overhang).toBeGreaterThan(40);
    expect(rest).not.toHaveProperty("blocked");
  });

  test("a hole is never clear, and its rim is", () => {
    const inside = kindsIn(2.05, -1.35, 2.75, -0.65);
    expect(inside).not.toHaveProperty("clear");
    expect(inside).not.toHaveProperty("overhang");
    const { clear = 0, open = 0, ...rest } = kindsIn(1.8, -1.3, 1.95, -0.7);
    expect(rest).toEqual({});
    // Floor is sampled, so a column may have gone without; it is open then.
    expect(clear + open).toBe(3 * 12);
    expect(clear).toBeGreaterThanOrEqual(34);
  });

  test("the wall across the end is blocked wherever it was seen", () => {
    const { blocked = 0 } = kindsIn(4.5, -1.5, 4.6, 1.5);
    // Its face is at x = 4.55, the first of the two columns' boundary.
    expect(blocked).toBeGreaterThanOrEqual(58);
  });
});
