import { describe, expect, test } from "vitest";
import { parseFootprint } from "../../src/guard/body.ts";
import { FootingLayer } from "../../src/guard/footing.ts";
import { EVIDENCE, type GlanceFrame } from "../../src/guard/glance-frame.ts";
import { Guard } from "../../src/guard/guard.ts";
import { SweptGround, sweep, widened } from "../../src/guard/sweep.ts";
import { DEFAULT_RANGE_NOISE } from "../../src/sense/noise.ts";
import { END } from "../../src/terms/safety.ts";
import { GUARD } from "../../tools/lab/floor/drive.ts";
import { lookingDown, profileScene } from "../simulate/profiles.ts";
import { OPTICS, rowMajor, sensorNoise, shoot, Watcher } from "./frames.ts";

/** A frame that says these things about one place. */
function saying(x: number, what: readonly number[], far = 0.5, weight = 2): GlanceFrame {
  const n = what.length;
  const same = (value: number) => new Float32Array(n).fill(value);
  return {
    ...{
      strips: 0,
      endX: same(0),
      endY: same(0),
      nearX: same(0),
      nearY: same(0),
      farX: same(0),
      farY: same(0),
      kind: new Uint8Array(n),
    },
    drop: same(0),
    range: same(0),
    evidence: n,
    x: same(x),
    y: same(0.01),
    what: Uint8Array.from(what),
    height: same(0),
    far: same(far),
    weight: same(weight),
    trimPitch: 0,
    trimRoll: 0,
    trimSamples: 0,
    sight: "clear",
    returns: 1,
  };
}
const { touched, passed, missing } = EVIDENCE;
const ORIGIN = { x: 0, y: 0, yaw: 0, floor: 0 };

describe("one cell of ground", () => {
  const place = 1.01;
  const layer = () => new FootingLayer(0.05);
  const footing = (of: FootingLayer) => of.cellAt(place, 0.01).footing;

  test("is unseen, then firm where returns came from, with when and from how far", () => {
    const ground = layer();
    expect(footing(ground)).toBe("unseen");
    ground.add(saying(place, [touched, touched]), 7_000_000, ORIGIN);
    expect(ground.cellAt(place, 0.01)).toMatchObject({ footing: "firm", time: 7_000_000, far: 0.5 });
  });

  test("is gone where rays went through, and no far look makes it firm again; near ones do, but not at once", () => {
    const ground = layer();
    for (let n = 0; n < 4; n++) ground.add(saying(place, [passed, passed, passed]), n, ORIGIN);
    expect(footing(ground)).toBe("gone");
    for (let n = 0; n < 50; n++) ground.add(saying(place, [touched, touched, touched], 0.9), n, ORIGIN);
    expect(footing(ground)).toBe("gone");
    ground.add(saying(place, [touched, touched, touched], 0.3), 60, ORIGIN);
    expect(footing(ground)).toBe("gone");
    for (let n = 0; n < 8; n++) ground.add(saying(place, [touched, touched, touched], 0.3), n, ORIGIN);
    expect(footing(ground)).toBe("firm");
  });

  test("firm ground whose returns are due and do not come is doubtful after four frames; not due, it stays firm", () => {
    const ground = layer();
    for (let n = 0; n < 6; n++) ground.add(saying(place, [touched, touched, touched]), n, ORIGIN);
    for (let n = 0; n < 20; n++) ground.add(saying(place, [missing], 0.5, 0.4), n, ORIGIN);
    expect(footing(ground)).toBe("firm");
    for (let n = 0; n < 3; n++) ground.add(saying(place, [missing]), n, ORIGIN);
    expect(footing(ground)).toBe("firm");
    ground.add(saying(place, [missing]), 9, ORIGIN);
    expect(footing(ground)).toBe("doubtful");
    for (let n = 0; n < 3; n++) ground.add(saying(place, [touched]), n, ORIGIN);
    expect(footing(ground)).toBe("firm");
  });

  test("a patch of which some returns come in every frame stays firm: a mirror-like floor", () => {
    const ground = layer();
    const frame = [missing, touched, missing, missing, missing];
    for (let n = 0; n < 40; n++) ground.add(saying(place, frame), n, ORIGIN);
    expect(footing(ground)).toBe("firm");
  });

  test("missing returns alone never make it firm or gone, passing ones never firm", () => {
    for (const what of [missing, passed]) {
      const ground = layer();
      for (let n = 0; n < 30; n++) {
        ground.add(saying(place, [what, what]), n, ORIGIN);
        expect(footing(ground)).not.toBe("firm");
        if (what === missing) expect(footing(ground)).not.toBe("gone");
      }
    }
  });

  test("keeps its level in a map of the floor: firm from below, whether it was seen from above before or after", () => {
    const [above, below] = [0.15, 0];
    const see = (ground: FootingLayer, floor: number): void => {
      const what = floor === above ? [passed, passed, passed] : [touched, touched, touched];
      for (let n = 0; n < 4; n++)
        ground.add(saying(place, what, floor === above ? 0.3 : 0.9), n, { x: 0, y: 0, yaw: 0, floor: floor });
    };
    for (const order of [
      [above, below],
      [below, above],
      [above, below, above],
    ]) {
      const map = new FootingLayer(0.05, { keepsLevels: true });
      for (const floor of order) see(map, floor);
      expect(map.cellAt(place, 0.01)).toMatchObject({ footing: "firm", height: below });
    }
    // The guard of a base on the higher level must not drive onto the lower.
    const guarded = layer();
    see(guarded, below);
    see(guarded, above);
    expect(footing(guarded)).toBe("gone");
    // A drop seen from its own level is one in both.
    const map = new FootingLayer(0.05, { keepsLevels: true });
    for (let n = 0; n < 4; n++) map.add(saying(place, [passed, passed, passed]), n, ORIGIN);
    expect(footing(map)).toBe("gone");
  });

  test("lies where the base's place and heading put it; the world shifted by whole cells shifts the ground", () => {
    const one = layer();
    one.add(saying(1.01, [touched, touched]), 0, { x: 2, y: 3, yaw: Math.PI / 2, floor: 0 });
    // One metre ahead of a base at (2, 3) that looks along +y.
    expect(one.cellAt(2 - 0.01, 3 + 1.01).footing).toBe("firm");
    const two = layer();
    two.add(saying(1.01, [touched, touched]), 0, { x: 2 + 0.35, y: 3 - 0.2, yaw: Math.PI / 2, floor: 0 });
    expect(two.cellAt(2 - 0.01 + 0.35, 3 + 1.01 - 0.2).footing).toBe("firm");
  });
});

