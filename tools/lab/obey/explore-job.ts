import { ReachableGround } from "../../../src/simulate/home.ts";
import { Outline } from "../../../src/way/outline.ts";
import type { Fall } from "./base.ts";
import type { ClockedHead } from "./clocked-head.ts";
import { drive } from "./drive.ts";
import { Explorer } from "./explorer.ts";
import { type HomeJob, knobsOf } from "./home-drive.ts";
import { argumentsOf } from "./knobs.ts";
import { type Rig, rigOf } from "./rig.ts";
import { inHeadsWorld } from "./seeker.ts";

/** Metres: the body must be this far from edges and obstacles, besides its inner radius: the margin of ways, and a cell. */
const KEPT = 0.09;
/** m/s: slower contacts do no harm. */
const HARD = 0.1;

export type ExploreJob = HomeJob;

/** What happened in one home; plain data, to cross threads. */
export interface ExploreRow {
  readonly home: number;
  readonly fall: Fall | null;
  /** Seconds, metres, and contacts faster than `HARD`. */
  readonly time: number;
  readonly way: number;
  readonly contacts: number;
  readonly looks: number;
  /** Seconds until nothing was left to see, and until the base was back; NaN before. */
  readonly finished: number;
  readonly returned: number;
  /** Metres from the start at the end. */
  readonly back: number;
  /** Square metres of floor that this body can stand over, by the scene; and the share of it that the head has mapped as floor. */
  readonly area: number;
  readonly mapped: number;
  /** Square metres that the head itself still calls unseen. */
  readonly unseen: number;
  readonly again: string;
}

/** Places of the floor over which the body can stand, joined to its start, by the scene itself. */
function standable({ still, at, build }: Rig): (readonly [number, number])[] {
  const ground = new ReachableGround(still, [at.x, at.y]);
  const room = new Outline(build.footprint).inner + KEPT;
  const cells = [...ground.cells()].filter(({ toBlocked, toGone }) => Math.min(toBlocked, toGone) > room);
  const keyOf = (x: number, y: number): string => `${Math.round(x / 0.05)} ${Math.round(y / 0.05)}`;
  const free = new Map(cells.map((cell) => [keyOf(cell.x, cell.y), cell]));
  let first: (typeof cells)[number] | null = null;
  let least = Number.POSITIVE_INFINITY;
  for (const cell of cells) {
    const far = Math.hypot(cell.x - at.x, cell.y - at.y);
    if (far < least) [least, first] = [far, cell];
  }
  if (first === null) return [];
  const reached = [first];
  free.delete(keyOf(first.x, first.y));
  for (let n = 0; n < reached.length; n++) {
    const { x, y } = reached[n]!;
    for (const [dx, dy] of [
      [0.05, 0],
      [-0.05, 0],
      [0, 0.05],
      [0, -0.05],
    ] as const) {
      const key = keyOf(x + dx, y + dy);
      const next = free.get(key);
      if (next === undefined) continue;
      free.delete(key);
      reached.push(next);
    }
  }
  return reached.map(({ x, y }) => [x, y] as const);
}

/** In a worker. */
export function runJob(job: ExploreJob): ExploreRow {
  const knobs = knobsOf(job);
  const rig = rigOf(knobs);
  let explorer: Explorer | null = null;
  let head: ClockedHead | null = null;
  let back = Number.NaN;
  const { fall, time, way, contacts } = drive(knobs, {
    rig,
    openDriver: (opened, own) => {
      head = opened;
      explorer = new Explorer(opened, own);
      return explorer;
    },
    watch: ({ base }) => {
      back = Math.hypot(base.x - rig.at.x, base.y - rig.at.y);
    },
    isOver: () => explorer !== null && !Number.isNaN(explorer.returned),
  });
  const { looks, last, finished, returned } = explorer!;
  const floor = standable(rig);
  let known = 0;
  for (const place of floor) {
    const answer = head!.ask({ about: "footing", point: inHeadsWorld(rig, place), frame: "world" });
    if (answer?.about === "footing" && answer.height !== null) known++;
  }
  return {
    home: job.home,
    fall,
    time,
    way,
    contacts: contacts.filter(({ speed }) => speed > HARD).length,
    looks,
    finished,
    returned,
    back,
    area: floor.length * 0.05 * 0.05,
    mapped: known / Math.max(1, floor.length),
    unseen: last?.unseen ?? Number.NaN,
    again: argumentsOf(knobs),
  };
}
