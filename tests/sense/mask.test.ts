import { describe, expect, test } from "vitest";
import type { FisheyeOptics, PinholeOptics, ScanOptics } from "../../src/geometry/optics.ts";
import { DEFAULT_MASK_SETTINGS, DepthMask, type MaskSettings, REASON } from "../../src/sense/mask.ts";
import { DEFAULT_RANGE_NOISE, rangeSigma } from "../../src/sense/noise.ts";
import { Random } from "../../src/simulate/random.ts";
import { degrees, seededNormal } from "../helpers/compare.ts";
import { plane, render, type Scene, together } from "../helpers/view.ts";

const optics: PinholeOptics = {
  model: "pinhole",
  width: 240,
  height: 180,
  fx: 130,
  fy: 130,
  cx: 119.5,
  cy: 89.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.1,
  maxRange: 7.5,
};
const row = (width: number): PinholeOptics => ({ ...optics, width, height: 1, cx: (width - 1) / 2, cy: 0 });
const verdicts = (mask: DepthMask, counts: number[], amplitude: number[] | null = null) => [
  ...mask.apply(Uint16Array.from(counts), amplitude && Uint16Array.from(amplitude)).reason,
];
const { ok, noReturn, saturated, weak, flying, outOfRange } = REASON;

describe("what a pixel's own numbers say", () => {
  test("millimetres of z-depth within range pass unchanged, and every other pixel has its reason", () => {
    const mask = new DepthMask(row(8), { ...DEFAULT_MASK_SETTINGS, minAmplitude: 50 });
    const result = mask.apply(
      Uint16Array.of(1000, 0, 65535, 1010, 1012, 99, 7501, 1000),
      Uint16Array.of(50, 900, 900, 49, 65535, 900, 900, 60),
    );
    expect([...result.reason]).toEqual([
      ok,
      noReturn,
      saturated,
      weak,
      saturated,
      outOfRange,
      outOfRange,
      ok,
    ]);
    expect([...result.depth]).toEqual([1000, 0, 0, 0, 0, 0, 0, 1000]);
    expect(result.unitsPerMetre).toBeCloseTo(1000, 9);
    expect([...result.tally]).toEqual([2, 1, 2, 1, 0, 2]);
    for (let z = 100; z <= 7500; z += 37) {
      expect(mask.apply(new Uint16Array(8).fill(z), null).depth.every((d) => d === z)).toBe(true);
    }
  });

  test.each([
    [848, 480],
    [641, 479],
    [5, 3],
  ])("each pixel of a %i x %i image, however random, is judged as one by one", (width, height) => {
    const random = new Random(7);
    const of = (list: readonly number[]) =>
      Uint16Array.from({ length: width * height }, () => list[Math.floor(random.uniform() * list.length)]!);
    // In range these are all one distance, so that nothing is flying.
    const counts = of([0, 99, 2000, 2000, 2000, 2000, 7501, 65535]);
    const amplitude = of([0, 49, 50, 900, 1011, 1012, 65535]);
    const sized = { ...optics, width, height, cx: width / 2, cy: height / 2 };
    const mask = new DepthMask(sized, {
      ...DEFAULT_MASK_SETTINGS,
      minAmplitude: 50,
      saturationAmplitude: 1012,
    });
    const result = mask.apply(counts, amplitude);
    const expected = Array.from(counts, (count, i) => {
      if (count === 0) return noReturn;
      if (count === 65535 || amplitude[i]! >= 1012) return saturated;
      if (amplitude[i]! < 50) return weak;
      return count === 2000 ? ok : outOfRange;
    });
    expect(expected.every((reason, i) => reason === result.reason[i])).toBe(true);
    expect(expected.every((reason, i) => result.depth[i] === (reason === ok ? 2000 : 0))).toBe(true);
    const tally = [0, 0, 0, 0, 0, 0];
    for (const reason of expected) tally[reason]!++;
    expect([...result.tally]).toEqual(tally);
  });

  test("without amplitudes, or a saturation code, nothing is weak or saturated", () => {
    const settings = {
      ...DEFAULT_MASK_SETTINGS,
      minAmplitude: 50,
      saturationCount: null,
      saturationAmplitude: null,
    };
    expect(verdicts(new DepthMask(row(3), settings), [1000, 65535, 1000])).toEqual([ok, outOfRange, ok]);
    expect(verdicts(new DepthMask(row(1), settings), [1000], [65535])).toEqual([ok]);
    // A code inside the range is a code, not a distance.
    for (const width of [1, 2]) {
      const mask = new DepthMask(row(width), { ...settings, saturationCount: 5000 });
      expect(verdicts(mask, Array(width).fill(5000))).toEqual(Array(width).fill(saturated));
    }
  });

  test("a range becomes the distance along the axis", () => {
    const mask = new DepthMask({ ...optics, measures: "range" });
    const counts = new Uint16Array(240 * 180);
    for (let i = 0; i < counts.length; i++) {
      const x = ((i % 240) - 119.5) / 130;
      const y = (Math.floor(i / 240) - 89.5) / 130;
      counts[i] = Math.round(2000 * Math.hypot(x, y, 1)); // a wall across the axis at 2 m
    }
    const { depth, unitsPerMetre } = mask.apply(counts, null);
    expect(unitsPerMetre).toBeCloseTo(1000, 9);
    expect(depth.every((z) => Math.abs(z - 2000) <= 1)).toBe(true);
    expect(mask.rays.z.every((z) => z === 1)).toBe(true);
  });

  test("counts too fine for 15 bits come out in a coarser unit, still below 32768", () => {
    const fine = new DepthMask({ ...row(4), unit: 0.0001, maxRange: 6 });
    const { depth, unitsPerMetre } = fine.apply(Uint16Array.of(10000, 10000, 60000, 60000), null);
    expect(unitsPerMetre).toBeCloseTo(5000, 9);
    expect([...depth]).toEqual([5000, 5000, 30000, 30000]);
    const range = new DepthMask({ ...row(1), unit: 0.0001, maxRange: 6, measures: "range" });
    expect(range.apply(Uint16Array.of(60000), null).depth[0]).toBe(30000);
  });

  test("a pixel without a ray is never valid", () => {
    const circle: FisheyeOptics = { ...optics, model: "fisheye", fx: 60, fy: 60, distortion: [0, 0, 0, 0] };
    for (const measures of ["z", "range"] as const) {
      const { reason, depth } = new DepthMask({ ...circle, measures }).apply(
        new Uint16Array(43200).fill(1000),
        null,
      );
      expect([reason[0], depth[0]]).toEqual([outOfRange, 0]);
      expect(reason[90 * 240 + 120]).toBe(ok);
    }
  });

  test("a scan keeps the distance along its beams", () => {
    const scan: ScanOptics = {
      ...{
        model: "scan",
        width: 181,
        height: 1,
        firstAngle: degrees(-90),
        step: degrees(1),
        measures: "range",
      },
      unit: 0.001,
      minRange: 0.05,
      maxRange: 20,
    };
    const wall = Uint16Array.from({ length: 181 }, (_, i) => {
      const range = 1000 / Math.cos(degrees(i - 90));
      return range < 20000 && range > 0 ? Math.round(range) : 0;
    });
    const { depth, tally } = new DepthMask(scan).apply(wall, null);
    expect(depth[90]).toBe(1000);
    expect(depth[150]).toBe(2000);
    expect(tally[flying]).toBe(0); // a wall seen at 3 degrees is still a wall
  });

  test("noise without a target passes a gate of three sigma as rarely as the Rayleigh law says", () => {
    // Shot noise alone: the amplitude is Rayleigh distributed, so the share above k sigma is exp(-k^2 / 2).
    const sigma = 1000;
    const normal = seededNormal(43);
    const mask = new DepthMask(optics, { ...DEFAULT_MASK_SETTINGS, minAmplitude: 3 * sigma });
    const counts = new Uint16Array(43200).fill(1000);
    let accepted = 0;
    for (let frame = 0; frame < 8; frame++) {
      const amplitude = Uint16Array.from(counts, () => Math.hypot(sigma * normal(), sigma * normal()));
      accepted += 43200 - mask.apply(counts, amplitude).tally[weak]!;
    }
    expect(Math.abs(accepted / (8 * 43200) / 0.011109 - 1)).toBeLessThan(0.05);
  });
});

