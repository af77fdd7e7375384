import { Dice } from "../../../src/simulate/home/dice.ts";
import type { Base, Command } from "./base.ts";
import { type Permit, paceAlong } from "./obedience.ts";

type Mode = "ahead" | "back" | "turn";

interface Wish {
  readonly mode: Mode;
  /** 1/m; on the spot its sign is the direction. */
  readonly curvature: number;
  /** Share of the permitted speed. */
  readonly share: number;
  /** Length of the motion, metres or radians, and time limit, seconds. */
  readonly amount: number;
  readonly until: number;
  /** Metres of free way ahead below which it turns by itself; with 0 it drives on until the pace stops it. */
  readonly keep: number;
}

const CURVES = [0, 0, 0, 0.25, -0.25, 0.5, -0.5, 1, -1, 1.6, -1.6, 2, -2] as const;
/** Slower counts as standing: m/s, rad/s. */
const STILL = 0.01;
/** Seconds of standing after which the base chooses another motion. */
const PATIENCE = 0.4;

/**
 * Wanders: ahead in arcs until the pace stops it, then turns on the spot or goes back a little.
 * It knows its odometry and its permissions, and not the truth. It begins an arc only if it is permitted at
 * the present speed; until then it brakes along the present one.
 */
export class Wander {
  readonly #dice: Dice;
  /** Whether it keeps its first motion. */
  readonly #isConstant: boolean;
  readonly #topSpeed: number;
  readonly #topTurn: number;
  #wish: Wish;
  #from = { x: 0, y: 0, yaw: 0 };
  #stillSince = 0;
  /** Since when it has not moved, seconds. */
  idleSince = 0;

  constructor(seed: number, kind: string, topSpeed: number, topTurn: number) {
    this.#dice = new Dice(seed, 92);
    this.#isConstant = kind !== "random";
    this.#topSpeed = topSpeed;
    this.#topTurn = topTurn;
    const isSpot = kind === "spot";
    this.#wish = {
      mode: isSpot ? "turn" : "ahead",
      curvature: isSpot ? 1 : 0,
      share: 1,
      amount: Number.POSITIVE_INFINITY,
      until: 4,
      keep: 0,
    };
  }

  /** The present command. */
  next(base: Base, permit: Permit, time: number): Command {
    const moving = Math.abs(base.speed);
    if (moving > STILL) {
      this.#stillSince = time;
      this.idleSince = time;
    }
    if (!this.#isConstant && (this.#isOver(base, permit, time) || time - this.#stillSince > PATIENCE)) {
      this.#wish = this.#another(time);
      this.#from = { ...base.counted };
      this.#stillSince = time;
    }
    const { mode, curvature, share } = this.#wish;
    if (mode === "turn") {
      if (base.curvature !== Number.POSITIVE_INFINITY && moving > 0) return brakeAlong(base);
      const most = curvature > 0 ? permit.left : permit.right;
      return {
        curvature: Number.POSITIVE_INFINITY,
        speed: Math.sign(curvature) * Math.min(share * this.#topTurn, most),
      };
    }
    const isForward = mode === "ahead";
    const most = paceAlong(permit, curvature, isForward);
    const isSameWay = moving === 0 || base.speed > 0 === isForward;
    const fromSpot = base.curvature === Number.POSITIVE_INFINITY && moving > 0;
    const mayChange = !fromSpot && isSameWay && (base.curvature === curvature || most >= moving);
    if (!mayChange) return brakeAlong(base);
    const speed = Math.min(share * this.#topSpeed, most);
    return { curvature, speed: isForward ? speed : -speed };
  }

  #isOver({ counted }: Base, permit: Permit, time: number): boolean {
    const { mode, amount, until, keep } = this.#wish;
    if (time > until) return true;
    if (mode === "ahead" && permit.roomMm > 0 && permit.roomMm < 1000 * keep) return true;
    return mode === "turn"
      ? Math.abs(counted.yaw - this.#from.yaw) > amount
      : Math.hypot(counted.x - this.#from.x, counted.y - this.#from.y) > amount;
  }

  #another(time: number): Wish {
    const dice = this.#dice;
    const share = dice.chance(0.7) ? 1 : dice.between(0.3, 1);
    const wasAhead = this.#wish.mode === "ahead";
    if (wasAhead && dice.chance(0.75)) {
      const curvature = dice.chance(0.5) ? 1 : -1;
      return { mode: "turn", curvature, share, amount: dice.between(0.3, 3), until: time + 4, keep: 0 };
    }
    if (wasAhead && dice.chance(0.6)) {
      return {
        mode: "back",
        curvature: dice.pick(CURVES),
        share,
        amount: dice.between(0.2, 1),
        until: time + 4,
        keep: 0,
      };
    }
    const seconds = dice.between(1.5, 7);
    const keep = dice.chance(0.5) ? dice.between(0.35, 0.7) : 0;
    return {
      mode: "ahead",
      curvature: dice.pick(CURVES),
      share,
      amount: Number.POSITIVE_INFINITY,
      until: time + seconds,
      keep,
    };
  }
}

/** Stops on its present arc, or on the spot: that way was free when it was begun. */
const brakeAlong = ({ curvature }: Base): Command => ({ curvature, speed: 0 });
