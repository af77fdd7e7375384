import { planarOf } from "../../../src/geometry/rigid.ts";
import { radiusOf } from "../../../src/guard/body.ts";
import { type Command, Follower } from "../../../src/way/follower.ts";
import type { Piece, Stand } from "../../../src/way/pieces.ts";
import type { Answer, PlacedQuestion } from "../../../src/wire/messages.ts";
import type { Base } from "./base.ts";
import type { ClockedHead } from "./clocked-head.ts";
import type { Permit } from "./obedience.ts";
import type { Rig } from "./rig.ts";

type WayAnswer = Extract<Answer, { about: "way" }>;

/** Seconds between two questions for a way while the base has none, or waits. */
const ASK_EVERY = 0.5;
/** Prices of floor that was not seen, or that is doubtful, for a base that seeks a goal in a home unknown at the start. */
export const PRICES = { unseen: 3, doubtful: 10 };
/** Margins that are tried, metres: obstacles in the guard's own memory lie up to a cell elsewhere than in the map. */
const MARGINS = [0.06, 0.04];
/** Most places of turns that are avoided. */
const MOST_BARRED = 32;
/** Seconds of counted motion that are kept, for places that come late. */
const KEPT = 2;

/** Where to go, in the head's world: metres, and radians where the heading matters; and prices of floor that is not firm. */
export interface SeekerGoal {
  readonly to: readonly [number, number];
  readonly heading?: number;
  readonly unseen?: number;
  readonly doubtful?: number;
}

/** A place of the scenario in the head's world, which begins at the base's start. */
export function inHeadsWorld({ at }: Rig, [x, y]: readonly [number, number]): readonly [number, number] {
  const [dx, dy] = [x - at.x, y - at.y];
  const [cos, sin] = [Math.cos(at.yaw), Math.sin(at.yaw)];
  return [cos * dx + sin * dy, cos * dy - sin * dx];
}

/** A base that asks its head for the way to a goal and follows it. It knows the head's answers, its pace and its own wheels. */
export class Seeker {
  readonly #head: ClockedHead;
  readonly #rig: Rig;
  readonly #goal: SeekerGoal;
  #follower: Follower | null = null;
  #asked = Number.NEGATIVE_INFINITY;
  /** Places where the pace did not permit a turn that a way needed; the newest last. */
  #barred: readonly (readonly [number, number])[] = [];
  #counted: { readonly time: number; readonly x: number; readonly y: number; readonly yaw: number }[] = [];
  /** Since when it has not moved, seconds. */
  idleSince = 0;
  /** The last answer, ways found, and whether it is there. */
  last: WayAnswer | null = null;
  ways = 0;
  hasArrived = false;

  constructor(head: ClockedHead, rig: Rig, goal: SeekerGoal) {
    this.#head = head;
    this.#rig = rig;
    this.#goal = goal;
  }

  /** The present command. It is asked for more often than twenty times a second, so that a new pace is obeyed at once. */
  next(base: Base, permit: Permit, time: number): Command {
    if (Math.abs(base.speed) > 0.005) this.idleSince = time;
    this.#counted.push({ time, ...base.counted });
    while (this.#counted[0]!.time < time - KEPT) this.#counted.shift();
    const brake = { curvature: base.curvature, speed: 0 };
    const at = this.#placeNow();
    if (at === null || this.hasArrived) return brake;
    const state = this.#follower?.state ?? "off";
    // A turn waits until it is blocked: only then is its place known as one to avoid.
    const isStuck = state !== "drives" && !(state === "waits" && this.#follower!.isTurning);
    if (isStuck && time - this.#asked > ASK_EVERY && Math.abs(base.speed) < 0.01) this.#ask(time);
    if (this.#follower === null) return brake;
    const { speed, curvature } = base;
    const command = this.#follower.tick({ now: 1e6 * time, at, speed, curvature, permit });
    this.hasArrived = this.#follower.state === "arrived";
    return command;
  }

  #ask(time: number): void {
    this.#asked = time;
    const turn = this.#follower?.blockedTurn ?? null;
    if (turn !== null) this.#barred = [...this.#barred, turn].slice(-MOST_BARRED);
    for (const margin of MARGINS) {
      const question: PlacedQuestion = {
        about: "way",
        ...this.#goal,
        frame: "world",
        margin,
        noTurn: this.#barred,
      };
      const answer = this.#head.ask(question);
      if (answer?.about === "way") this.last = answer;
      if (this.last?.way != null) break;
    }
    const way = this.last?.way ?? null;
    if (way === null) return;
    this.ways++;
    const { settings, build } = this.#rig;
    this.#follower = new Follower(way.pieces.map(pieceOf), {
      topSpeed: settings["guard.topSpeed"],
      topTurn: settings["guard.topTurn"],
      deceleration: build.deceleration,
      delay: settings["body.reactionDelay"],
      radius: radiusOf(build.footprint),
    });
  }

  /** The head's newest place, moved on by what the wheels have counted since. */
  #placeNow(): Stand | null {
    const { place } = this.#head;
    const then = this.#counted.find(({ time }) => time >= (place?.time ?? 0) / 1e6);
    const now = this.#counted.at(-1);
    if (place === null || then === undefined || now === undefined) return null;
    const [x, y, yaw] = planarOf(place.worldFromBase);
    const [dx, dy] = [now.x - then.x, now.y - then.y];
    const turn = yaw - then.yaw;
    const [cos, sin] = [Math.cos(turn), Math.sin(turn)];
    return { x: x + cos * dx - sin * dy, y: y + sin * dx + cos * dy, yaw: now.yaw + turn };
  }
}

const pieceOf = ({ from, curvature, length }: NonNullable<WayAnswer["way"]>["pieces"][number]): Piece => ({
  x: from[0],
  y: from[1],
  yaw: from[2],
  curvature: curvature ?? Number.POSITIVE_INFINITY,
  length,
});
