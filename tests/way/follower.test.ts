import fc from "fast-check";
import { expect, test } from "vitest";
import { Dice } from "../../src/simulate/home/dice.ts";
import { Random } from "../../src/simulate/random.ts";
import { CURVATURES, STRAIGHT } from "../../src/terms/safety.ts";
import { type Command, Follower, PATIENCE } from "../../src/way/follower.ts";
import { Outline } from "../../src/way/outline.ts";
import type { Permit } from "../../src/way/permit.ts";
import { type Piece, type Stand, standAfter } from "../../src/way/pieces.ts";
import { WayFinder } from "../../src/way/way-finder.ts";
import { paceAlong } from "../../tools/lab/obey/obedience.ts";
import { BODIES } from "../../tools/lab/way/bodies.ts";
import { cellsOf, drawFloorPlan, groundOf } from "../../tools/lab/way/floor-plan.ts";
import { leastRoom } from "../helpers/way-truth.ts";

const DRIVING = { topSpeed: 0.5, topTurn: 1, deceleration: 0.7, delay: 0.15, radius: 0.3 };
const TICK = 0.05;

/** Evenly spread, in thousandths: doubles of the library are even over their exponents. */
const between = (min: number, max: number) =>
  fc.integer({ min: Math.round(1000 * min), max: Math.round(1000 * max) }).map((n) => n / 1000);
const speeds = between(-0.4, 2).map((v) => Math.max(0, v));
const arcs = fc.array(speeds, { minLength: CURVATURES.length, maxLength: CURVATURES.length });
const permits: fc.Arbitrary<Permit> = fc
  .record({ left: speeds, right: speeds, arcsForward: arcs, arcsBackward: arcs })
  .map((one) => ({ ...one, forward: one.arcsForward[STRAIGHT]!, backward: one.arcsBackward[STRAIGHT]! }));
const pieces = fc
  .array(
    fc.record({
      curvature: fc.oneof(
        fc.constant(0),
        fc.constant(Number.POSITIVE_INFINITY),
        between(-2, 2).filter((k) => Math.abs(k) > 0.05),
      ),
      length: between(-1.5, 1.5).filter((length) => Math.abs(length) > 0.05),
    }),
    { minLength: 1, maxLength: 4 },
  )
  .map((list) => {
    let at: Stand = { x: 0, y: 0, yaw: 0 };
    return list.map((one): Piece => {
      const piece = { ...at, ...one };
      at = standAfter(piece, piece.length);
      return piece;
    });
  });

/** The speed that a pace permits for a command, by the rules for a base that the lab's base obeys. */
function mostFor(permit: Permit, { curvature, speed }: Command): number {
  if (curvature === Number.POSITIVE_INFINITY) return speed > 0 ? permit.left : permit.right;
  return paceAlong({ ...permit, roomMm: 0 }, curvature, speed > 0);
}

test("wherever the base is and whatever the pace, no command exceeds the pace", () => {
  const places = fc.array(
    fc.record({
      off: fc.tuple(between(-0.12, 0.12), between(-0.12, 0.12), between(-0.7, 0.7)),
      share: between(-0.1, 1.1),
      permit: permits,
      speed: fc.oneof(fc.constant(0), between(-0.6, 0.6)),
    }),
    { minLength: 1, maxLength: 30 },
  );
  let moves = 0;
  fc.assert(
    fc.property(pieces, places, (way, list) => {
      const follower = new Follower(way, DRIVING);
      let curvature = 0;
      list.forEach(({ off: [dx, dy, turn], share, permit, speed }, n) => {
        const piece = way[Math.min(follower.piece, way.length - 1)]!;
        const on = standAfter(piece, share * piece.length);
        const at = { x: on.x + dx, y: on.y + dy, yaw: on.yaw + turn };
        const now = 1e6 * TICK * n;
        const command = follower.tick({ now, at, speed, curvature, permit });
        curvature = command.curvature;
        if (command.speed === 0) return;
        moves++;
        expect(Number.isFinite(command.speed)).toBe(true);
        expect(Math.abs(command.speed)).toBeLessThanOrEqual(mostFor(permit, command));
      });
    }),
    { numRuns: 2000, seed: 7 },
  );
  expect(moves).toBeGreaterThan(3000);
});

/** A base that obeys its commands after a delay, with brakes and motors of its own, and wheels that are 2 % wrong. */
class Cart {
  at: Stand;
  speed = 0;
  curvature = 0;
  readonly #late: Command[] = [];
  constructor(at: Stand) {
    this.at = at;
  }
  step(command: Command): void {
    this.#late.push(command);
    const now = this.#late.length > DRIVING.delay / TICK ? this.#late.shift()! : { curvature: 0, speed: 0 };
    for (let n = 0; n < 10; n++) {
      if (Math.abs(this.speed) < 0.005) this.curvature = now.curvature;
      const isSpot = this.curvature === Number.POSITIVE_INFINITY;
      if (!isSpot && now.curvature !== Number.POSITIVE_INFINITY) this.curvature = now.curvature;
      const fits = isSpot === (now.curvature === Number.POSITIVE_INFINITY);
      const change = (fits ? now.speed : 0) - this.speed;
      const most = ((DRIVING.deceleration / (isSpot ? DRIVING.radius : 1)) * TICK) / 10;
      this.speed += Math.max(-most, Math.min(most, change));
      const length = (0.98 * this.speed * TICK) / 10;
      this.at = standAfter({ ...this.at, curvature: this.curvature, length }, length);
    }
  }
}

