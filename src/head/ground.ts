import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { planarOf } from "../geometry/rigid.ts";
import { FootingLayer, type IsBlocked, type KeptOutBy } from "../guard/footing.ts";
import type { GlanceFrame } from "../guard/glance-frame.ts";
import type { Guard } from "../guard/guard.ts";
import { StartTrust } from "../guard/start-trust.ts";
import { LocalFrame, type MotionKnown, type Planar } from "./local-frame.ts";
import type { Placed } from "./tracking.ts";

/**
 * Metres of drift after which firm ground is forgotten: about eight metres of driving by the wheels. Until then drops are widened by the drift.
 * And seconds: floor that was touched this recently is not covered by a widened drop. Chosen by hand.
 */
const GIVEN_UP_AFTER = 0.25;
const JUST_TOUCHED = 0.15;
/** Seconds without a view of the floor after which the base may have been lifted. Chosen by hand: a person needs longer. */
const LONGEST_BLANK = 0.25;
/** Least share of returns in a view of the floor, while the base stands. Stray light under a cover gives 3 %. */
const FEWEST_RETURNS = 0.05;
/** Metres: after a larger correction the remembered drops belong to another place. Chosen by hand. */
const ELSEWHERE = 0.5;
/** Largest difference between depth and wheels, metres: the margin, and the error of a wheel on a rug. Chosen by hand. */
const MOST_APART = 0.15;
/** Metres: a base that went farther is not standing. */
const MOVED = 0.02;

/**
 * Two memories of the ground. One is near the base, for the guard, in the odometry frame, which never jumps. The other is in the world, for map
 * and pictures, and takes only frames with a certain pose.
 */
export class Ground {
  readonly #local = new LocalFrame();
  readonly #world: FootingLayer;
  readonly #worldTrust = new StartTrust();
  /** Since when there is no view of the floor, microseconds, and the base's pose then; null while there is one. */
  #blank: { readonly since: number; readonly at: Planar; isToldOf: boolean } | null = null;

  /** @param cellSize metres */
  constructor(cellSize: number) {
    this.#world = new FootingLayer(cellSize, { keepsLevels: true });
  }

  /** The memory in the world. */
  get footing(): FootingLayer {
    return this.#world;
  }

  /** The odometry frame. */
  get local(): LocalFrame {
    return this.#local;
  }

  /** Notes whether a judged frame shows the floor. After too long without a view the base may stand on other ground. */
  watch(guard: Guard, { sight, returns }: GlanceFrame, time: number): void {
    const isCovered = sight === "blind" || sight === "covered";
    if (!isCovered && returns >= FEWEST_RETURNS) {
      this.#blank = null;
      return;
    }
    const at = this.#local.at(time);
    this.#blank ??= { since: time, at, isToldOf: false };
    const blank = this.#blank;
    // A base that drives onto a black mat sees as little, but its wheels turn.
    const hasMoved = Math.abs(at.x - blank.at.x) + Math.abs(at.y - blank.at.y) > MOVED;
    if (blank.isToldOf || time - blank.since < 1e6 * LONGEST_BLANK || (hasMoved && !isCovered)) return;
    blank.isToldOf = true;
    guard.restart();
  }

  /** Moves the base in the odometry frame to the time of a frame. */
  advance(guard: Guard, motion: MotionKnown): void {
    const local = this.#local;
    const place = local.advance(motion);
    const touchedSince = motion.time - 1e6 * JUST_TOUCHED;
    // Depth and wheels show different motions: the base was lifted or slips, or depth is wrong, and the memory may be displaced.
    if (local.apart > MOST_APART) {
      if (local.wasCarried) guard.restart();
      else guard.displace(place, local.apartBy, touchedSince);
      local.settle();
    }
    const { cellSize } = this.#world;
    guard.age({
      at: place,
      firmSince: local.sureSince(GIVEN_UP_AFTER),
      step: Math.floor(local.doubt / cellSize),
      touchedSince,
    });
  }

  /**
   * Translates lookups of the map's blocked columns, and of areas, into cells of the odometry frame. The two grids are rotated against each
   * other: a cell counts as blocked if any of four points in it is.
   */
  fromMap(isBlocked: IsBlocked, keptOutBy: KeptOutBy): readonly [IsBlocked, KeptOutBy] {
    const { cellSize } = this.#world;
    const { x, y, yaw } = this.#local.noteLie();
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    /** The first answer of the four points that is not false or null. */
    const any =
      <T>(ask: (i: number, j: number) => T, none: T) =>
      (i: number, j: number) => {
        for (let n = 0; n < 4; n++) {
          const px = i + (n & 1 ? 0.75 : 0.25);
          const py = j + (n & 2 ? 0.75 : 0.25);
          const wi = Math.floor(cos * px - sin * py + x / cellSize);
          const wj = Math.floor(sin * px + cos * py + y / cellSize);
          const answer = ask(wi, wj);
          if (answer !== none) return answer;
        }
        return none;
      };
    return [any(isBlocked, false), any(keptOutBy, null)];
  }

  /** Adds a judged frame to the memory near the base. */
  remember(guard: Guard, sensor: string, judged: GlanceFrame, time: number): void {
    guard.remember(sensor, judged, time, { ...this.#local.at(time), floor: 0 });
  }

  /** Adds a judged frame to the memory in the world. */
  rememberWorld(
    guard: Guard,
    judged: GlanceFrame,
    time: number,
    { worldFromBase, floorHeight }: Placed,
  ): void {
    const [x, y, yaw] = planarOf(worldFromBase);
    const { memory, startTrust } = guard.settings;
    const footing = this.#world;
    footing.oldest = time - 1e6 * memory;
    const at = { x, y, yaw, floor: floorHeight };
    this.#worldTrust.trust({
      footing,
      frame: judged,
      time,
      at,
      radius: guard.limits.radius,
      most: startTrust,
    });
    footing.add(judged, time, at);
  }

  /** The world was corrected: transforms every remembered place p to R(yaw) p + (x, y). */
  moveWorld(x: number, y: number, yaw: number): void {
    this.#world.move(x, y, yaw);
    this.#worldTrust.move(x, y, yaw);
  }

  /**
   * This run takes place where an earlier one did: places p of this run are at R(yaw) p + (x, y) in its world.
   * @param saved the ground of the earlier run; must not be used again
   */
  join(saved: FootingLayer, x: number, y: number, yaw: number): void {
    this.moveWorld(x, y, yaw);
    this.#local.moveWorld(x, y, yaw);
    const own = this.forgetWorld();
    this.#world.swap(saved);
    this.#world.absorb(own);
  }

  /** The base was found again. If that is far from where it was assumed, the ground near it is unknown. @param before assumed pose, world */
  findAgain(guard: Guard, before: Planar): void {
    const now = this.#local.toWorld(this.#local.place);
    if (hypot2(now.x - before.x, now.y - before.y) > ELSEWHERE) guard.forget();
    else guard.restart();
    this.#local.settle();
  }

  /** @returns the ground in the world of before */
  forgetWorld(): FootingLayer {
    const before = new FootingLayer(this.#world.cellSize, { keepsLevels: true });
    this.#world.swap(before);
    this.#worldTrust.forget();
    return before;
  }

  /** Puts ground in the world that was forgotten in place of the present one. */
  restoreWorld(before: FootingLayer): void {
    this.#world.swap(before);
  }
}
