import { describe, expect, test } from "vitest";
import type { Pose } from "../../src/geometry/optics.ts";
import { EVIDENCE, type GlanceFrame } from "../../src/guard/glance-frame.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Scene } from "../../src/simulate/scene.ts";
import { END, END_NAMES } from "../../src/terms/safety.ts";
import { seeded } from "../helpers/recordings.ts";
import { box, lookingDown, material, PROFILE_OPTICS, profileScene } from "../simulate/profiles.ts";
import { OPTICS, sensorNoise, shoot, Watcher } from "./frames.ts";

/** Shown the same scene a few times with new noise, as a standing head is. */
function stare(scene: Scene, pose: Pose, believed = pose, noisy = true, optics = OPTICS): GlanceFrame {
  const watcher = new Watcher(optics);
  const noise = noisy ? sensorNoise(11) : null;
  for (let n = 0; n < 2; n++) watcher.see(shoot(scene, pose, noise, optics), believed);
  return watcher.see(shoot(scene, pose, noise, optics), believed);
}
/** Strips that look ahead, within some 20 degrees. */
const ahead = (frame: GlanceFrame) =>
  Array.from({ length: frame.strips }, (_, n) => n).filter(
    (n) => Math.abs(frame.endY[n]!) < 0.4 * frame.endX[n]!,
  );
const kinds = (frame: GlanceFrame) => ahead(frame).map((n) => END_NAMES[frame.kind[n]!]!);
const median = (values: number[]) => values.sort((a, b) => a - b)[values.length >> 1]!;

describe("drops", () => {
  // Rises and goings: IBC 2015 1011.5.2; treads hidden beyond d = h G / R = 0.4702 m from 0.30 m: "look for the
  // lower step" finds nothing there, and the edge must be found all the same.
  test.each([0.46, 0.4702])("a 178/279 mm stair %d m ahead ends the floor at its edge", (edge) => {
    const frame = stare(profileScene("stair178x279", edge), lookingDown(0.3, 30));
    for (const n of ahead(frame)) expect(Math.abs(frame.endX[n]! - edge)).toBeLessThan(0.01 + 0.005);
    // Some strips are too oblique, and too dark, for more than "not seen"; none calls it floor.
    expect(kinds(frame).filter((kind) => kind === "doubtful" || kind === "brink").length).toBeGreaterThan(5);
  });

  test.each(["void", "stair178x279", "stair220x220", "ledge100", "ledge50"])(
    "%s: no cell beyond the edge is touched, and the floor ends within a centimetre of it",
    (kind) => {
      for (const noisy of [false, true]) {
        const frame = stare(profileScene(kind, 0.6), lookingDown(0.3, 30), undefined, noisy);
        for (let k = 0; k < frame.evidence; k++) {
          if (frame.what[k] === EVIDENCE.touched && Math.abs(frame.height[k]!) < 0.04) {
            expect(frame.x[k]).toBeLessThan(0.61);
          }
        }
        expect(Math.abs(median(ahead(frame).map((n) => frame.endX[n]!)) - 0.6)).toBeLessThan(0.01);
        expect(kinds(frame).filter((name) => name === "unseen").length).toBeLessThan(ahead(frame).length);
      }
    },
  );

  test.each([
    ["ledge50", 0.05],
    ["ledge100", 0.1],
  ])("%s: rays come back from below, so it is a brink of that depth", (kind, depth) => {
    for (const [height, pitch, edge] of [
      [0.3, 30, 0.45],
      [0.15, 25, 0.4],
      [0.6, 20, 0.7],
    ] as const) {
      const frame = stare(profileScene(kind, edge), lookingDown(height, pitch));
      const strips = ahead(frame);
      for (const n of strips) {
        expect(frame.kind[n]).toBe(END.brink);
        expect(Math.abs(frame.endX[n]! - edge)).toBeLessThan(0.02);
      }
      expect(Math.abs(median(strips.map((n) => frame.drop[n]!)) - depth)).toBeLessThan(0.012);
    }
  });

  test("in 80 x 60 pixels a 100 mm ledge at 0.60 m is a brink, a void there is not floor", () => {
    const ledge = stare(
      profileScene("ledge100", 0.6),
      lookingDown(0.3, 30),
      undefined,
      false,
      PROFILE_OPTICS,
    );
    expect(new Set(kinds(ledge))).toEqual(new Set(["brink"]));
    const empty = stare(profileScene("void", 0.6), lookingDown(0.3, 30), undefined, false, PROFILE_OPTICS);
    for (const n of ahead(empty)) expect(Math.abs(empty.endX[n]! - 0.6)).toBeLessThan(0.025); // a row is 2.4 cm there
  });

  test("a 50 mm drop that starts right below the nearest row in view is not taken for the floor", () => {
    const pose = lookingDown(0.3, 30);
    const frame = stare(profileScene("ledge50", 0.16), pose);
    for (const n of ahead(frame)) expect(frame.endX[n]).toBeLessThan(0.18);
  });

  test("an edge seen at 40 degrees lies on its line", () => {
    // The same ledge, looked at by a lens turned 40 degrees away from it.
    const pose: Pose = {
      position: [0, 0, 0.3],
      rotation: lensFromAngles((40 * Math.PI) / 180, (25 * Math.PI) / 180, 0),
    };
    const frame = stare(profileScene("ledge100", 0.45), pose);
    const errors: number[] = [];
    for (let n = 0; n < frame.strips; n++) {
      if (frame.kind[n] === END.brink) errors.push(Math.abs(frame.endX[n]! - 0.45));
    }
    expect(errors.length).toBeGreaterThan(8);
    expect(Math.max(...errors)).toBeLessThan(0.03);
  });
});

