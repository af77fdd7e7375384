import { readFileSync } from "node:fs";
import { beforeEach, describe, expect, test } from "vitest";
import { fromYawPitchRoll } from "../../src/geometry/rigid.ts";
import type { DepthEvent } from "../../src/sense/events.ts";
import { type FrozenNote, FrozenWatch, frozenText, type ImageVerdict } from "../../src/sense/frozen.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

const SIZE = { width: 96, height: 64 };
const PIXELS = SIZE.width * SIZE.height;
const S = 1e6;
const FRAME = 66_000;
const DEGREE = Math.PI / 180;

/** A slope before a lens, 1.5 m away at first, that comes nearer with the way; with noise of `sigma` millimetres. */
function image(way: number, sigma: number, random: Random): Uint16Array {
  return Uint16Array.from(
    { length: PIXELS },
    (_, i) => 1500 - 1000 * way + 5 * Math.floor(i / SIZE.width) + sigma * random.gauss(),
  );
}

let watch: FrozenWatch;
let random: Random;
let notes: (FrozenNote & { time: number })[];
let sequence = 0;
beforeEach(() => {
  watch = new FrozenWatch([SIZE]);
  random = new Random(4);
  notes = [];
  sequence = 0;
});

function see(time: number, counts: Uint16Array, amplitude: Uint16Array | null = null): ImageVerdict {
  const event = { kind: "depth", time, sensor: 0, sequence: sequence++, counts, amplitude } as const;
  const { verdict, note } = watch.see(event);
  if (note !== null) notes.push({ ...note, time });
  return verdict;
}
function hear(event: Parameters<FrozenWatch["take"]>[0]): void {
  const note = watch.take(event);
  if (note !== null) notes.push({ ...note, time: event.time });
}
const wheels = (time: number, x: number, yaw = 0) =>
  hear({ kind: "motion", time, pose: [x, 0, yaw], speed: null });
const felt = (time: number, gyro: readonly [number, number, number], push = 0, noise = 1) =>
  hear({
    kind: "inertial",
    time,
    gyro: gyro.map((rate) => rate + 0.002 * noise * random.gauss()) as unknown as typeof gyro,
    accel: [push + 0.05 * noise * random.gauss(), 0.05 * noise * random.gauss(), 9.81],
    mag: null,
  });

/** Every 10 ms something may happen; every 66 ms a frame is taken. */
function run(seconds: number, tick: (time: number) => void, frame: (time: number) => void): void {
  let next = 0;
  for (let time = 0; time < seconds * S; time += 10_000) {
    tick(time);
    if (time < next) continue;
    next += FRAME;
    frame(time);
  }
}
const frozenAt = () => notes.find(({ state }) => state === "frozen")?.time ?? Number.POSITIVE_INFINITY;

