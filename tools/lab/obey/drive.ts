import type { SensedFrame } from "../../../src/service/sensing/sensing-messages.ts";
import { END, END_NAMES } from "../../../src/terms/safety.ts";
import { Base, type Command, type Contact, type Fall } from "./base.ts";
import { BoardInLoop } from "./board-in-loop.ts";
import { ClockedHead } from "./clocked-head.ts";
import type { Fault, Knobs } from "./knobs.ts";
import { Obedience, type Permit, type Reach } from "./obedience.ts";
import { type Rig, rigOf } from "./rig.ts";
import { type Sensed, Senses } from "./senses.ts";
import { Wander } from "./wander.ts";

/** Seconds of one tick of the drive. */
export const TICK = 0.005;
/** Ticks between two entries of the trail. */
export const TRAIL_EVERY = 10;
/** Seconds that a head takes to restart. */
const RESTART = 1.5;
/** Slow-down factor of a starved head: a quarter of a core. */
const STARVED = 4;
/** A drive ends after this many seconds without motion, when no fault is active. */
const IDLE = 5;

/** A moment of a drive, for an observer. */
export interface Moment {
  readonly time: number;
  readonly base: Base;
  readonly newest: Reach | null;
  readonly fault: Fault;
}

export interface Outcome {
  readonly fall: Fall | null;
  readonly contacts: readonly Contact[];
  /** Seconds driven, and metres. */
  readonly time: number;
  readonly way: number;
  readonly frames: number;
  /** Milliseconds of this machine for the head, and for all. */
  readonly headCost: number;
  readonly cost: number;
  /** The last limit, for a fall: state, pace and end of the way. */
  readonly last: string;
  /** Trail of the last seconds, twenty entries a second: time, x, y, yaw, speed, curvature. */
  readonly trail: readonly (readonly number[])[];
}

/** The faults at a time, by the knobs. */
export function faultAt(knobs: Knobs, time: number): Fault {
  const fault = knobs.fault as Fault;
  const from = Number(knobs["fault.at"]);
  if (time < from) return "none";
  const lasts =
    fault === "head frozen" || fault === "head starved"
      ? Number(knobs["fault.for"])
      : Number.POSITIVE_INFINITY;
  return time < from + lasts ? fault : "none";
}

const describe = (reach: Reach | null): string => {
  if (reach === null) return "nothing was heard";
  const { state, age, source, pace } = reach;
  const speeds =
    pace === null
      ? "no pace"
      : `pace ${pace.forward.toFixed(2)} m/s ahead, ${pace.backward.toFixed(2)} back, room ${pace.roomMm} mm to ${END_NAMES[pace.limit?.cause ?? END.open]}`;
  return `${state}, from ${source}, age ${Math.round(age / 1000)} ms, ${speeds}`;
};

/** Decides where the base goes. */
export interface Driver {
  /** Since when the base has not moved, seconds. */
  readonly idleSince: number;
  next(base: Base, permit: Permit, time: number): Command;
}

/** Options of a drive beside its knobs. */
export interface DriveOptions {
  /** Observer, called at each tick. */
  readonly watch?: (moment: Moment) => void;
  /** Every reach that came to the base, and when, microseconds of the head's clock. */
  readonly hear?: (reach: Reach, now: number) => void;
  /** Every frame that the head has processed. */
  readonly see?: (frame: SensedFrame) => void;
  /** A place and a base that replace those of the knobs. */
  readonly rig?: Rig;
  /** Asked after each tick: whether the drive is over. */
  readonly isOver?: () => boolean;
  /** Opens what decides where the base goes, instead of wandering by the knobs. */
  readonly openDriver?: (head: ClockedHead, rig: Rig) => Driver;
}

/** Runs one drive at full speed. The same knobs give the same outcome. */
export function drive(knobs: Knobs, options: DriveOptions = {}): Outcome {
  const { watch, hear, see, rig = rigOf(knobs), openDriver, isOver = () => false } = options;
  const begun = performance.now();
  const { settings, still, slippery, at, build } = rig;
  const seed = Number(knobs.seed);
  const base = new Base(build, still, { at, slippery, seed });
  const senses = new Senses(rig, base);
  const obedience = new Obedience(1e6 * settings["body.reactionDelay"]);
  const heard: { readonly reach: Reach; readonly at: number }[] = [];
  const board = knobs.obeys === "board" ? new BoardInLoop(build) : null;
  const head = new ClockedHead(rig, (reach, when) => heard.push({ reach, at: when }), see, board);
  const wander =
    openDriver?.(head, rig) ??
    new Wander(seed, String(knobs.wander), settings["guard.topSpeed"], settings["guard.topTurn"]);
  const underway: Sensed[] = [];
  const trail: number[][] = [];
  const seconds = Number(knobs.seconds);
  let fault: Fault = "none";
  let newest: Reach | null = null;
  let tick = 0;
  for (; tick * TICK < seconds && base.fall === null; tick++) {
    const time = tick * TICK;
    const now = Math.round(1e6 * time);
    fault = faultAt(knobs, time);
    for (const sensed of senses.tick(time, TICK, fault)) {
      const place = underway.findLastIndex(({ arrives }) => arrives <= sensed.arrives);
      underway.splice(place + 1, 0, sensed);
    }
    misbehave(head, fault, { since: time - Number(knobs["fault.at"]), now });
    while (underway[0] !== undefined && underway[0].arrives <= time)
      head.deliver(underway.shift()!.event, now);
    head.run(now);
    while (heard[0] !== undefined && heard[0].at <= now) {
      const { reach, at: when } = heard.shift()!;
      obedience.hear(reach, when);
      hear?.(reach, when);
      newest = reach;
    }
    const wish = wander.next(base, obedience.permit(now), time);
    const command = board?.drive(wish, base, !head.isDead && !head.isFrozen, now) ?? wish;
    base.step(command, time, TICK);
    watch?.({ time, base, newest, fault });
    if (tick % TRAIL_EVERY === 0) {
      trail.push([time, base.x, base.y, base.yaw, base.speed, base.curvature]);
      if (trail.length > 100) trail.shift();
    }
    if (isOver()) break;
    const mayRecover = fault === "head frozen" || fault === "head starved" || fault === "head restarts";
    if (time - wander.idleSince > IDLE && !mayRecover && time > Math.min(seconds, Number(knobs["fault.at"])))
      break;
  }
  board?.end();
  return outcomeOf({
    base,
    time: tick * TICK,
    newest,
    trail,
    frames: head.frames,
    headCost: head.spent,
    begun,
  });
}

/** Report of a drive that is over. */
export function outcomeOf(over: {
  readonly base: Base;
  readonly time: number;
  readonly newest: Reach | null;
  readonly trail: readonly (readonly number[])[];
  readonly frames: number;
  readonly headCost: number;
  /** By this machine's clock, milliseconds. */
  readonly begun: number;
}): Outcome {
  const { base, time, newest, trail, frames, headCost, begun } = over;
  return {
    fall: base.fall,
    contacts: base.contacts,
    time,
    way: base.way,
    frames,
    headCost,
    cost: performance.now() - begun,
    last: describe(newest),
    trail,
  };
}

/** Faults of the head itself. @param since seconds since the fault began, and `now` in microseconds of the head's clock */
function misbehave(head: ClockedHead, fault: Fault, { since, now }: { since: number; now: number }): void {
  head.slowness = fault === "head starved" ? STARVED : 1;
  head.isFrozen = fault === "head frozen";
  if (fault === "head killed") head.isDead = true;
  if (fault !== "head restarts") return;
  if (since < RESTART) head.isDead = true;
  else if (head.isDead) head.restart(now);
}
