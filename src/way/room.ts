import { atan2Of, cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { MOST_PRICE } from "../terms/ways.ts";
import { CellSum } from "./cell-sum.ts";
import { FAR, priceOf, type WayGround } from "./ground.ts";
import type { Outline } from "./outline.ts";
import { isSpot, type Piece, type Stand, standAfter } from "./pieces.ts";

/**
 * The margin with what may be lost between two tests that are a step apart: where two corners pass each other at the margin m, the nearest test is
 * half a step off, so that they come nearer by up to s^2 / (8 m) than tested. Metres.
 */
export const keptMargin = (margin: number, step: number): number =>
  margin + Math.min(step / 2, (step * step) / (8 * margin));

/** Metres around a place where a turn on the spot was not permitted within which none is tried again. Chosen by hand: half a usual body. */
const BARRED = 0.15;
/** Radians: smaller turns are none. */
const NO_TURN = 1e-3;

/** Half a diagonal of a cell, in cells. */
const HALF_DIAGONAL = 0.7072;

/**
 * Where an outline has room. Cells that end the ground count as whole squares, and the outline as grown by the margin. Its grown corners are
 * pointed, not round: at a right-angled corner up to 0.41 margins too much.
 */
export class Room {
  readonly ground: WayGround;
  readonly outline: Outline;
  /** Metres kept between the outline and what ends the ground. */
  readonly margin: number;
  /** Metres between two tests. */
  readonly step: number;
  readonly #kept: number;
  readonly #sum: CellSum;
  /** Places where the base was not permitted to turn on the spot, though the ground has room for it. */
  barred: readonly (readonly [x: number, y: number])[] = [];

  constructor(ground: WayGround, outline: Outline, margin: number) {
    this.ground = ground;
    this.outline = outline;
    this.margin = margin;
    this.step = ground.cellSize / 2;
    this.#kept = keptMargin(margin, this.step);
    this.#sum = new CellSum(outline, ground.cellSize);
  }

  /** Metres from the floor point to what ends the ground, less than which no heading has room, and from which on each has. */
  get least(): number {
    return this.outline.inner + this.margin;
  }
  get ample(): number {
    return this.outline.outer + this.#kept;
  }

  /** Metres around a place that are surely free; the field's limit where nothing is near. */
  freeRadius(x: number, y: number): number {
    const { ground } = this;
    const { cellSize } = ground;
    const c = Math.floor(x / cellSize);
    const r = Math.floor(y / cellSize);
    const n = (r - ground.row) * ground.cols + c - ground.col;
    if (ground.cellAt(x, y) < 0) return 0;
    const squared = ground.squared[n]!;
    const cells = squared === FAR ? ground.limit / cellSize : Math.sqrt(squared);
    return (cells - HALF_DIAGONAL) * cellSize - hypot2(x - (c + 0.5) * cellSize, y - (r + 0.5) * cellSize);
  }

  /**
   * The least distance from the outline to what ends the ground, metres, if it is less than `most`; negative inside. By the sides, so never
   * more than the true distance.
   */
  #nearest(x: number, y: number, most: number, enough: number): number {
    const { ground } = this;
    const { cellSize, squared, cols } = ground;
    const { normalX, normalY, support, minX, maxX, minY, maxY } = this.#sum;
    const firstC = Math.ceil((x + minX - most) / cellSize - 0.5) - ground.col;
    const lastC = Math.floor((x + maxX + most) / cellSize - 0.5) - ground.col;
    const firstR = Math.ceil((y + minY - most) / cellSize - 0.5) - ground.row;
    const lastR = Math.floor((y + maxY + most) / cellSize - 0.5) - ground.row;
    if (firstC < 0 || firstR < 0 || lastC >= cols || lastR >= ground.rows) return Number.NEGATIVE_INFINITY;
    const sides = support.length;
    let least = most;
    for (let r = firstR; r <= lastR; r++) {
      const dy = (ground.row + r + 0.5) * cellSize - y;
      for (let n = r * cols + firstC; n <= r * cols + lastC; n++) {
        if (squared[n] !== 0) continue;
        const dx = (ground.col + (n - r * cols) + 0.5) * cellSize - x;
        let apart = Number.NEGATIVE_INFINITY;
        for (let k = 0; k < sides && apart < least; k++) {
          const side = normalX[k]! * dx + normalY[k]! * dy - support[k]!;
          if (side > apart) apart = side;
        }
        if (apart < least) {
          least = apart;
          if (least < enough) return least;
        }
      }
    }
    return least;
  }

  #isFreeHere(x: number, y: number): boolean {
    return this.#nearest(x, y, this.#kept, this.#kept) >= this.#kept;
  }

  /** Whether the outline has room at a place. */
  isFree({ x, y, yaw }: Stand): boolean {
    if (this.freeRadius(x, y) >= this.ample) return true;
    this.#sum.turnTo(yaw);
    return this.#isFreeHere(x, y);
  }

  /** Metres between the outline and what ends the ground, up to `most`. */
  roomAt({ x, y, yaw }: Stand, most: number): number {
    if (this.freeRadius(x, y) >= this.outline.outer + most) return most;
    this.#sum.turnTo(yaw);
    return this.#nearest(x, y, most, Number.NEGATIVE_INFINITY);
  }

  /** Whether a straight drive from a to b is free, with the front or the rear (`yaw` turned by half a turn) ahead. */
  isLineFree(ax: number, ay: number, bx: number, by: number, isBackward = false): boolean {
    const length = hypot2(bx - ax, by - ay);
    if (length === 0) return true;
    const ux = (bx - ax) / length;
    const uy = (by - ay) / length;
    const { ample } = this;
    let isHeaded = false;
    for (let s = 0; ; ) {
      const x = ax + s * ux;
      const y = ay + s * uy;
      const spare = this.freeRadius(x, y) - ample;
      if (spare < 0) {
        if (!isHeaded) {
          this.#sum.turnTo(isBackward ? atan2Of(-uy, -ux) : atan2Of(uy, ux));
          isHeaded = true;
        }
        if (!this.#isFreeHere(x, y)) return false;
      }
      if (s >= length) return true;
      s = Math.min(length, s + Math.max(this.step, spare));
    }
  }

  /** Price of a straight line: metres, each times the price of the floor under it. */
  priceOfLine(ax: number, ay: number, bx: number, by: number): number {
    const { ground } = this;
    const length = hypot2(bx - ax, by - ay);
    if (!ground.isPriced) return length;
    const count = Math.max(1, Math.ceil(length / this.step));
    let sum = 0;
    for (let n = 0; n < count; n++) {
      const share = (n + 0.5) / count;
      const cell = ground.cellAt(ax + share * (bx - ax), ay + share * (by - ay));
      sum += cell < 0 ? MOST_PRICE : priceOf(ground.footing[cell]!, ground);
    }
    return (sum * length) / count;
  }

  /** Whether a place is one where the base was not permitted to turn. */
  isBarred(x: number, y: number): boolean {
    return this.barred.some(([bx, by]) => hypot2(x - bx, y - by) < BARRED);
  }

  /** Whether a piece is free from its start to its end. */
  isPieceFree(piece: Piece): boolean {
    const { x, y, curvature, length } = piece;
    if (curvature === 0) {
      const to = standAfter(piece, length);
      return this.isLineFree(x, y, to.x, to.y, length < 0);
    }
    const onSpot = isSpot(piece);
    const { ample } = this;
    if (onSpot && Math.abs(length) > NO_TURN && this.isBarred(x, y)) return false;
    if (onSpot && this.freeRadius(x, y) >= ample) return true;
    // The farthest corner moves by no more than this per unit of the piece.
    const { outer } = this.outline;
    const lever = onSpot ? outer : 1 + outer * Math.abs(curvature);
    const most = Math.abs(length);
    for (let s = 0; ; ) {
      const at = standAfter(piece, length < 0 ? -s : s);
      const spare = onSpot ? -1 : this.freeRadius(at.x, at.y) - ample;
      if (spare < 0) {
        this.#sum.turnTo(at.yaw);
        if (!this.#isFreeHere(at.x, at.y)) return false;
      }
      if (s >= most) return true;
      s = Math.min(most, s + Math.max(this.step / lever, spare));
    }
  }

  /**
   * Width of the free ground across a heading, metres, measured on both sides up to `most`.
   * @returns Infinity where one side is open
   */
  across({ x, y, yaw }: Stand, most: number): number {
    const left = this.ray(x, y, yaw + Math.PI / 2, most);
    const right = this.ray(x, y, yaw - Math.PI / 2, most);
    return left >= most || right >= most ? Number.POSITIVE_INFINITY : left + right;
  }

  /** Metres from a place along a heading to the first cell that ends the ground, up to `most`. Source: Amanatides & Woo 1987. */
  ray(x: number, y: number, yaw: number, most: number): number {
    const { ground } = this;
    const { cellSize, squared, cols } = ground;
    const ux = cosOf(yaw);
    const uy = sinOf(yaw);
    let c = Math.floor(x / cellSize);
    let r = Math.floor(y / cellSize);
    const stepC = ux > 0 ? 1 : -1;
    const stepR = uy > 0 ? 1 : -1;
    const perC = cellSize / Math.abs(ux);
    const perR = cellSize / Math.abs(uy);
    let nextC = ((ux > 0 ? c + 1 : c) * cellSize - x) / ux;
    let nextR = ((uy > 0 ? r + 1 : r) * cellSize - y) / uy;
    if (Math.abs(ux) < 1e-12) nextC = Number.POSITIVE_INFINITY;
    if (Math.abs(uy) < 1e-12) nextR = Number.POSITIVE_INFINITY;
    for (let s = 0; s < most; ) {
      const n = (r - ground.row) * cols + c - ground.col;
      const isInside = c >= ground.col && c < ground.col + cols && squared[n] !== undefined;
      if (!isInside || squared[n] === 0) return s;
      if (nextC < nextR) {
        s = nextC;
        nextC += perC;
        c += stepC;
      } else {
        s = nextR;
        nextR += perR;
        r += stepR;
      }
    }
    return most;
  }
}
