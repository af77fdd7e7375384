import { expect, test } from "vitest";
import type { ScanOptics } from "../../src/geometry/optics.ts";
import { rayTable } from "../../src/geometry/rays.ts";
import { evidenceTable } from "../../src/map/evidence.ts";
import { BlockGrid, classOf, UNKNOWN } from "../../src/map/grid.ts";
import { ScanIntegrator } from "../../src/map/scan.ts";

const BEAMS = 360;
const optics: ScanOptics = {
  model: "scan",
  width: BEAMS,
  height: 1,
  firstAngle: -Math.PI,
  step: (2 * Math.PI) / BEAMS,
  measures: "range",
  unit: 0.001,
  minRange: 0.05,
  maxRange: 20,
};
const rays = rayTable(optics);
/** A level lens looking along world x: its x is world -y, its y is world -z. */
const LEVEL = Float64Array.from([0, 0, 1, -1, 0, 0, 0, -1, 0]);

/** Ranges from (x, y) to the walls of the square |x|, |y| <= half, millimetres. */
function room(half: number, x: number, y: number): Uint16Array {
  return Uint16Array.from({ length: BEAMS }, (_, n) => {
    const angle = optics.firstAngle + n * optics.step;
    const [c, s] = [Math.cos(angle), Math.sin(angle)];
    const toX = c > 0 ? (half - x) / c : c < 0 ? (-half - x) / c : Number.POSITIVE_INFINITY;
    const toY = s > 0 ? (half - y) / s : s < 0 ? (-half - y) / s : Number.POSITIVE_INFINITY;
    return Math.round(1000 * Math.min(toX, toY));
  });
}

function mapper() {
  const grid = new BlockGrid(0.05);
  const model = { sigma0: 0.01, sigma2: 0, outlierShare: 0.02, independence: 0.7, framesToClear: 14 };
  const scan = new ScanIntegrator(
    grid,
    { rays, unitsPerMetre: 1000, maxRange: 20 },
    evidenceTable(model, 0.05, 20, 1),
  );
  const add = (depth: Uint16Array, x = 0, y = 0) => {
    grid.frame++;
    return scan.integrate(depth, LEVEL, Float64Array.from([x, y, 0.31]));
  };
  return { grid, add };
}
const LAYER = 6; // 0.31 m

test("walls of a room are occupied wherever a beam ends, and the room is free", () => {
  const { grid, add } = mapper();
  // Walls in the middle of a voxel, so that rounding does not decide.
  const half = 2.025;
  for (let n = 0; n < 6; n++) add(room(half, n * 0.1, 0), n * 0.1);
  let wall = 0;
  for (let j = -30; j <= 30; j++) if (classOf(grid.valueAt(40, j, LAYER)) === "occupied") wall++;
  expect(wall).toBe(61);
  for (let i = -35; i < 35; i++) expect(classOf(grid.valueAt(i, 0, LAYER))).toBe("free");
  expect(grid.valueAt(60, 0, LAYER)).toBe(UNKNOWN);
  expect(grid.valueAt(0, 0, LAYER + 1)).toBe(UNKNOWN);
});

test("a wall seen at a grazing angle is not erased by the beams that run along it", () => {
  const { grid, add } = mapper();
  // Driving along a wall 20 cm away, as in a narrow corridor.
  for (let n = 0; n < 40; n++) add(room(2.025, -1.5 + n * 0.075, 1.825), -1.5 + n * 0.075, 1.825);
  for (let i = -20; i <= 20; i++) expect(classOf(grid.valueAt(i, 40, LAYER))).toBe("occupied");
});

test("however many beams end in a voxel or pass it, it counts once a scan", () => {
  const { grid, add } = mapper();
  // All beams end 30 cm away: some voxels hold several ends; the lens's own is passed by all.
  add(new Uint16Array(BEAMS).fill(300));
  expect(classOf(grid.valueAt(6, 0, LAYER))).toBe("occupied");
  const once = grid.valueAt(6, 0, LAYER);
  const own = grid.valueAt(0, 0, LAYER);
  const other = mapper();
  other.add(Uint16Array.from({ length: BEAMS }, (_, n) => (n === BEAMS / 2 ? 300 : 0)));
  expect(other.grid.valueAt(6, 0, LAYER)).toBe(once);
  expect(other.grid.valueAt(0, 0, LAYER)).toBe(own);
});

test("beams without a return change nothing", () => {
  const { grid, add } = mapper();
  expect(add(new Uint16Array(BEAMS))).toBe(0);
  expect(grid.count).toBe(0);
});

test("something that has gone is cleared within the promised number of scans", () => {
  const { grid, add } = mapper();
  const near = room(2.025, 0, 0).map((range, n) => (Math.abs(n - BEAMS / 2) < 10 ? 1025 : range));
  for (let n = 0; n < 20; n++) add(near);
  expect(classOf(grid.valueAt(20, 0, LAYER))).toBe("occupied");
  for (let n = 0; n < 14; n++) add(room(2.025, 0, 0));
  expect(classOf(grid.valueAt(20, 0, LAYER))).toBe("free");
});

test("a scan of another size is refused", () => {
  expect(() => mapper().add(new Uint16Array(7))).toThrow(/scan has 7 beams, the sensor 360/);
});
