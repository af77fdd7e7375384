import { ClearanceField } from "../../src/map/clearance.ts";
import { seeded } from "../../tests/helpers/compare.ts";
import { noneExpected } from "../frame/values.ts";
import { programOf } from "./program.ts";

const SIZE = 0.05;
const LIMIT = 2;
const ROOM = { cols: 360, rows: 280 }; // 18 x 14 m

/** Walls, two partitions and table legs: cells of a furnished floor, the same on every run. */
function floorPlan(): [number, number][] {
  const cells: [number, number][] = [];
  const random = seeded(3);
  for (let col = 0; col < ROOM.cols; col++) {
    cells.push([col, 0], [col, ROOM.rows - 1]);
    if (col < 150) cells.push([col, 120]);
  }
  for (let row = 0; row < ROOM.rows; row++) {
    cells.push([0, row], [ROOM.cols - 1, row]);
    if (row > 160) cells.push([200, row]);
  }
  for (let n = 0; n < 120; n++) {
    cells.push([Math.floor(ROOM.cols * random()), Math.floor(ROOM.rows * random())]);
  }
  return cells;
}

/** Fastest of `runs`, in milliseconds. */
function fastest(runs: number, work: () => void): number {
  let best = Number.POSITIVE_INFINITY;
  for (let run = 0; run < runs; run++) {
    const start = performance.now();
    work();
    best = Math.min(best, performance.now() - start);
  }
  return best;
}

const row = (what: string, ...columns: (number | string)[]) =>
  console.log(
    `${what.padEnd(52)}${columns.map((c) => (typeof c === "number" ? c.toFixed(3) : c).padStart(12)).join("")}`,
  );

export const main = programOf({
  name: "clearance",
  usage: "",
  about:
    "Speed of the distance field: incremental updates of a map, frame by frame, against recomputing all of it.",
  options: {},
  run: ({ positionals }) => {
    noneExpected(positionals);
    measure();
    return 0;
  },
});

function measure(): void {
  const plan = floorPlan();
  const field = new ClearanceField(SIZE, LIMIT);
  const fill = (target: ClearanceField) => {
    for (const [col, r] of plan) target.set(col, r, true);
  };
  fill(field);
  field.update();
  row("18 x 14 m, limit 2 m", "ms", "tiles");
  const whole = fastest(30, () => {
    const fresh = new ClearanceField(SIZE, LIMIT);
    fill(fresh);
    fresh.update();
  });
  row("all of it from nothing", whole, String(field.tiles));
  // A person's two feet walk through the middle: each frame frees the old cells and blocks the new ones.
  const times: number[] = [];
  let tiles = 0;
  let step = 0;
  const feet = (at: number, blocked: boolean) => {
    for (let n = 0; n < 36; n++) {
      field.set(60 + (at % 240) + (n % 6), 140 + Math.floor(n / 6) + (n % 2) * 8, blocked);
    }
  };
  for (; step < 3000; step++) {
    const start = performance.now();
    if (step > 0) feet(step - 1, false);
    feet(step, true);
    field.update();
    times.push(performance.now() - start);
    field.takeChanged(() => tiles++);
  }
  times.sort((a, b) => a - b);
  const median = times[times.length >> 1]!;
  row("someone walks 5 cm: 36 cells move, median", median, (tiles / step).toFixed(1));
  row("the same, 99th percentile", times[Math.floor(0.99 * times.length)]!);
  row("from nothing / walking", `${(whole / median).toFixed(1)} x`);
  let sum = 0;
  const looks = fastest(20, () => {
    for (let n = 0; n < 100_000; n++) sum += field.at(n % ROOM.cols, n % ROOM.rows) < 0.5 ? 1 : 0;
  });
  row("one look (nanoseconds)", looks * 10, sum > 0 ? "" : "none near");
}
