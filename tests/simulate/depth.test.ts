import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import type { FisheyeOptics, Optics, PinholeOptics } from "../../src/geometry/optics.ts";
import { rayTable } from "../../src/geometry/rays.ts";
import { lensRays, lookAlong } from "../../src/simulate/lens.ts";
import { renderDepth, renderRanges } from "../../src/simulate/render.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";
import { FLOOR_DEPTHS } from "../reference/values.ts";
import { lookingDown, PROFILE_OPTICS, profileScene } from "./profiles.ts";

/** Exact z-depths, metres, 0 for none within the far gate of 7.5 m. */
function depths(kind: string, height: number, pitch: number, edge: number): Float64Array {
  const out = new Float64Array(80 * 60);
  renderRanges(
    profileScene(kind, edge),
    PROFILE_OPTICS,
    { worldFromLens: lookingDown(height, pitch), time: 0 },
    out,
  );
  const rays = lensRays(PROFILE_OPTICS, 1).centre;
  return out.map((range, i) => (range * rays[3 * i + 2]! > 7.5 ? 0 : range * rays[3 * i + 2]!));
}

// Depths computed with numpy; rises and goings of IBC 2015 1011.5.2, threshold of ADA 303.3.
test.each(FLOOR_DEPTHS)(
  "%s from %d m shows the depths computed with numpy in rows 20, 30, 45",
  (kind, height, pitch, edge, expected) => {
    const image = depths(kind, height, pitch, edge);
    [20, 30, 45].forEach((row, i) => {
      expect(Math.abs(image[row * 80 + 40]! - expected[i]!)).toBeLessThan(1e-5);
    });
  },
);

// Source: similar triangles, jump r D / h and hidden strip d D / h.
test.each([
  [0.3, 0.6, 0.02, 0.044721, 0.04],
  [0.3, 1.0, 0.178, 0.619458, 0.5933],
  [0.15, 0.5, 0.178, 0.619458, 0.5933],
])(
  "from %d m, a ledge at %d m of %d m makes the range jump by %d m and hides %d m",
  (h, edge, drop, jump, hidden) => {
    const scene = profileScene(`ledge${drop * 1000}`, edge);
    const lip = Math.hypot(h, edge);
    const ray = [edge / lip, 0, -h / lip] as const;
    const over = scene.cast(0, 0, h, ray[0], ray[1], ray[2] + 1e-9, 0);
    const onto = scene.cast(0, 0, h, ray[0], ray[1], ray[2] - 1e-9, 0);
    expect(Math.abs(over - onto - jump)).toBeLessThan(1e-6);
    expect(Math.abs(over * ray[0] - edge - hidden)).toBeLessThan(5e-5); // four digits are printed
  },
);

// Source: sight line d = h G / R, 0.4702 m for 178/279 mm stairs (IBC 2015 1011.5.2) from 0.30 m.
test.each([
  [0.46, 12],
  [0.4702, 0],
])("from 0.30 m, a descending stair %d m away shows %d of its 12 treads", (edge, expected) => {
  const scene = profileScene("stair178x279", edge);
  const treads = new Set<number>();
  for (let k = 0; k < 20_000; k++) {
    const slope = (0.3 / edge) * (1.0000001 - (k / 20_000) * 0.98); // from the lip up to nearly level
    const t = scene.cast(0, 0, 0.3, 1, 0, -slope, 0);
    const z = 0.3 - slope * t;
    const tread = Math.round(-z / 0.178);
    const isTread = Math.abs(z + tread * 0.178) < 1e-9 && tread >= 1 && tread <= 12;
    if (isTread && t < edge + 0.279 * tread) treads.add(tread);
  }
  expect(treads.size).toBe(expected);
});

testWith("python", "whole images equal those of numpy's analytic profiles", () => {
  const cases = ["flat", "ledge20", "ledge100", "threshold13", "ramp", "stair178x279", "stair220x220", "void"]
    .flatMap((kind) => [
      [kind, 0.3, 30, 0.6],
      [kind, 0.3, 30, 0.45],
      [kind, 0.15, 25, 0.4],
      [kind, 0.15, 25, 0.2],
    ])
    .map(
      ([kind, height, pitch, edge]) => [String(kind), Number(height), Number(pitch), Number(edge)] as const,
    );
  const script = readFileSync(new URL("../reference/floor_scenes.py", import.meta.url), "utf8");
  const images = JSON.parse(runPython(script, [JSON.stringify(cases)])) as number[][];
  expect(images).toHaveLength(cases.length);
  cases.forEach((one, k) => {
    const ours = depths(...one);
    const worst = images[k]!.reduce((most, z, i) => Math.max(most, Math.abs(z - ours[i]!)), 0);
    expect(worst, `${one}`).toBeLessThan(1e-4);
  });
});