describe("what is no drop", () => {
  const heads = [
    [0.3, 30, 0.45],
    [0.15, 25, 0.3],
    [0.6, 20, 0.9],
  ] as const;
  // ADA 303.3: 13 mm bevelled; ADA 405.2 (from memory): 1 in 12.
  test.each(["flat", "threshold13", "ramp"])(
    "%s: no brink and no obstacle, from any head, at any brightness",
    (kind) => {
      for (const [height, pitch, edge] of heads) {
        for (const reflectance of [0.018, 0.05, 0.2, 0.8]) {
          const frame = stare(profileScene(kind, edge, reflectance), lookingDown(height, pitch));
          for (let n = 0; n < frame.strips; n++) {
            expect([END.unseen, END.doubtful], `${height} m, ${reflectance}`).toContain(frame.kind[n]);
          }
          if (reflectance >= 0.2) expect(frame.endX[frame.strips >> 1]).toBeGreaterThan(edge + 0.15);
        }
      }
    },
  );

  test("a threshold shows as a bump of 13 mm, and a ramp's slope is that of the ramp", () => {
    const bump = stare(profileScene("threshold13", 0.45), lookingDown(0.3, 30), undefined, false);
    const ramp = stare(profileScene("ramp", 0.45), lookingDown(0.3, 30), undefined, false);
    const heights = (frame: GlanceFrame, from: number, to: number) => {
      const out: [number, number][] = [];
      for (let k = 0; k < frame.evidence; k++) {
        if (frame.x[k]! > from && frame.x[k]! < to) out.push([frame.x[k]!, frame.height[k]!]);
      }
      return out;
    };
    // The expected surface is what the evidence lies on. It follows a bump no faster than a ramp would rise.
    const top = Math.max(...heights(bump, 0.45, 0.6).map(([, z]) => z));
    expect(top).toBeGreaterThan(0.004);
    expect(top).toBeLessThan(0.018);
    const near = median(heights(ramp, 0.68, 0.72).map(([, z]) => z));
    const far = median(heights(ramp, 0.98, 1.02).map(([, z]) => z));
    expect(Math.abs((Math.atan((near - far) / 0.3) * 180) / Math.PI - 4.7636)).toBeLessThan(0.5);
  });

  test("a dark floor ends where its signal does: unseen, and no more", () => {
    // Source: x = sqrt((rho h R^2 / 0.8)^(2/3) - h^2) with R = 4 m: 0.598 m for 5 %.
    const frame = stare(profileScene("flat", 1, 0.05), lookingDown(0.3, 30), undefined, false);
    const strip = frame.strips >> 1;
    expect(frame.kind[strip]).toBe(END.unseen);
    expect(Math.abs(frame.endX[strip]! / 0.5984 - 1)).toBeLessThan(0.02);
  });

  test("a mirror-like patch, most of it missing and phantoms below it, is no drop", () => {
    const random = seeded(5);
    const pose = lookingDown(0.3, 30);
    const watcher = new Watcher();
    for (let n = 0; n < 12; n++) {
      const shot = shoot(profileScene("flat", 1), pose, sensorNoise(n));
      for (let i = 0; i < shot.counts.length; i++) {
        const at = random();
        if (at < 0.74) shot.counts[i] = 0;
        // A wall or a ceiling seen in the floor: behind it by any distance.
        else if (at < 0.8 && shot.counts[i]! > 0) shot.counts[i]! += 300 + 2500 * random();
      }
      const frame = watcher.see(shot, pose);
      for (let k = 0; k < frame.strips; k++) expect(frame.kind[k]).not.toBe(END.brink);
      expect(frame.endX[frame.strips >> 1]).toBeGreaterThan(0.4); // memory fills in the rest
    }
  });

  test("returns too long by centimetres in the corner of floor and wall are no drop", () => {
    const scene = new Scene([material(0.4)], [box([-1, -5, -1], [3, 5, 0]), box([0.8, -5, 0], [1, 5, 2])]);
    const pose = lookingDown(0.3, 20);
    const shot = shoot(scene, pose, sensorNoise(3));
    for (let i = 0; i < shot.counts.length; i++) {
      // The floor's last rows before the wall: 4 cm too long. (How multipath shows; size by common practice.)
      const row = Math.floor(i / 240);
      if (row > 88 && row < 108) shot.counts[i]! += 40;
    }
    const frame = new Watcher().see(shot, pose);
    for (const n of ahead(frame)) {
      expect(frame.kind[n]).not.toBe(END.brink);
      expect(frame.endX[n]).toBeLessThan(0.82);
    }
  });
});