describe("flying pixels", () => {
  /** The lens `height` above the floor, pitched down; down and forward are the world's in the lens frame. */
  const standing = (height: number, pitch: number) => {
    const [c, s] = [Math.cos(degrees(pitch)), Math.sin(degrees(pitch))];
    const down = [0, c, s] as const;
    const forward = [0, -s, c] as const;
    return {
      floor: plane(down, height),
      ahead: (d: number, inside?: (x: number) => boolean) => plane(forward, d, inside),
    };
  };
  const noisy = (depth: ArrayLike<number>, noise: number, seed: number) => {
    const normal = seededNormal(seed);
    return Uint16Array.from(depth, (z) => (z === 0 ? 0 : Math.round(1000 * (z + noise * z * z * normal()))));
  };

  test("half on a surface at 0.5 m and half at 2.5 m, a pixel reads nearer than both, and is dropped", () => {
    // Phasor sum at 60 MHz with the inverse square law, by hand.
    const k = (4 * Math.PI * 60e6) / 299792458;
    const re = 0.5 * (Math.cos(k * 0.5) / 0.25 + Math.cos(k * 2.5) / 6.25);
    const im = 0.5 * (Math.sin(k * 0.5) / 0.25 + Math.sin(k * 2.5) / 6.25);
    const blend = Math.atan2(im, re) / k;
    expect(Math.abs(blend - 0.485085)).toBeLessThan(1e-5);
    const counts = [500, 500, 500, Math.round(1000 * blend), 2500, 2500, 2500];
    // 15 mm can be told from a surface where noise is well below it: here 1 mm.
    const settings = { ...DEFAULT_MASK_SETTINGS, noise: { ...DEFAULT_RANGE_NOISE, gain: 80, floor: 0.0005 } };
    expect(verdicts(new DepthMask(row(7), settings), counts)).toEqual([ok, ok, ok, flying, ok, ok, ok]);
  });

  test("a pixel between two surfaces, or alone behind both neighbours, is dropped", () => {
    const mask = new DepthMask(row(7));
    expect(verdicts(mask, [500, 500, 500, 900, 2500, 2500, 2500])).toEqual([ok, ok, ok, flying, ok, ok, ok]);
    expect(verdicts(mask, [600, 600, 600, 4600, 4000, 4000, 4000])).toEqual([ok, ok, ok, flying, ok, ok, ok]);
    expect(verdicts(mask, [500, 500, 500, 900, 0, 0, 0])).toEqual([
      ok,
      ok,
      ok,
      flying,
      noReturn,
      noReturn,
      noReturn,
    ]);
  });

  test("a leg one pixel wide is kept, also where nothing returns beside it", () => {
    const mask = new DepthMask(row(7));
    expect(verdicts(mask, [3000, 3000, 3000, 1000, 3000, 3000, 3000])).toEqual(Array(7).fill(ok));
    expect(verdicts(mask, [3000, 3000, 3000, 1000, 0, 0, 0]).slice(0, 4)).toEqual(Array(4).fill(ok));
    expect(verdicts(mask, [0, 0, 0, 1000, 0, 0, 0])[3]).toBe(ok);
  });

  test.each([
    [0.15, 0],
    [0.15, 25],
    [0.3, 0],
    [0.3, 25],
  ])(
    "a floor from lens height %f m, pitch %f degrees, is kept out to where it is seen at 2 degrees",
    (height, pitch) => {
      const { floor, ahead } = standing(height, pitch);
      const far = height / Math.tan(degrees(2));
      const { blended, sure } = render(optics, together(floor, ahead(far)));
      for (const noise of [0, 0.0025]) {
        const { reason } = new DepthMask(optics).apply(noisy(blended, noise, 9), null);
        let seen = 0;
        let lost = 0;
        reason.forEach((why, i) => {
          if (!sure[i]) return;
          seen++;
          if (why === flying) lost++;
        });
        expect(seen).toBeGreaterThan(40000);
        expect(lost / seen).toBeLessThan(0.0005);
      }
    },
  );

  test("legs of 25 mm are kept out to 3 m", () => {
    const { floor, ahead } = standing(0.3, 10);
    for (const distance of [0.6, 1, 2, 3]) {
      const leg = ahead(distance, (x) => Math.abs(x) < 0.0125);
      const { blended, sure } = render(optics, together(floor, ahead(5), leg));
      const { reason, depth } = new DepthMask(optics).apply(noisy(blended, 0.001, 4), null);
      let found = 0;
      for (let v = 20; v < 80; v++) {
        let near = false;
        for (let u = 115; u < 125; u++) {
          const i = v * 240 + u;
          near ||= depth[i] !== 0 && depth[i]! < distance * 1200;
          if (sure[i] && blended[i]! < distance * 1.2) expect(reason[i]).toBe(ok);
        }
        if (near) found++;
      }
      expect(found).toBeGreaterThan(57); // of 60 rows
    }
  });

  const furnished: Scene = (() => {
    const { floor, ahead } = standing(0.3, 25);
    const legs = [0.6, 1, 2, 3].map((d, i) => ahead(d, (x) => Math.abs(x - 0.19 * d * (i - 1.5)) < 0.0125));
    const box = ahead(1.2, (x) => x > 0.36 && x < 0.8);
    return together(floor, ahead(4), plane([1, 0, 0], 1.5), plane([-1, 0, 0], 1.2), box, ...legs);
  })();

  test("in a furnished room at least 4 of 5 blends go, and 999 of 1000 other pixels stay", () => {
    const { blended, ghost, sure } = render(optics, furnished);
    for (const [noise, caught] of [
      [0, 0.85],
      [0.0025, 0.8],
    ] as const) {
      const { reason } = new DepthMask(optics).apply(noisy(blended, noise, 1), null);
      const tally = { ghosts: 0, caught: 0, good: 0, lost: 0 };
      reason.forEach((why, i) => {
        if (ghost[i]) {
          tally.ghosts++;
          if (why === flying) tally.caught++;
        } else if (sure[i]) {
          tally.good++;
          if (why === flying) tally.lost++;
        }
      });
      expect(tally.ghosts).toBeGreaterThan(150);
      expect(tally.caught / tally.ghosts).toBeGreaterThan(caught);
      expect(tally.lost / tally.good).toBeLessThan(0.001);
    }
  });

  test("a floor so dark that its noise makes jumps is kept, by its amplitude", () => {
    const { floor, ahead } = standing(0.3, 25);
    const { blended, sure } = render(optics, together(floor, ahead(2)));
    const normal = seededNormal(31);
    const amplitude = new Uint16Array(43200).fill(20); // just above a gate of 150 electrons
    const sigma = rangeSigma(DEFAULT_RANGE_NOISE, 1, 20);
    expect(Math.abs(sigma - 0.035)).toBeLessThan(0.002);
    const counts = Uint16Array.from(blended, (z) => Math.max(1, Math.round(1000 * (z + sigma * normal()))));
    const lost = (mask: DepthMask, signal: Uint16Array | null) =>
      mask
        .apply(counts, signal)
        .reason.reduce((sum, why, i) => sum + (sure[i] && why === flying ? 1 : 0), 0) / 43200;
    const mask = new DepthMask({ ...optics, minRange: 0.001 });
    expect(lost(mask, amplitude)).toBeLessThan(0.002);
    expect(lost(mask, null)).toBeGreaterThan(0.05); // a bright surface would not jump like that
  });

  test("a mirrored or upended image gets mirrored or upended verdicts", () => {
    const { blended } = render(optics, furnished);
    const counts = noisy(blended, 0.004, 8).map((z, i) => (i % 7 === 0 ? 0 : z));
    const straight = new DepthMask(optics).apply(counts, null).reason.slice();
    const flip = (i: number) => 240 * Math.floor(i / 240) + 239 - (i % 240);
    const mirrored = new DepthMask(optics).apply(
      counts.map((_, i) => counts[flip(i)]!),
      null,
    );
    const upended = new DepthMask(optics).apply(counts.slice().reverse(), null);
    expect([...mirrored.reason]).toEqual([...straight].map((_, i) => straight[flip(i)]));
    expect([...upended.reason]).toEqual([...straight].reverse());
  });

  test("scaling amplitudes with gate and gain changes nothing, and a frame does not remember the last", () => {
    const { blended } = render(optics, furnished);
    const counts = noisy(blended, 0.002, 2);
    const amplitude = Uint16Array.from(blended, (z) => 900 / (1 + z * z));
    const one = new DepthMask(optics, { ...DEFAULT_MASK_SETTINGS, minAmplitude: 100 });
    const scaled = { ...DEFAULT_RANGE_NOISE, gain: DEFAULT_RANGE_NOISE.gain / 10 };
    const ten = new DepthMask(optics, { ...DEFAULT_MASK_SETTINGS, minAmplitude: 1000, noise: scaled });
    const first = one.apply(counts, amplitude).reason.slice();
    expect([
      ...ten.apply(
        counts,
        amplitude.map((a) => 10 * a),
      ).reason,
    ]).toEqual([...first]);
    one.apply(new Uint16Array(43200), null);
    const again = one.apply(counts, amplitude);
    expect([...again.reason]).toEqual([...first]);
    expect(again.tally.reduce((sum, n) => sum + n, 0)).toBe(43200);
  });
});