test("counts of an exact frame are the depths in the optics' unit, z or range as the optics say", () => {
  const scene = profileScene("ledge100", 0.6);
  const pose = lookingDown(0.3, 30);
  const exact = depths("ledge100", 0.3, 30, 0.6);
  for (const measures of ["z", "range"] as const) {
    // The gate is along what is measured: here it must not cut what the z image shows.
    const optics: PinholeOptics = { ...PROFILE_OPTICS, measures, maxRange: measures === "z" ? 7.5 : 13 };
    const counts = new Uint16Array(80 * 60);
    renderDepth(
      scene,
      optics,
      { worldFromLens: pose, time: 0, noise: null },
      { counts, amplitude: new Uint16Array(80 * 60) },
    );
    const rays = lensRays(optics, 1).centre;
    exact.forEach((z, i) => {
      if (z === 0) return;
      const expected = measures === "z" ? z : z / rays[3 * i + 2]!;
      expect(Math.abs(counts[i]! * optics.unit - expected)).toBeLessThanOrEqual(optics.unit / 2 + 1e-12);
    });
  }
});

test("bent lenses look along the rays that OpenCV's undistortion gives", () => {
  const out = new Float64Array(3);
  const pinhole: PinholeOptics = {
    ...PROFILE_OPTICS,
    width: 320,
    height: 240,
    fx: 180,
    fy: 180,
    cx: 159.5,
    cy: 119.5,
    distortion: [-0.2, 0.05, 0.001, -0.002, 0.01],
  };
  // Source: OpenCV 4.6 undistortPoints, 200 iterations.
  for (const [u, v, x, y] of [
    [0, 0, -1.032782598, -0.778667658],
    [40, 200, -0.753787422, 0.508108141],
  ] as const) {
    lookAlong(out, pinhole, u, v);
    expect(out[0]! / out[2]!).toBeCloseTo(x, 8);
    expect(out[1]! / out[2]!).toBeCloseTo(y, 8);
  }
  const { distortion: _, ...lens } = pinhole;
  const fisheye: FisheyeOptics = { ...lens, model: "fisheye", distortion: [0.05, -0.01, 0.002, -0.0005] };
  // Source: Kannala & Brandt 2006, computed with OpenCV 4.6: where (0.3, -0.2, 1) and (0.8, 0.6, 1) land.
  for (const [u, v, x, y] of [
    [211.63017288, 84.746551413, 0.3, -0.2],
    [275.700105252, 206.650078939, 0.8, 0.6],
  ] as const) {
    lookAlong(out, fisheye, u, v);
    expect(out[0]! / out[2]!).toBeCloseTo(x, 7);
    expect(out[1]! / out[2]!).toBeCloseTo(y, 7);
  }
});

test("a laser's beams sweep from the right to the left of forward", () => {
  const scan: Optics = {
    model: "scan",
    width: 3,
    height: 1,
    firstAngle: -Math.PI / 2,
    step: Math.PI / 2,
    measures: "range",
    unit: 0.001,
    minRange: 0.05,
    maxRange: 10,
  };
  const out = new Float64Array(3);
  const seen = [0, 1, 2].map((u) => {
    lookAlong(out, scan, u, 0);
    return [...out].map((c) => Math.round(c * 1e9) / 1e9 + 0);
  });
  // Lens frame: x right, z forward; positive angles are counter-clockwise from above, towards the left.
  expect(seen).toEqual([
    [1, 0, 0],
    [0, 0, 1],
    [-1, 0, 0],
  ]);
});

test("the product's ray tables and the simulator's lenses, written apart, look the same way", () => {
  const pinhole: PinholeOptics = { ...PROFILE_OPTICS, distortion: [-0.1, 0.02, 0.001, -0.002, 0.001] };
  const { distortion: _, ...lens } = pinhole;
  const range = { unit: 0.001, minRange: 0.05, maxRange: 10, measures: "range" } as const;
  const all: Optics[] = [
    pinhole,
    { ...lens, ...range, model: "pinhole" },
    { ...lens, model: "fisheye", distortion: [0.05, -0.01, 0.002, -0.0005] },
    { ...range, model: "scan", width: 181, height: 1, firstAngle: -1.5, step: 0.0165 },
  ];
  for (const optics of all) {
    const table = rayTable(optics);
    const ours = lensRays(optics, 1).centre;
    let worst = 0;
    for (let i = 0; i < optics.width * optics.height; i++) {
      const size = Math.hypot(table.x[i]!, table.y[i]!, table.z[i]!);
      const d = [table.x[i]! / size, table.y[i]! / size, table.z[i]! / size];
      worst = Math.max(
        worst,
        Math.hypot(d[0]! - ours[3 * i]!, d[1]! - ours[3 * i + 1]!, d[2]! - ours[3 * i + 2]!),
      );
    }
    expect(worst, optics.model).toBeLessThan(1e-6); // the tables are 32-bit
  }
});