describe("an image that is repeated", () => {
  test.each([0.1, 0.3, 1])(
    "while the wheels drive at %s m/s is found within 0.3 s, and says by what",
    (speed) => {
      const hung = image(0, 2, random);
      const verdicts: ImageVerdict[] = [];
      run(
        1.5,
        (time) => wheels(time, (speed * time) / S),
        // The driver hangs after half a second.
        (time) => verdicts.push(see(time, time < 0.5 * S ? image((speed * time) / S, 2, random) : hung)),
      );
      expect(notes).toMatchObject([{ stream: "depth", sensor: 0, state: "frozen", by: "odometry" }]);
      // 0.528 s is the first frame that the driver makes up.
      expect(frozenAt()).toBeLessThanOrEqual(0.528 * S + 0.3 * S);
      // Nothing of it is believed for long before.
      const wrong = verdicts.slice(9).findIndex((verdict) => verdict !== "live");
      expect(wrong).toBeLessThanOrEqual(Math.ceil(0.01 / speed / 0.066) + 1);
      expect(watch.isFrozen).toBe(true);
    },
  );

  test("is found by the gyro, and by the accelerometer, without odometry", () => {
    for (const by of ["gyro", "accelerometer"] as const) {
      watch = new FrozenWatch([SIZE]);
      notes = [];
      const hung = image(0, 2, random);
      const isMoving = (time: number) => time > 2 * S;
      run(
        3,
        (time) => {
          const turning = by === "gyro" && isMoving(time) ? 20 * DEGREE : 0;
          const pushed = by === "accelerometer" && isMoving(time) && time < 2.4 * S ? 0.7 : 0;
          felt(time, [0, 0, turning], pushed);
        },
        (time) => see(time, isMoving(time) ? hung : image(0, 2, random)),
      );
      expect(notes.filter(({ state }) => state === "frozen")).toMatchObject([{ stream: "depth", by }]);
      expect(frozenAt()).toBeLessThanOrEqual(2.3 * S + FRAME);
    }
  });

  test("stays frozen when the base has stopped for it, and is live again when it changes", () => {
    const hung = image(0, 2, random);
    run(
      3,
      (time) => wheels(time, 0.3 * Math.min(0.4, time / S)),
      (time) => see(time, time < 2 * S ? hung : image(0.12, 2, random)),
    );
    expect(notes.map(({ state }) => state)).toEqual(["frozen", "live"]);
    expect(watch.isFrozen).toBe(false);
  });

  test("is found when a driver shows its two buffers in turn, and when it counts in the image", () => {
    for (const kind of ["in turn", "counted"]) {
      watch = new FrozenWatch([SIZE]);
      notes = [];
      const [a, b] = [image(0, 2, random), image(0, 2, random)];
      let n = 0;
      run(
        1,
        (time) => wheels(time, (0.3 * time) / S),
        (time) => {
          const shown = (kind === "in turn" && n++ % 2 === 0 ? b : a).slice();
          if (kind === "counted") shown.set([time & 0xffff, n++]);
          see(time, shown);
        },
      );
      expect(frozenAt(), kind).toBeLessThan(0.4 * S);
    }
  });

  test("with new amplitudes is no repeated image", () => {
    const flat = image(0, 0, random);
    run(
      1,
      (time) => wheels(time, (0.3 * time) / S),
      (time) => see(time, flat, image(0, 20, random)),
    );
    expect(notes).toEqual([]);
  });

  test("without a return is blind, which is not for this watch to say", () => {
    run(
      2,
      (time) => wheels(time, (0.3 * time) / S),
      (time) => expect(see(time, new Uint16Array(PIXELS))).toBe("live"),
    );
    expect(notes).toEqual([]);
  });
});

describe("a simulated camera without noise", () => {
  test("that stands still is suspect after a second, and no more, however long", () => {
    run(
      30,
      (time) => {
        wheels(time, 0);
        felt(time, [0, 0, 0.5 * DEGREE]); // what a gyro is biased by
      },
      (time) => expect(see(time, image(0, 0, random))).toBe("live"),
    );
    expect(notes).toMatchObject([{ state: "suspect", by: null }]);
    expect(notes[0]!.time).toBeLessThan(1.1 * S);
    expect(watch.isFrozen).toBe(false);
  });

  test.each([-0.06, 0.06])(
    "that starts to drive is not taken for frozen when its stamps are %s s off",
    (off) => {
      const way = (time: number) => 0.25 * Math.max(0, time / S - 2) ** 2;
      run(
        5,
        (time) => wheels(time, way(time)),
        (time) => expect(see(time, image(way(time - off * S), 0, random))).not.toBe("frozen"),
      );
      expect(notes.map(({ state }) => state)).toEqual(["suspect", "live"]);
    },
  );
});