describe("when the world's frame is corrected", () => {
  /** Floor up to 2 m along x, then a drop, as wide as 1 m, and something bumped into. */
  function room(): FootingLayer {
    const ground = new FootingLayer(0.05);
    for (let n = 0; n < 6; n++) {
      for (let y = -0.475; y < 0.5; y += 0.05) {
        for (let x = 0.025; x < 2; x += 0.05)
          ground.add(saying(x, [touched, touched]), n, { x: 0, y: y, yaw: 0, floor: 0 });
        for (let x = 2.025; x < 2.2; x += 0.05)
          ground.add(saying(x, [passed, passed]), n, { x: 0, y: y, yaw: 0, floor: 0 });
      }
    }
    ground.addKnock(0.52, 0.31);
    return ground;
  }
  test.each([
    [0.35, -0.2, 0],
    [0.31, -0.22, 0.3],
    [-1.43, 0.77, -2.2],
  ])("what is remembered goes with it: moved by %f, %f m and %f rad", (x, y, yaw) => {
    const before = room();
    const after = room();
    after.move(x, y, yaw);
    const at = (px: number, py: number) =>
      after.cellAt(Math.cos(yaw) * px - Math.sin(yaw) * py + x, Math.sin(yaw) * px + Math.cos(yaw) * py + y);
    let firm = 0;
    for (let px = 0.05; px < 2.15; px += 0.01) {
      for (let py = -0.4; py < 0.4; py += 0.01) {
        const was = before.cellAt(px, py).footing;
        const is = at(px, py).footing;
        // A cell's breadth to either side of a border may go to the worse, none to the better.
        if (was === "gone" && px > 2.05) expect(is).toBe("gone");
        if (px < 1.9 && Math.hypot(px - 0.525, py - 0.325) > 0.1) expect(is).toBe("firm");
        if (is === "firm") firm++;
        expect(is).not.toBe("unseen");
      }
    }
    expect(at(0.525, 0.325).footing).toBe("blocked");
    expect(at(1, 0.02).time).toBe(5);
    expect(firm).toBeGreaterThan(0);
  });
  test("an edge is still one, at its moved place", () => {
    const ground = room();
    const edge: GlanceFrame = {
      ...saying(1.99, [touched]),
      strips: 3,
      kind: Uint8Array.of(END.brink, END.brink, END.brink),
      endX: Float32Array.of(2, 2, 2),
      endY: Float32Array.of(-0.05, 0, 0.05),
      drop: new Float32Array(3).fill(0.18),
      range: new Float32Array(3).fill(0.5),
    };
    for (let n = 0; n < 3; n++) ground.add(edge, 6 + n, ORIGIN);
    expect(ground.brinks([2, 0], 1)).toHaveLength(1);
    ground.move(0.3, 0.4, Math.PI / 2);
    const [moved, ...others] = ground.brinks([0.3, 2.4], 1);
    expect(others).toHaveLength(0);
    expect(moved!.drop).toBeCloseTo(0.18, 5);
    for (const [px, py] of moved!.points) {
      expect(py).toBeCloseTo(2.4, 2);
      expect(Math.abs(px - 0.3)).toBeLessThan(0.06);
    }
  });
});

