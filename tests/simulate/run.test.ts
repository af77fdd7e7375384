import { createHash } from "node:crypto";
import { readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { conjugate, fromRotationVector, multiply, toRotationVector, turn } from "../../src/geometry/rigid.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { RADIANS } from "../../src/simulate/attitude.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { ScenarioError } from "../../src/simulate/fields.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

const STUDIO = JSON.parse(
  readFileSync(new URL("../../datasets/pottery-studio.json", import.meta.url), "utf8"),
);

interface Room {
  name?: string;
  materials: object;
  scene: object[];
  base: object;
  sensors: { optics: object; [more: string]: unknown }[];
  drive: object;
  kits?: object;
  [more: string]: unknown;
}

/** A small room with a post and a short drive; every test changes what it is about. */
const room = (): Room => ({
  name: "room",
  seed: 5,
  materials: { floor: { reflectance: 0.4 }, wall: { reflectance: 0.7 }, mat: { reflectance: 0.02 } },
  scene: [
    { shape: "floor", material: "floor", rect: [-2, -2, 5, 3] },
    { shape: "box", material: "wall", at: [5, 0.5], size: [0.2, 5, 2] },
    { shape: "cylinder", material: "wall", at: [2, 2], radius: 0.1, height: 1 },
  ],
  base: { dip: { gain: 2.5 }, bumper: 0.2, floorSensors: { points: [[0.18, 0]] } },
  head: { position: [0.1, 0, 0.25], pitch: 3 },
  imu: { position: [0.02, -0.03, 0.01] },
  sensors: [
    {
      name: "depth",
      rate: 5,
      optics: { width: 32, height: 24, fieldOfView: [70, 55], minRange: 0.1, maxRange: 5 },
      mount: { pitch: 15 },
      noise: {
        gate: 100,
        seen: { reflectance: 0.8, range: 4 },
        frequency: 60e6,
        dark: 100,
      },
    },
  ],
  inertial: { gyroNoise: 0.01, accelNoise: 0.002 },
  orientation: { yawDrift: 2, noise: 0.05 },
  odometry: { scale: 0.02, noise: 0.003 },
  drive: { closed: true, points: [{ at: [0, 0] }, { at: [2, 0] }, { at: [2.2, 1.2] }, { at: [0.3, 1.5] }] },
});

const run = (json: unknown, options = {}): HeadEvent[] => [...simulateEvents(loadScenario(json, options))];
const only = <K extends HeadEvent["kind"]>(events: HeadEvent[], kind: K) =>
  events.filter((event): event is Extract<HeadEvent, { kind: K }> => event.kind === kind);

function digest(events: Iterable<HeadEvent>): string {
  const hash = createHash("sha256");
  for (const event of events) {
    hash.update(JSON.stringify(event, (_, value) => (ArrayBuffer.isView(value) ? undefined : value)));
    if (event.kind === "depth") hash.update(event.counts).update(event.amplitude ?? "");
  }
  return hash.digest("hex");
}

describe("a run", () => {
  test("is the same, byte for byte, for the same scenario and seed, and another for another seed", () => {
    const first = digest(run(room()));
    expect(digest(run(room()))).toBe(first);
    expect(digest(run({ ...room(), seed: 6 }))).not.toBe(first);
  });

  test("gives events in order of time, the exact pose of a frame right before it", () => {
    const events = run(room());
    let last = 0;
    for (const event of events) {
      expect(event.time).toBeGreaterThanOrEqual(last);
      last = event.time;
    }
    const frames = only(events, "depth");
    expect(frames.length).toBeGreaterThan(20);
    frames.forEach((frame, k) => {
      expect(frame.sequence).toBe(k);
      expect(frame.time).toBe(200_000 * k);
      const known = events.slice(0, events.indexOf(frame)).filter((event) => event.kind === "reference");
      expect(known.at(-1)?.time).toBe(frame.time);
    });
  });

  test("over several laps repeats the frames, with fresh inertial noise, and wheels count on", () => {
    const lap = loadScenario(room()).lap;
    const events = run(room(), { repeat: 3 });
    const frames = only(events, "depth");
    const perLap = Math.round(lap * 5);
    expect(frames).toHaveLength(3 * perLap);
    expect(frames[perLap + 4]!.counts).toEqual(frames[4]!.counts);
    expect(frames[perLap + 4]!.time - frames[4]!.time).toBe(Math.round(lap * 1e6));
    const gyro = only(events, "inertial");
    expect(gyro[Math.round(lap * 100) + 5]!.gyro).not.toEqual(gyro[5]!.gyro);
    const turned = only(events, "motion").at(-1)!.pose[2];
    expect(Math.abs(turned - 3 * 2 * Math.PI)).toBeLessThan(0.3); // three rounds to the left
    const poses = only(events, "reference");
    poses[4]!.pose.position.forEach((c, a) => {
      expect(poses[perLap + 4]!.pose.position[a]).toBeCloseTo(c, 9);
    });
  });
});

describe("motion", () => {
  test("noise-free gyro rates integrate to the true attitude", () => {
    const scenario = loadScenario(room(), { exact: true });
    const events = [...simulateEvents(scenario)];
    const { baseFromHead, headFromImu } = scenario.setup;
    const mount = multiply(baseFromHead.rotation, headFromImu.rotation);
    let attitude = multiply(scenario.drive.poseAt(0).rotation, mount);
    let worst = 0;
    let sharpest = 0;
    for (const { time, gyro } of only(events, "inertial")) {
      attitude = multiply(attitude, fromRotationVector([gyro[0] / 100, gyro[1] / 100, gyro[2] / 100]));
      const truth = multiply(scenario.drive.poseAt(time / 1e6).rotation, mount);
      worst = Math.max(worst, Math.hypot(...toRotationVector(multiply(conjugate(truth), attitude))));
      sharpest = Math.max(sharpest, Math.abs(gyro[2]));
    }
    expect(worst).toBeLessThan(1e-9);
    expect(sharpest).toBeGreaterThan(0.3); // it did turn
    expect(sharpest).toBeLessThan(60 * RADIANS * 1.2); // within the chassis' turn rate
  });

  test("noise-free specific force integrates to the way driven, and is gravity at rest", () => {
    const scenario = loadScenario(room(), { exact: true });
    const events = [...simulateEvents(scenario)];
    const { baseFromHead, headFromImu } = scenario.setup;
    const mount = multiply(baseFromHead.rotation, headFromImu.rotation);
    const attitudeAt = (time: number) => multiply(scenario.drive.poseAt(time).rotation, mount);
    const imuAt = (time: number) => {
      const base = scenario.drive.poseAt(time);
      const arm = turn(baseFromHead.rotation, headFromImu.position);
      const reach = turn(base.rotation, [
        arm[0] + baseFromHead.position[0],
        arm[1] + baseFromHead.position[1],
        arm[2] + baseFromHead.position[2],
      ]);
      return base.position.map((c, a) => c + reach[a]!);
    };
    const speed = [0, 0, 0];
    const place = imuAt(0);
    let worst = 0;
    for (const { time, accel } of only(events, "inertial")) {
      const now = time / 1e6;
      const before = attitudeAt(now - 0.01);
      const turned = toRotationVector(multiply(conjugate(before), attitudeAt(now)));
      const middle = multiply(before, fromRotationVector([turned[0] / 2, turned[1] / 2, turned[2] / 2]));
      const force = turn(middle, accel);
      for (let a = 0; a < 3; a++) {
        const gain = (force[a]! - (a === 2 ? 9.80665 : 0)) * 0.01;
        place[a]! += (speed[a]! + gain / 2) * 0.01;
        speed[a]! += gain;
      }
      const truth = imuAt(now);
      worst = Math.max(
        worst,
        Math.hypot(place[0]! - truth[0]!, place[1]! - truth[1]!, place[2]! - truth[2]!),
      );
    }
    expect(worst).toBeLessThan(0.005);
    // The drive ends standing: the imu, pitched 3 degrees with the head, feels gravity alone.
    const rest = only(events, "inertial").at(-1)!;
    expect(rest.accel[0]).toBeCloseTo(-9.80665 * Math.sin(3 * RADIANS), 2);
    expect(Math.hypot(...rest.accel)).toBeCloseTo(9.80665, 3);
  });

  test("braking dips the nose and speeding up lifts it, by the stated gain", () => {
    const json = room();
    json.drive = { points: [{ at: [0, 0] }, { at: [3, 0], speed: 1 }] };
    Object.assign(json.base, { acceleration: 0.8, braking: 0.8 });
    const { drive } = loadScenario(json);
    const pitch = (time: number): number => -Math.asin(2 * pick(drive.poseAt(time).rotation));
    const pick = ([x, y, z, w]: readonly number[]): number => x! * z! - w! * y!;
    const pitches = Array.from({ length: 400 }, (_, k) => pitch((k / 400) * drive.duration));
    // A damped spring overshoots its steady 2.5 deg per m/s^2 * 0.8 m/s^2 by exp(-pi z / sqrt(1 - z^2)), z = 0.4.
    const most = 2.5 * 0.8 * RADIANS * (1 + Math.exp((-Math.PI * 0.4) / Math.sqrt(1 - 0.16)));
    expect(Math.max(...pitches) / most).toBeCloseTo(1, 1);
    expect(Math.min(...pitches) / most).toBeCloseTo(-1, 1);
    expect(pitches.indexOf(Math.min(...pitches))).toBeLessThan(pitches.indexOf(Math.max(...pitches)));
  });

  test("the fused attitude keeps roll and pitch and drifts in yaw at the stated rate, and its stamps are late", () => {
    const late = 0.02;
    const scenario = loadScenario({ ...room(), orientation: { yawDrift: 60, noise: 0, late } });
    const { baseFromHead, headFromImu } = scenario.setup;
    const mount = multiply(baseFromHead.rotation, headFromImu.rotation);
    for (const { time, rotation } of only([...simulateEvents(scenario)], "orientation")) {
      const then = time / 1e6 - late;
      const truth = multiply(scenario.drive.poseAt(then).rotation, mount);
      const error = toRotationVector(multiply(rotation, conjugate(truth)));
      expect(error[0]).toBeCloseTo(0, 9);
      expect(error[1]).toBeCloseTo(0, 9);
      expect(error[2]).toBeCloseTo(then * RADIANS, 9); // 60 degrees a minute
    }
  });

  test("wheels count their scale error, and more on a rug they slip on", () => {
    const straight = (odometry: object) => {
      const points = [{ at: [0, 0] }, { at: [3, 0] }];
      return only(run({ ...room(), drive: { points }, odometry }), "motion").at(-1)!.pose[0];
    };
    expect(straight({})).toBeCloseTo(3, 2);
    expect(straight({ scale: 0.02 })).toBeCloseTo(3.06, 2);
    expect(straight({ slips: [{ rect: [1, -1, 2, 1], share: 0.3 }] })).toBeCloseTo(3.3, 1);
  });

  test("exact wheels give the true way", () => {
    const events = run(room(), { exact: true });
    const poses = new Map(only(events, "reference").map((event) => [event.time, event.pose]));
    let compared = 0;
    for (const { time, pose } of only(events, "motion")) {
      const truth = poses.get(time);
      if (!truth) continue;
      compared++;
      expect(Math.hypot(pose[0] - truth.position[0], pose[1] - truth.position[1])).toBeLessThan(0.005);
    }
    expect(compared).toBeGreaterThan(20);
  });

  test("wheels climb a ramp and a threshold: height and pitch follow the floor", () => {
    const json = room();
    json.drive = { points: [{ at: [0, 0] }, { at: [4, 0] }] };
    json.base = { wheelbase: 0.3 };
    json.scene = [
      { shape: "floor", material: "floor", rect: [-2, -2, 6, 3] },
      { shape: "ramp", material: "floor", at: [1.6, 0], size: [1.2, 1], heights: [0, 0.1] },
      { shape: "box", material: "floor", at: [3.2, 0], size: [2, 1, 0.1] },
    ];
    const { drive } = loadScenario(json);
    const at = (x: number) => {
      let time = 0;
      while (drive.poseAt(time).position[0] < x) time += 0.01;
      return drive.poseAt(time);
    };
    const [, pitch] = toRotationVector(at(1.6).rotation);
    expect(pitch).toBeCloseTo(-Math.atan(1 / 12), 3); // nose up
    expect(at(1.6).position[2]).toBeCloseTo(0.05, 2);
    expect(at(3.2).position[2]).toBeCloseTo(0.1, 6);
    expect(at(0.5).position[2]).toBeCloseTo(0, 9);
  });
});

describe("the base's own sensors", () => {
  const forward = { points: [{ at: [0, 0] }, { at: [2, 0] }] };

  test("a dark mat raises a false alarm while the sensor is over it", () => {
    const json = room();
    const mat = { shape: "box", material: "mat", at: [1, 0], size: [0.6, 0.8, 0.005] };
    json.scene.push(mat);
    const events = run({ ...json, drive: forward }, { exact: true });
    const alarms = only(events, "floorcheck");
    expect(alarms.map(({ alarm }) => alarm)).toEqual([true, false]);
    const { drive } = loadScenario({ ...json, drive: forward });
    const at = alarms.map(({ time, point }) => drive.poseAt(time / 1e6).position[0] + point[0]);
    expect(at[0]).toBeCloseTo(0.7, 1);
    expect(at[1]).toBeCloseTo(1.3, 1);
  });

  test("a missing floor raises an alarm", () => {
    const json = room();
    json.scene = [{ shape: "floor", material: "floor", rect: [-2, -2, 2.17, 3] }];
    expect(only(run({ ...json, drive: forward }), "floorcheck").map(({ alarm }) => alarm)).toEqual([true]);
  });

  test("running into a post gives one knock where it touches", () => {
    const json = room();
    const post = { shape: "cylinder", material: "wall", at: [2.23, 0.1], radius: 0.05, height: 1 };
    json.scene.push(post);
    const knocks = only(run({ ...json, drive: forward }), "knock");
    expect(knocks).toHaveLength(1);
    expect(knocks[0]!.point[0]).toBe(0.2);
    expect(Math.abs(knocks[0]!.point[1] - 0.1)).toBeLessThan(0.05);
  });
});

describe("an invalid scenario is refused with field, value and fix", () => {
  const broken: [string, (json: Room) => void, RegExp][] = [
    ["no name", (json) => delete json.name, /^name: got nothing; give a text/],
    ["a misspelt field", (json) => Object.assign(json, { sead: 3 }), /^sead: no such field.*seed/],
    [
      "a negative reflectance",
      (json) => Object.assign(json.materials, { floor: { reflectance: -1 } }),
      /^materials\.floor\.reflectance: got -1; give a number from 0 to 1/,
    ],
    [
      "an unknown material",
      (json) => Object.assign(json.scene[1]!, { material: "wal" }),
      /^scene\[1\]\.material: got "wal"; name one of floor, wall, mat/,
    ],
    [
      "an unknown shape",
      (json) => Object.assign(json.scene[2]!, { shape: "cone" }),
      /^scene\[2\]\.shape: got "cone"; give one of "box"/,
    ],
    [
      "a drive over an edge",
      (json) => {
        Object.assign(json.scene[0]!, { rect: [-2, -2, 1, 3] });
        json.scene.push({ shape: "floor", material: "floor", rect: [1, -2, 5, 3], top: -0.05 });
      },
      /^drive\.points: the wheel at \(1\..* meets a drop of 50 mm/,
    ],
    [
      "a drive against a step",
      (json) => json.scene.push({ shape: "floor", material: "floor", rect: [1, -2, 5, 3], top: 0.05 }),
      /^drive\.points: the wheel at \(1\..* is stopped by a step of 50 mm/,
    ],
    [
      "laps that do not close",
      (json) => Object.assign(json, { repeat: 2, drive: { points: [{ at: [0, 0] }, { at: [1, 0] }] } }),
      /^repeat: got 2; .*drive\.closed/,
    ],
    [
      "one way point",
      (json) => Object.assign(json, { drive: { points: [{ at: [0, 0] }] } }),
      /^drive\.points/,
    ],
    [
      "a range that the counts cannot hold",
      (json) => {
        const sensor = json.sensors[0]!;
        Object.assign(sensor.optics, { maxRange: 70 });
      },
      /^sensors\[0\]\.optics\.maxRange: got 70; .*65\.53/,
    ],
    [
      "a kit that holds itself",
      (json) => {
        json.kits = { loop: [{ shape: "kit", kit: "loop", at: [0, 0] }] };
        json.scene.push({ shape: "kit", kit: "loop", at: [0, 0] });
      },
      /nested more than 8 deep/,
    ],
    [
      "copies without end",
      (json) => Object.assign(json.scene[1]!, { copies: { count: [1000, 1000], step: [1, 1] } }),
      /^scene\[1\]\.copies: .*at most 20000/,
    ],
    [
      "empty kits of kits of kits",
      (json) => {
        const copies = { count: [1000, 1000], step: [0, 0] };
        json.kits = { none: [], some: [{ shape: "kit", kit: "none", at: [0, 0], copies }] };
        json.scene.push({ shape: "kit", kit: "some", at: [0, 0], copies });
      },
      /places at most 100000/,
    ],
    [
      "more rays than memory",
      (json) => Object.assign(json.sensors[0]!.optics, { width: 4096, height: 4096 }),
      /^sensors\[0\]\.optics: .*at most 8388608/,
    ],
    [
      "a way without floor",
      (json) => Object.assign(json.scene[0]!, { rect: [-2, -2, -1, 3] }),
      /^drive\.points: the wheel at .* has no floor under it/,
    ],
    [
      "the same way point twice",
      (json) => Object.assign(json.drive, { points: [{ at: [0, 0] }, { at: [1, 0] }, { at: [1, 0] }] }),
      /^drive\.points: point 1 is where the next one is/,
    ],
    [
      "a way round the world",
      (json) => Object.assign(json, { drive: { points: [-9e3, 9e3, -9e3].map((x) => ({ at: [x, 0] })) } }),
      /^drive\.points: the way is 36000 m long/,
    ],
  ];
  test.each(broken)("%s", (_, spoil, message) => {
    const json = room();
    spoil(json);
    expect(() => loadScenario(json)).toThrow(message);
  });

  test.each([[null], [[]], ["text"], [7]])("%j instead of an object", (json) => {
    expect(() => loadScenario(json)).toThrow(/^scenario: got/);
  });
});

test("a scenario with any one value replaced loads, or fails with an error that names a field", () => {
  const random = new Random(99);
  const odd = [null, -1, 0, 1e9, 1e-9, "x", "", true, [], {}, [1], [0, 0], [[]], { shape: "kit" }, 0.5, 7];
  /** Replaces one value somewhere below `at`. */
  const spoil = (at: unknown): boolean => {
    if (typeof at !== "object" || at === null) return false;
    const keys = Object.keys(at);
    const key = keys[Math.floor(random.uniform() * keys.length)];
    if (key === undefined) return false;
    const holder = at as Record<string, unknown>;
    if (random.uniform() < 0.6 && spoil(holder[key])) return true;
    holder[key] = odd[Math.floor(random.uniform() * odd.length)];
    return true;
  };
  const fates = { loads: 0, fails: 0 };
  for (let k = 0; k < 400; k++) {
    const json = JSON.parse(JSON.stringify(room()));
    spoil(json);
    try {
      loadScenario(json);
      fates.loads++;
    } catch (error) {
      if (!(error instanceof ScenarioError)) throw error;
      expect(error.message).toMatch(/^[\w.[\] ]+: .+/);
      fates.fails++;
    }
  }
  expect(fates.fails).toBeGreaterThan(100);
  expect(fates.loads).toBeGreaterThan(20);
});

describe("the pottery studio", () => {
  test("has the drops, the ramp and the platform that it is for", () => {
    const { scene, drive } = loadScenario(STUDIO);
    const floor = (x: number, y: number): number => 0.3 - scene.cast(x, y, 0.3, 0, 0, -1, 25);
    expect(floor(6.5, 2.35)).toBeCloseTo(-0.17, 9);
    expect(floor(6, 3)).toBeCloseTo(-0.34, 9);
    expect(floor(2.5, 4) < -1 && floor(3.8, 4) < -2).toBe(true);
    expect(floor(6.8, -1.5)).toBeCloseTo(0.15, 9);
    expect(floor(5.3, -1.9)).toBeCloseTo(0.075, 9);
    // The trolley starts where the world does, drives onto the platform and comes back.
    expect(drive.poseAt(0)).toEqual({ position: [0, 0, 0], rotation: [0, 0, 0, 1] });
    const heights = Array.from(
      { length: 200 },
      (_, k) => drive.poseAt((k / 199) * drive.duration).position[2],
    );
    expect(Math.max(...heights)).toBeCloseTo(0.15, 3);
    expect(heights.at(-1)).toBeCloseTo(0, 3);
  });

  test("its first seconds render with most pixels valid and many not", () => {
    let valid = 0;
    let pixels = 0;
    for (const event of simulateEvents(loadScenario({ ...STUDIO, duration: 3 }))) {
      if (event.kind !== "depth") continue;
      pixels += event.counts.length;
      valid += event.counts.filter((count) => count > 0).length;
    }
    expect(pixels).toBe(36 * 160 * 120);
    expect(valid / pixels).toBeGreaterThan(0.5);
    expect(valid / pixels).toBeLessThan(0.95);
  });
});