describe("tilt", () => {
  test("believed 1 degree wrong, floor at 1 m would lie 17 mm off: the trim takes it out", () => {
    // By hand: 0.3 - hypot(0.3, 1) sin(atan(0.3) +- 1 deg) = -17.407 / +17.498 mm.
    for (const wrong of [-3, -1, 1, 3]) {
      const frame = stare(profileScene("flat", 1), lookingDown(0.3, 30), lookingDown(0.3, 30 + wrong));
      expect(Math.abs((frame.trimPitch * 180) / Math.PI - wrong)).toBeLessThan(0.25);
      for (const n of ahead(frame)) {
        expect(frame.kind[n]).not.toBe(END.brink);
        expect(frame.endX[n]).toBeGreaterThan(0.9);
      }
    }
  });

  test("20 ms late at 30 deg/s of pitch, floor at 1 m lies 10.47 mm off", () => {
    // 1 m * tan(30 deg/s * 20 ms) = 10.47 mm. What remains after the trim must not matter.
    const late = 0.02 * 30;
    const frame = stare(profileScene("flat", 1), lookingDown(0.3, 30), lookingDown(0.3, 30 + late));
    const far: number[] = [];
    for (let k = 0; k < frame.evidence; k++) {
      if (frame.what[k] === EVIDENCE.touched && frame.x[k]! > 0.9 && frame.x[k]! < 1.1)
        far.push(frame.height[k]!);
    }
    expect(Math.abs(median(far))).toBeLessThan(0.003);
  });

  // A lens that is high, looks far and has few pixels sees little of the upper floor.
  test.each([15, 25, 35, 45, 55, 65])(
    "a floor 40 mm lower, its edge at %d degrees to the drive, is no tilt",
    (angle) => {
      const focal = 64 / Math.tan((85 / 2) * (Math.PI / 180));
      const optics = { ...OPTICS, width: 128, height: 96, fx: focal, fy: focal, cx: 63.5, cy: 47.5 };
      for (const side of [-1, 1]) {
        const yaw = side * (Math.PI / 2 - (angle * Math.PI) / 180);
        const [across, aside] = [Math.cos(yaw), Math.sin(yaw)];
        // The edge crosses the drive 1.1 m ahead.
        const floor = (from: number, top: number) => {
          const at = 1.1 * across + from;
          return { ...box([-6, -6, -1], [6, 6, top]), x: at * across, y: at * aside, yaw };
        };
        const scene = new Scene([material(0.4)], [floor(-6, 0), floor(6, -0.04)]);
        const frame = stare(scene, lookingDown(0.56, 10), undefined, true, optics);
        expect(Math.abs(frame.trimPitch) * (180 / Math.PI)).toBeLessThan(0.5);
        expect(Math.abs(frame.trimRoll) * (180 / Math.PI)).toBeLessThan(0.5);
        const brinks = Array.from(frame.kind).filter((kind) => kind === END.brink);
        expect(brinks.length).toBeGreaterThanOrEqual(4);
      }
    },
  );

  test("a chassis that rolls by 2 degrees is trimmed", () => {
    for (const roll of [-2, 2]) {
      const leaning: Pose = {
        position: [0, 0, 0.3],
        rotation: lensFromAngles(0, (30 * Math.PI) / 180, (roll * Math.PI) / 180),
      };
      const frame = stare(profileScene("flat", 1), leaning, lookingDown(0.3, 30));
      // The prior holds a fit back to level by up to a third.
      const found = Math.abs(frame.trimRoll) * (180 / Math.PI);
      expect(found).toBeGreaterThan(1.3);
      expect(found).toBeLessThan(2.1);
      for (const n of ahead(frame)) expect(frame.kind[n]).not.toBe(END.brink);
    }
  });

  test.each([-3, 3])("a dip of %d degrees neither hides a 50 mm drop nor moves it", (wrong) => {
    const frame = stare(profileScene("ledge50", 0.6), lookingDown(0.3, 30), lookingDown(0.3, 30 + wrong));
    for (const n of ahead(frame)) {
      expect(frame.kind[n]).toBe(END.brink);
      expect(Math.abs(frame.endX[n]! - 0.6)).toBeLessThan(0.025);
    }
  });
});