describe("swept outlines", () => {
  const outline = parseFootprint("0.2,0.15 0.2,-0.15 -0.2,-0.15 -0.2,0.15");
  /** A sweep with its own points, on ground that other sweeps may have filled before. */
  const swept = (
    wider: number,
    curvature: number,
    direction: 1 | -1,
    length: number,
    ground = new SweptGround(0.05),
  ) => {
    const { point, way } = sweep(ground, widened(outline, wider), { curvature, direction, length });
    const { x, y } = ground;
    return { x: Array.from(point, (p) => x[p]!), y: Array.from(point, (p) => y[p]!), way };
  };
  test("straight on, what is entered lies ahead and after the way that leads there", () => {
    const { x, y, way } = swept(0, 0, 1, 1);
    expect(x.length).toBeGreaterThan(50);
    for (let k = 0; k < x.length; k++) {
      expect(Math.abs(x[k]! - 0.2 - way[k]!)).toBeLessThan(0.05);
      expect(Math.abs(y[k]!)).toBeLessThan(0.16);
    }
    // Every cell of the swept band is looked at.
    for (let ahead = 0.25; ahead < 1.15; ahead += 0.05) {
      for (let side = -0.12; side < 0.14; side += 0.05) {
        expect(x.some((px, k) => Math.abs(px - ahead) < 0.05 && Math.abs(y[k]! - side) < 0.05)).toBe(true);
      }
    }
  });
  test("the corners' own paths are looked at, however the grains lie", () => {
    for (const wider of [0, 0.005, 0.01, 0.015, 0.02, 0.025]) {
      const { x, y } = swept(wider, 0, 1, 0.5);
      for (let ahead = 0.225; ahead < 0.68; ahead += 0.0125) {
        for (const side of [-0.15 - wider, 0.15 + wider]) {
          expect(x.some((px, k) => Math.abs(px - ahead) < 0.026 && Math.abs(y[k]! - side) < 1e-6)).toBe(true);
        }
      }
    }
  });
  test("backwards it lies behind, in a curve to its side, on the spot within the corners' circle", () => {
    expect(Math.max(...swept(0, 0, -1, 1).x)).toBeLessThan(-0.19);
    const left = swept(0, 1, 1, 1.5);
    expect(Math.max(...left.y)).toBeGreaterThan(0.8);
    expect(Math.min(...left.y)).toBeGreaterThan(-0.2);
    const spot = swept(0, Number.POSITIVE_INFINITY, 1, 2);
    const far = spot.x.map((px, k) => Math.hypot(px, spot.y[k]!));
    expect(Math.max(...far)).toBeLessThanOrEqual(0.2501); // hypot(0.2, 0.15)
  });
  test("on ground shared with a straight way an arc still looks at every place it enters", () => {
    const ground = new SweptGround(0.05);
    const straight = swept(0, 0, 1, 1, ground);
    const shared = swept(0, 1, 1, 1, ground);
    const alone = swept(0, 1, 1, 1);
    expect(ground.count).toBeLessThan(straight.x.length + 0.7 * alone.x.length);
    expect(shared.way).toEqual(alone.way);
    alone.x.forEach((x, k) => {
      expect(Math.hypot(shared.x[k]! - x, shared.y[k]! - alone.y[k]!)).toBeLessThan(0.036); // a grain's diagonal
    });
  });
});

