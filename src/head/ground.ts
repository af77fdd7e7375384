import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { planarOf } from "../geometry/rigid.ts";
import { FootingLayer, type IsBlocked } from "../guard/footing.ts";
import type { GlanceFrame } from "../guard/glance-frame.ts";
import type { Guard } from "../guard/guard.ts";
import { StartTrust } from "../guard/start-trust.ts";
import { LocalFrame, type MotionKnown, type Planar } from "./local-frame.ts";
import type { Placed } from "./tracking.ts";

/**
 * Metres of doubt after which firm ground that was seen before is given up: eight metres by the wheels. Until then drops that were seen
 * with it creep. And seconds within which floor must have been touched to stay where a drop creeps to. Chosen by hand.
 */
const GIVEN_UP_AFTER = 0.25;
const JUST_TOUCHED = 0.15;
/** Seconds without a view of the floor after which the base may have been lifted. Chosen by hand: quicker than a person lifts it. */
const LONGEST_BLANK = 0.25;
/** Share of returns below which an image is no view of the floor, while the base stands: stray light under a cover gives 3 %. */
const FEWEST_RETURNS = 0.05;
/** Metres beyond which drops, too, belong to another place. Chosen by hand. */
const ELSEWHERE = 0.5;
/** Metres by which depth and wheels may come apart: the margin, and the error of a wheel on a rug. Chosen by hand. */
const MOST_APART = 0.15;
/** Metres of way from which on the base is not standing. */
const MOVED = 0.02;

/**
 * The ground, remembered twice: near the base, for the guard, in a frame that moves with the base and never jumps; and in the world, for
 * the map and pictures, from places that are sure.
 */
export class Ground {
  readonly #local = new LocalFrame();
  readonly #world: FootingLayer;
  readonly #worldTrust = new StartTrust();
  /** Since when there has been no view of the floor, microseconds, and where the base was then; null while there is one. */
  #blank: { readonly since: number; readonly at: Planar; isToldOf: boolean } | null = null;

  /** @param cellSize metres */
  constructor(cellSize: number) {
    this.#world = new FootingLayer(cellSize, { keepsLevels: true });
  }

  /** In the world. */
  get footing(): FootingLayer {
    return this.#world;
  }

  /** Where the base is in its own frame, and how that frame lies in the world. */
  get local(): LocalFrame {
    return this.#local;
  }

  /** Notes whether a judged frame is a view of the floor: after a while without one the base may stand on other ground. */
  watch(guard: Guard, { sight, returns }: GlanceFrame, time: number): void {
    const isCovered = sight === "blind" || sight === "covered";
    if (!isCovered && returns >= FEWEST_RETURNS) {
      this.#blank = null;
      return;
    }
    const at = this.#local.at(time);
    this.#blank ??= { since: time, at, isToldOf: false };
    const blank = this.#blank;
    // A base that drives onto a black mat sees as little, but it drives.
    const hasMoved = Math.abs(at.x - blank.at.x) + Math.abs(at.y - blank.at.y) > MOVED;
    if (blank.isToldOf || time - blank.since < 1e6 * LONGEST_BLANK || (hasMoved && !isCovered)) return;
    blank.isToldOf = true;
    guard.giveUpFirm();
  }

  /** Brings the frame of the base up to a frame's time. @param isGiven whether poses are given, and not tracked */
  advance(guard: Guard, motion: MotionKnown, isGiven: boolean): void {
    const local = this.#local;
    const place = local.advance(motion, isGiven);
    // Depth sees the base go while its wheels stand, or the other way round: it was lifted, or slips. Memory lies elsewhere then.
    if (local.apart > MOST_APART) {
      local.settle();
      guard.giveUpFirm();
    }
    const { cellSize } = this.#world;
    guard.age({
      at: place,
      firmSince: local.sureSince(GIVEN_UP_AFTER),
      step: Math.floor(local.doubt / cellSize),
      touchedSince: motion.time - 1e6 * JUST_TOUCHED,
    });
  }

  /**
   * Turns a question about the map's columns into one about cells of the base's own frame. The two lie askew to each other: a cell is blocked
   * when any of four places in it is.
   */
  blockedBy(isBlocked: IsBlocked): IsBlocked {
    const { cellSize } = this.#world;
    const { x, y, yaw } = this.#local.noteLie();
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    return (i, j) => {
      for (let n = 0; n < 4; n++) {
        const px = i + (n & 1 ? 0.75 : 0.25);
        const py = j + (n & 2 ? 0.75 : 0.25);
        const wi = Math.floor(cos * px - sin * py + x / cellSize);
        const wj = Math.floor(sin * px + cos * py + y / cellSize);
        if (isBlocked(wi, wj)) return true;
      }
      return false;
    };
  }

  /** Remembers a judged frame near the base. */
  remember(guard: Guard, sensor: string, judged: GlanceFrame, time: number): void {
    guard.remember(sensor, judged, time, { ...this.#local.at(time), floor: 0 });
  }

  /** Remembers a judged frame in the world. */
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
    this.#worldTrust.trust(footing, judged, time, at, guard.limits.radius, startTrust);
    footing.add(judged, time, x, y, yaw, floorHeight);
  }

  /** The world's frame was corrected: every place p lies at R(yaw) p + (x, y) from now on. */
  moveWorld(x: number, y: number, yaw: number): void {
    this.#world.move(x, y, yaw);
    this.#worldTrust.move(x, y, yaw);
  }

  /** Found again where the base was not expected: what lies near it is not known. @param before where it was taken to be, in the world */
  findAgain(guard: Guard, before: Planar): void {
    const now = this.#local.toWorld(this.#local.place);
    if (hypot2(now.x - before.x, now.y - before.y) > ELSEWHERE) guard.forget();
    else guard.giveUpFirm();
    this.#local.settle();
  }

  forgetWorld(): void {
    this.#world.clear();
    this.#worldTrust.forget();
  }
}