describe("what stands or hangs", () => {
  const floor = box([-1, -5, -1], [6, 5, 0]);
  test("a wall, a 25 mm leg, a bar above the floor, and a shelf above the body", () => {
    const pose = lookingDown(0.3, 10);
    const see = (...solids: ReturnType<typeof box>[]) =>
      stare(new Scene([material(0.5)], [floor, ...solids]), pose);
    const wall = see(box([1, -5, 0], [1.1, 5, 2]));
    for (const n of ahead(wall)) {
      expect(wall.kind[n]).toBe(END.obstacle);
      expect(Math.abs(wall.endX[n]! - 1)).toBeLessThan(0.05);
    }
    const leg = see(box([0.8, -0.0125, 0], [0.825, 0.0125, 0.7]));
    const hit = Array.from({ length: leg.strips }, (_, n) => n).filter((n) => leg.kind[n] === END.obstacle);
    expect(hit.length).toBeGreaterThan(0);
    for (const n of hit) expect(Math.abs(leg.endX[n]! - 0.8)).toBeLessThan(0.05);
    const bar = see(box([0.8, -5, 0.35], [0.85, 5, 0.45]));
    for (const n of ahead(bar)) {
      expect(bar.kind[n]).toBe(END.overhang);
      expect(Math.abs(bar.endX[n]! - 0.8)).toBeLessThan(0.05);
    }
    const shelf = see(box([0.8, -5, 0.7], [1.2, 5, 0.75]));
    for (const n of ahead(shelf)) expect(shelf.endX[n]).toBeGreaterThan(1.2);
  });

  test("a hand on the lens, and a blind lens, are distinguished from a view", () => {
    const pose = lookingDown(0.3, 20);
    const plain = shoot(profileScene("flat", 1), pose, sensorNoise(1));
    const watcher = new Watcher();
    expect(watcher.see(plain, pose).sight).toBe("clear");
    const nothing = { counts: new Uint16Array(plain.counts.length), amplitude: plain.amplitude };
    const blind = watcher.see(nothing, pose);
    expect(blind.sight).toBe("blind");
    for (const n of ahead(blind)) expect(blind.endX[n]).toBe(blind.nearX[n]);
    const hand = { counts: plain.counts.slice().fill(110), amplitude: plain.amplitude };
    expect(watcher.see(hand, pose).sight).toBe("covered");
  });
});