test("a frame whose place is not sure limits the pace by itself, whatever memory says", () => {
  const watcher = new Watcher();
  const guard = new Guard(GUARD);
  const pose = lookingDown(0.3, 25);
  const look = (kind: string, edge: number, seed: number) => {
    const { counts, amplitude } = shoot(profileScene(kind, edge), pose, sensorNoise(seed));
    const { depth, reason } = watcher.mask.apply(counts, amplitude);
    return watcher.glance.look({ depth, reason, amplitude }, rowMajor(pose), Float64Array.of(0.15, 0, 0.3));
  };
  for (let n = 0; n < 6; n++) {
    const frame = look("flat", 1, n);
    guard.watch("front", frame, 1e5 * n);
    guard.remember("front", frame, 1e5 * n, ORIGIN);
  }
  const open = guard.pace(0, 0, 0).forward;
  expect(open).toBeGreaterThan(0.5);
  const edge = look("ledge100", 0.3, 9);
  expect(edge.kind.some((kind) => kind === END.brink)).toBe(true);
  guard.watch("front", edge, 6e5);
  const pace = guard.pace(0, 0, 0);
  expect(pace.forward).toBeLessThan(0.5 * open);
  expect(pace.limit?.cause).toBe(END.brink);
});

describe("while no place is known", () => {
  const pose = lookingDown(0.3, 25);
  const open = () => {
    const watcher = new Watcher();
    const guard = new Guard(GUARD);
    const see = (kind: string, edge: number, time: number) => {
      const { counts, amplitude } = shoot(profileScene(kind, edge), pose, sensorNoise(1 + (time % 97)));
      const { depth, reason } = watcher.mask.apply(counts, amplitude);
      const frame = watcher.glance.look(
        { depth, reason, amplitude },
        rowMajor(pose),
        Float64Array.of(0.15, 0, 0.3),
      );
      guard.watch("front", frame, time);
      return guard.answer(null, time).pace;
    };
    return see;
  };

  test("only straight ahead is permitted, over floor that is in view from the nearest row on", () => {
    const see = open();
    const free = see("flat", 1, 1_000_000);
    expect(free.forward).toBeGreaterThan(0.3);
    expect([free.backward, free.left, free.right]).toEqual([0, 0, 0]);
    // The floor ends below the nearest row in view: nothing tells where between there and the body.
    const hidden = see("ledge100", 0.12, 1_100_000);
    expect(hidden).toMatchObject({ forward: 0, room: 0 });
    expect(hidden.limit).not.toBeNull();
  });

  test("after a pause in which the base may have moved, nothing is permitted; a base that stood may go on", () => {
    const moving = open();
    expect(moving("flat", 1, 1_000_000).forward).toBeGreaterThan(0.3);
    expect(moving("flat", 1, 3_000_000)).toMatchObject({ forward: 0, limit: { cause: END.unplaced } });
    const standing = open();
    expect(standing("ledge100", 0.12, 1_000_000).forward).toBe(0);
    expect(standing("flat", 1, 3_000_000).forward).toBeGreaterThan(0.3);
  });
});

test("a body, a glance and their settings that make no sense are refused by name", () => {
  expect(() => new Guard({ ...GUARD, body: { ...GUARD.body, deceleration: 0 } })).toThrow(
    /body.deceleration/,
  );
  const wrong = new Guard({ ...GUARD, maxReach: -1 });
  const { mask } = new Watcher();
  expect(() => wrong.openGlancer(OPTICS, mask.rays, 1000, DEFAULT_RANGE_NOISE)).toThrow(
    /guard.maxReach is -1/,
  );
});