describe("callers' mistakes", () => {
  test("a frame of another size is refused", () => {
    const mask = new DepthMask(optics);
    expect(() => mask.apply(new Uint16Array(7), null)).toThrow(/240x180: got 7 counts/);
    expect(() => mask.apply(new Uint16Array(43200), new Uint16Array(7))).toThrow(/7 amplitudes/);
  });

  test("a noise model that makes no sense is refused by name", () => {
    const bad = (change: object) => () =>
      new DepthMask(optics, {
        ...DEFAULT_MASK_SETTINGS,
        noise: { ...DEFAULT_RANGE_NOISE, ...change } as never,
      });
    expect(bad({ gain: 0 })).toThrow(/noise\.gain/);
    expect(bad({ contrast: 2 })).toThrow(/noise\.contrast/);
    expect(bad({ floor: Number.NaN })).toThrow(/noise\.floor/);
    expect(bad({ kind: "radar" })).toThrow(/noise\.kind/);
    expect(bad({ kind: "structured-light" })).not.toThrow();
  });

  test.each([
    ["minAmplitude", -1],
    ["saturationCount", 0],
    ["saturationAmplitude", 70000],
    ["grazing", 0],
    ["agreement", Number.NaN],
  ])("setting %s = %s is refused by name", (field, value) => {
    const settings = { ...DEFAULT_MASK_SETTINGS, [field]: value } as unknown as MaskSettings;
    expect(() => new DepthMask(optics, settings)).toThrow(`mask.${field}`);
  });
});