describe("removing returns", () => {
  test("never lengthens what is firm, and never makes a place firm", () => {
    const random = seeded(77);
    const pose = lookingDown(0.3, 25);
    const wall = new Scene([material(0.4)], [box([-1, -5, -1], [6, 5, 0]), box([1, -0.3, 0], [1.1, 0.1, 2])]);
    for (const scene of [
      wall,
      ...["flat", "ledge50", "stair178x279", "ramp", "void"].map((k) => profileScene(k, 0.6)),
    ]) {
      // Exact, so that the tilt found does not depend on which returns are there.
      const all = shoot(scene, pose, null);
      const reach = (shot: typeof all) => {
        const watcher = new Watcher(OPTICS, { gate: 40 });
        const frame = watcher.see(shot, pose);
        const touched = new Set<string>();
        for (let k = 0; k < frame.evidence; k++) {
          if (frame.what[k] === EVIDENCE.touched) {
            touched.add(`${Math.floor(frame.x[k]! / 0.05)},${Math.floor(frame.y[k]! / 0.05)}`);
          }
        }
        return { far: Array.from(frame.endX, (x, n) => Math.hypot(x, frame.endY[n]!)), touched };
      };
      const whole = reach(all);
      for (let round = 0; round < 6; round++) {
        const share = 0.1 + 0.15 * round;
        const left = round % 2; // half of the rounds take out a rectangle
        const counts = all.counts.map((count, i) => {
          const inside = i % 240 > 40 && i % 240 < 150 && i > 240 * 60 && i < 240 * 120;
          return (left === 1 ? inside : random() < share) ? 0 : count;
        });
        const some = reach({ counts, amplitude: all.amplitude });
        some.far.forEach((far, n) => {
          expect(far).toBeLessThan(whole.far[n]! + 0.02);
        });
        const more = [...some.touched].filter((cell) => !whole.touched.has(cell));
        // A row that is looked at in place of one left out may lie in the next cell; no more than that.
        expect(more.length).toBeLessThan(0.03 * whole.touched.size);
      }
    }
  });

  test("mirroring the image mirrors the drop", () => {
    const pose: Pose = { position: [0, 0, 0.3], rotation: lensFromAngles(0.4, 0.4, 0) };
    const other: Pose = { position: [0, 0, 0.3], rotation: lensFromAngles(-0.4, 0.4, 0) };
    const shot = shoot(profileScene("ledge100", 0.5), pose, null);
    const flip = (image: Uint16Array) => image.map((_, i) => image[i - (i % 240) + 239 - (i % 240)]!);
    const one = new Watcher().see(shot, pose);
    const ends = Array.from({ length: one.strips }, (_, n) => [one.endX[n]!, one.endY[n]!] as const);
    const two = new Watcher().see({ counts: flip(shot.counts), amplitude: flip(shot.amplitude) }, other);
    ends.forEach(([x, y], n) => {
      const m = two.strips - 1 - n;
      if (x > 1) return; // beside the edge
      expect(Math.hypot(two.endX[m]! - x, two.endY[m]! + y)).toBeLessThan(0.04); // other lanes of the strips
    });
  });
});
