import { describe, expect, test } from "vitest";
import { IDENTITY } from "../../src/geometry/rigid.ts";
import { Random } from "../../src/simulate/random.ts";
import { type Evidence, KeyframeStore, unpackDepth } from "../../src/track/keyframes.ts";
import { emptySamples, packSamples, unpackSamples } from "../../src/track/samples.ts";

const random = new Random(5, 1);
const samples = emptySamples(300);
for (samples.count = 0; samples.count < 300; samples.count++) {
  const n = [random.gauss(), random.gauss(), random.gauss()];
  const norm = Math.hypot(...n);
  for (let k = 0; k < 3; k++) {
    samples.point[3 * samples.count + k] = 5 * random.gauss();
    samples.normal[3 * samples.count + k] = n[k]! / norm;
  }
  samples.weight[samples.count] = 10 ** (2 + 4 * random.uniform());
}
/** A sloping floor with a hole in it. */
const depth = Uint16Array.from({ length: 160 * 120 }, (_, i) => (i % 160 < 9 ? 0 : 900 + (i >> 5)));

const evidence = (n: number, x: number): Evidence => ({
  time: n,
  sensor: 0,
  worldFromLens: { rotation: IDENTITY.rotation, position: [x, 0, 0.3] },
  floorHeight: 0,
  way: x,
  doubt: { drifted: x, built: 0 },
  sigma: 0.01,
  yawSigma: 0.002,
  depth,
  unitsPerMetre: 1000,
  samples,
});

describe("keyframes", () => {
  test("keep their depth without loss, in less than half the bytes", () => {
    const store = new KeyframeStore(1e7);
    const keyframe = store.add(evidence(0, 0));
    expect(unpackDepth(new Uint16Array(depth.length), keyframe)).toEqual(depth);
    expect(keyframe.depth.length).toBeLessThan(0.5 * 2 * depth.length);
    expect(store.byteSize).toBeLessThan(0.5 * 2 * depth.length + 300 * 12 + 500);
  });

  test("keep samples to a millimetre, half a degree and half a percent of weight", () => {
    const out = emptySamples(300);
    unpackSamples(out, packSamples(samples));
    expect(out.count).toBe(300);
    for (let i = 0; i < 300; i++) {
      let cosine = 0;
      for (let k = 3 * i; k < 3 * i + 3; k++) {
        expect(Math.abs(out.point[k]! - samples.point[k]!)).toBeLessThan(0.00051);
        cosine += out.normal[k]! * samples.normal[k]!;
      }
      expect(cosine).toBeGreaterThan(Math.cos((0.5 * Math.PI) / 180));
      expect(out.weight[i]! / samples.weight[i]!).toBeCloseTo(1, 2);
    }
  });

  test("over the budget the densest are dropped, and the chain of edges stays whole", () => {
    const one = new KeyframeStore(1e9);
    one.add(evidence(0, 0));
    const budget = 60.5 * one.byteSize;
    const store = new KeyframeStore(budget);
    // Dense to 10 m, then sparse to 60.
    let n = 0;
    for (let x = 0; x < 10; x += 0.1) store.add(evidence(n++, x));
    for (let x = 10; x < 60; x += 1) store.add(evidence(n++, x));
    expect(store.byteSize).toBeLessThanOrEqual(budget);
    expect(store.frames.length).toBe(60);
    expect(store.frames[0]!.way).toBe(0);
    // The sparse part is complete; the dense part is thinned to fit.
    expect(store.frames.filter(({ way }) => way > 10.5).length).toBe(49);
    const edges = store.edges();
    expect(edges.length).toBe(59);
    edges.forEach(({ from, to, move, sigma }) => {
      const gap = store.frames[to]!.way - store.frames[from]!.way;
      // Sigma grows with the square root of the number of keyframes that were dropped.
      expect(Math.hypot(...move)).toBeCloseTo(gap, 6);
      const steps = store.frames[to]!.id - store.frames[from]!.id;
      expect(sigma).toBeCloseTo(0.01 * Math.sqrt(steps), 6);
    });
    for (const { id } of store.frames) expect(store.frames[store.indexOf(id)]!.id).toBe(id);
    expect(store.indexOf(2.5)).toBe(-1);
  });

  test("a budget of 0 bytes is refused", () => {
    expect(() => new KeyframeStore(0)).toThrow(/budget of 0 bytes/);
  });
});
