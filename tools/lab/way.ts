import { Dice } from "../../src/simulate/home/dice.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import type { WayGround } from "../../src/way/ground.ts";
import { Outline } from "../../src/way/outline.ts";
import { type Stand, standAfter } from "../../src/way/pieces.ts";
import type { Way } from "../../src/way/way.ts";
import { type Goal, USUAL_MARGIN, WayFinder } from "../../src/way/way-finder.ts";
import { WayKeeper } from "../../src/way/way-keeper.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { programOf } from "./program.ts";
import { BODIES } from "./way/bodies.ts";
import { cellsOf, drawFloorPlan, groundOf } from "./way/floor-plan.ts";

const CELL = 0.05;
const AREAS = [100, 1000];
/** Starts and goals are drawn where a circle of this radius has room, metres. */
const ROOMY = 0.3;
/** Each search is timed so many times, and the fastest counts. */
const REPEATS = 3;

export const main = programOf({
  name: "way",
  usage: "[options]",
  about:
    "Speed of searches for a way over drawn floors of 100 and 1,000 m2, first and after a change of the floor.",
  options: {
    plans: {
      type: "string",
      short: "n",
      value: "<n>",
      default: "10",
      help: "floors of each size (default 10)",
    },
    questions: {
      type: "string",
      short: "q",
      value: "<n>",
      default: "20",
      help: "questions on each floor (default 20)",
    },
    seed: { type: "string", value: "<n>", default: "1000", help: "seed of the first floor (default 1000)" },
  },
  run: ({ values, positionals }) => {
    noneExpected(positionals);
    const plans = wholeOption(values, "plans", 1, 10_000);
    const questions = wholeOption(values, "questions", 1, 10_000);
    const first = wholeOption(values, "seed", 0, 2 ** 31 - 1);
    console.log("Milliseconds of processor time: median and 99th percentile.");
    console.log(
      "m2    body       asked  found       way      p99   refused      p99    remade      p99   no way left  ground",
    );
    for (const area of AREAS) {
      for (const body of Object.keys(BODIES) as (keyof typeof BODIES)[]) {
        console.log(measure(area, body, { plans, questions, first }));
      }
    }
    return 0;
  },
});

interface Amount {
  readonly plans: number;
  readonly questions: number;
  readonly first: number;
}

function measure(area: number, body: keyof typeof BODIES, { plans, questions, first }: Amount): string {
  const outline = new Outline(BODIES[body]);
  const built: number[] = [];
  const ways: number[] = [];
  const refusals: number[] = [];
  const remade: number[] = [];
  const closed: number[] = [];
  for (let seed = first; seed < first + plans; seed++) {
    const floor = cellsOf(drawFloorPlan(seed, area), CELL);
    const [building, ground] = timed(() => groundOf(floor, outline.outer + 0.1));
    built.push(building);
    const finder = new WayFinder(ground, outline, USUAL_MARGIN);
    const dice = new Dice(seed, 5);
    const least = (ROOMY / CELL) ** 2;
    const cells = [...ground.squared.keys()].filter((cell) => ground.squared[cell]! >= least);
    for (let n = 0; n < questions; n++) {
      const [a, b] = [dice.pick(cells), dice.pick(cells)];
      const from = { x: ground.xOf(a), y: ground.yOf(a), yaw: dice.between(-Math.PI, Math.PI) };
      const to: Goal = { x: ground.xOf(b), y: ground.yOf(b), yaw: null };
      const [ms, { way }] = fastest(() => {
        finder.forget();
        return () => finder.find(from, to);
      });
      (way === null ? refusals : ways).push(ms);
      if (way === null) continue;
      const [again, isFound] = remake(finder, ground, { from, to, way });
      (isFound ? remade : closed).push(again);
    }
  }
  const at = (list: number[], share: number): string => {
    const sorted = list.toSorted((x, y) => x - y);
    return (sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? Number.NaN).toFixed(2);
  };
  const both = (list: number[]): string[] => [at(list, 0.5).padStart(9), at(list, 0.99).padStart(8)];
  return [
    String(area).padEnd(5),
    body.padEnd(10),
    String(ways.length + refusals.length).padStart(5),
    String(ways.length).padStart(6),
    ...[ways, refusals, remade].flatMap(both),
    at(closed, 0.5).padStart(13),
    at(built, 0.5).padStart(7),
  ].join(" ");
}

/** Milliseconds of processor time, and the result: other programs on the machine do not count. */
function timed<T>(work: () => T): [number, T] {
  const before = process.cpuUsage();
  const result = work();
  const { user, system } = process.cpuUsage(before);
  return [(user + system) / 1000, result];
}

/** The time of the fastest of several runs, and the last result. @param prepare makes ready and gives what is timed */
function fastest<T>(prepare: () => () => T): [number, T] {
  const runs = Array.from({ length: REPEATS }, () => timed(prepare()));
  return [Math.min(...runs.map(([ms]) => ms)), runs.at(-1)![1]];
}

/** Cells along a side of the thing that is set down on a way. */
const THING = 4;

/** Milliseconds until a way is found again after a thing of 20 x 20 cm was set down on its longest piece, and whether one is. */
function remake(
  finder: WayFinder,
  ground: WayGround,
  { from, to, way }: { from: Stand; to: Goal; way: Way },
): [number, boolean] {
  const piece = way.pieces.toSorted((a, b) => Math.abs(b.length) - Math.abs(a.length))[0];
  if (piece === undefined) return [0, true];
  const { x, y } = standAfter(piece, piece.length / 2);
  const cell = ground.cellAt(x, y);
  const put: number[] = [];
  for (let r = 0; r < THING; r++) for (let c = 0; c < THING; c++) put.push(cell + r * ground.cols + c);
  const firm = put.filter((one) => ground.footing[one] === FOOTING.firm);
  const setAll = (footing: number): void => {
    for (const one of firm)
      ground.set(ground.col + (one % ground.cols), ground.row + Math.floor(one / ground.cols), footing);
  };
  const [ms, answer] = fastest(() => {
    setAll(FOOTING.firm);
    ground.update();
    finder.forget();
    const keeper = new WayKeeper(finder);
    keeper.update(from, to);
    setAll(FOOTING.blocked);
    return () => {
      ground.update();
      return keeper.update(from, to);
    };
  });
  setAll(FOOTING.firm);
  ground.update();
  return [ms, answer.way !== null];
}