describe("a camera with noise, without other evidence of motion", () => {
  test("is frozen 0.15 s after its noise is gone", () => {
    let last = image(0, 4, random);
    for (let n = 0; n < 40; n++) {
      if (n < 20) last = image(0, 4, random);
      see(n * FRAME, last);
    }
    expect(notes).toMatchObject([{ state: "frozen", by: null, stream: "depth", sensor: 0 }]);
    expect(notes[0]!.time).toBeLessThanOrEqual(19 * FRAME + 0.15 * S + FRAME);
  });

  test("is distinguished from one without noise, which is only suspect when it stands after a drive through a room", () => {
    const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
    for (const exact of [true, false]) {
      const scenario = loadScenario({ ...JSON.parse(text), seed: 7 }, { exact });
      const { width, height } = scenario.setup.sensors[0]!.optics;
      const room = new FrozenWatch([{ width, height }]);
      const said: FrozenNote[] = [];
      let newest: DepthEvent | null = null;
      for (const event of simulateEvents(scenario)) {
        if (event.time > 6 * S) break;
        if (event.kind !== "depth") continue;
        const { note } = room.see(event);
        if (note !== null) said.push(note);
        newest = event;
      }
      // Without noise the head's stops on the way are suspect.
      expect(said.filter(({ state }) => state === "frozen")).toEqual([]);
      said.length = 0;
      for (let n = 1; n <= 30; n++) {
        const { note } = room.see({ ...newest!, time: newest!.time + n * FRAME });
        if (note !== null) said.push(note);
      }
      expect(said).toMatchObject([{ state: exact ? "suspect" : "frozen", by: null }]);
    }
  });
});

describe("an attitude", () => {
  const tilt = (yaw: number, noise: number) =>
    fromYawPitchRoll(yaw + noise * random.gauss(), noise * random.gauss(), noise * random.gauss());

  test.each([10, 40])(
    "that stands still while the wheels turn by %s degrees a second is found within 0.3 s",
    (rate) => {
      const hung = tilt(0, 0.001);
      run(
        1,
        (time) => {
          wheels(time, 0, (rate * DEGREE * time) / S);
          hear({ kind: "orientation", time, rotation: hung });
        },
        () => {},
      );
      expect(notes).toMatchObject([{ stream: "orientation", sensor: null, state: "frozen", by: "odometry" }]);
      expect(frozenAt()).toBeLessThanOrEqual(0.3 * S);
      expect(watch.isAttitudeFrozen).toBe(true);
    },
  );

  test("that stands still while the gyro turns is found", () => {
    const hung = tilt(0, 0.001);
    run(
      1,
      (time) => {
        felt(time, [0, 0, 30 * DEGREE]);
        hear({ kind: "orientation", time, rotation: hung });
      },
      () => {},
    );
    expect(notes).toMatchObject([{ stream: "orientation", state: "frozen", by: "gyro" }]);
  });

  test("without noise is not frozen on a straight way, nor at rest, nor on a steady turn", () => {
    run(
      9,
      (time) => {
        const turned = 30 * DEGREE * Math.max(0, time / S - 6);
        wheels(time, 0.3 * Math.min(3, Math.max(0, time / S - 3)), turned);
        hear({ kind: "orientation", time, rotation: fromYawPitchRoll(turned, 0, 0) });
        felt(time, [0, 0, time > 6 * S ? 30 * DEGREE : 0], 0, 0);
      },
      () => {},
    );
    expect(notes).toEqual([]);
  });

  test("made of raw rates that repeat themselves while the wheels turn is found", () => {
    run(
      1,
      (time) => {
        wheels(time, 0, (30 * DEGREE * time) / S);
        hear({ kind: "inertial", time, gyro: [0, 0, 0.001], accel: [0.1, 0, 9.8], mag: null });
      },
      () => {},
    );
    expect(notes).toMatchObject([{ stream: "inertial", state: "frozen", by: "odometry" }]);
    expect(frozenAt()).toBeLessThanOrEqual(0.3 * S);
  });
});

test("the note for people names the stream and the contradicting source", () => {
  const note = { stream: "depth", sensor: 0, state: "frozen", by: "odometry" } as const;
  expect(frozenText(note, [{ name: "front" }])).toBe(
    "front repeats its last image, though the odometry says that the head moves: the base stops",
  );
  expect(frozenText({ ...note, stream: "orientation", sensor: null, by: "gyro" }, [])).toMatch(
    /^orientation repeats its last sample, though the gyro/,
  );
});