const FREE: Permit = {
  forward: 1,
  backward: 0.3,
  left: 1,
  right: 1,
  arcsForward: CURVATURES.map(() => 0.8),
  arcsBackward: CURVATURES.map(() => 0.3),
};

test("a turn that the pace does not permit is named once the patience is over, and a wait elsewhere is not", () => {
  const turn = { x: 1, y: 2, yaw: 0, curvature: Number.POSITIVE_INFINITY, length: 1 };
  const drive = { x: 1, y: 2, yaw: 0, curvature: 0, length: 2 };
  const still: Permit = { ...FREE, forward: 0, left: 0, arcsForward: CURVATURES.map(() => 0) };
  const after = (seconds: number, piece: typeof turn) => {
    const follower = new Follower([piece], DRIVING);
    for (let n = 0; n <= seconds / TICK; n++) {
      follower.tick({
        now: 1e6 * TICK * n,
        at: { x: 1, y: 2, yaw: 0 },
        speed: 0,
        curvature: 0,
        permit: still,
      });
    }
    return [follower.state, follower.blockedTurn];
  };
  expect(after(PATIENCE - 0.5, turn)).toEqual(["waits", null]);
  expect(after(PATIENCE + 0.5, turn)).toEqual(["blocked", [1, 2]]);
  expect(after(PATIENCE + 0.5, drive)).toEqual(["blocked", null]);
});

test("over random floors a cart arrives within 5 cm and 3 degrees, and its outline touches nothing", {
  timeout: 60_000,
}, () => {
  const footprint = BODIES.oblong;
  const outline = new Outline(footprint);
  let drives = 0;
  for (let seed = 20; seed < 26; seed++) {
    const floor = cellsOf(drawFloorPlan(seed, 60), 0.05);
    const ground = groundOf(floor, outline.outer + 0.1);
    const finder = new WayFinder(ground, outline);
    const dice = new Dice(seed, 5);
    const random = new Random(seed, 6);
    const cells = [...ground.squared.keys()].filter((cell) => ground.squared[cell]! >= 49);
    for (let n = 0; n < 3; n++) {
      const [a, b] = [dice.pick(cells), dice.pick(cells)];
      const from = { x: ground.xOf(a), y: ground.yOf(a), yaw: dice.between(-3, 3) };
      const to = { x: ground.xOf(b), y: ground.yOf(b), yaw: dice.between(-3, 3) };
      const { way } = finder.find(from, to);
      if (way === null) continue;
      drives++;
      const what = `floor ${seed}, drive ${n}`;
      const cart = new Cart(from);
      const follower = new Follower(way.pieces, { ...DRIVING, radius: outline.outer });
      const trail: Piece[] = [];
      let tick = 0;
      for (; tick < 6000 && follower.state !== "arrived"; tick++) {
        const { x, y, yaw } = cart.at;
        const at = {
          x: x + 0.004 * random.gauss(),
          y: y + 0.004 * random.gauss(),
          yaw: yaw + 0.004 * random.gauss(),
        };
        const { speed, curvature } = cart;
        cart.step(follower.tick({ now: 1e6 * TICK * tick, at, speed, curvature, permit: FREE }));
        if (tick % 2 === 0) trail.push({ ...cart.at, curvature: 0, length: 0 });
        expect(["drives", "waits", "arrived"], `${what}, tick ${tick}`).toContain(follower.state);
      }
      expect(follower.state, what).toBe("arrived");
      expect(Math.hypot(cart.at.x - to.x, cart.at.y - to.y), what).toBeLessThan(0.05);
      const turn = cart.at.yaw - to.yaw;
      expect(Math.abs(Math.atan2(Math.sin(turn), Math.cos(turn))), what).toBeLessThan((3 * Math.PI) / 180);
      expect(leastRoom(floor, footprint, trail, 0.1), what).toBeGreaterThan(0);
    }
  }
  expect(drives).toBeGreaterThan(10);
});

test("without permission the base waits, then says that it is blocked, and drives on when it may", () => {
  const way: Piece[] = [{ x: 0, y: 0, yaw: 0, curvature: 0, length: 2 }];
  const follower = new Follower(way, DRIVING);
  const still = { at: { x: 0, y: 0, yaw: 0 }, speed: 0, curvature: 0 };
  const none = { ...FREE, forward: 0, arcsForward: CURVATURES.map(() => 0) };
  expect(follower.tick({ ...still, now: 0, permit: none }).speed).toBe(0);
  expect(follower.state).toBe("waits");
  follower.tick({ ...still, now: 1e6 * (PATIENCE + 0.1), permit: none });
  expect(follower.state).toBe("blocked");
  expect(follower.tick({ ...still, now: 1e6 * (PATIENCE + 0.2), permit: FREE }).speed).toBeGreaterThan(0.1);
  expect(follower.state).toBe("drives");
});
