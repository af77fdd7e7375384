import type { Pose, Vec3 } from "../geometry/optics.ts";
import { compose, turn } from "../geometry/rigid.ts";
import type { DepthEvent, FloorcheckEvent, HeadEvent, KnockEvent, ReferenceEvent } from "../sense/events.ts";
import { lensPose } from "./attitude.ts";
import { carried, inertialSamples, odometrySamples, orientationSamples } from "./motion.ts";
import { Random } from "./random.ts";
import { renderDepth } from "./render.ts";
import type { Scenario } from "./scenario.ts";

/** Random streams: each kind of event has its own, so that changing one leaves the others as they were. */
const STREAM = { inertial: 1, orientation: 2, odometry: 3, depth: 16 } as const;

const KNOCK_RATE = 50; // looks a second
const BUMPER_HEIGHT = 0.06; // metres over the floor
const BUMPER_POINTS = 9;
const SENSOR_HEIGHT = 0.02; // of the floor sensors, metres

const microseconds = (seconds: number): number => Math.round(seconds * 1e6);

/** A drive of several laps as one: time and wheel counts continue, places repeat. */
function laps(scenario: Scenario) {
  const { drive, lap } = scenario;
  const whole = drive.motionAt(lap);
  const split = (time: number): { round: number; local: number } => {
    const round = Math.min(Math.max(Math.floor(time / lap + 1e-9), 0), scenario.repeat - 1);
    return { round, local: time - round * lap };
  };
  return {
    split,
    worldFromBase: (time: number): Pose => drive.poseAt(split(time).local),
    motionAt: (time: number) => {
      const { round, local } = split(time);
      const motion = drive.motionAt(local);
      return {
        ...motion,
        driven: motion.driven + round * whole.driven,
        turned: motion.turned + round * whole.turned,
      };
    },
  };
}

/** Depth frames, each after the exact pose at its stamp; later laps give the first lap's frames again. */
function* frames(scenario: Scenario, sensor: number): Generator<DepthEvent> {
  const plan = scenario.sensors[sensor]!;
  const { optics } = scenario.setup.sensors[sensor]!;
  const { worldFromBase, split } = laps(scenario);
  const noise = plan.noise && { ...plan.noise, random: new Random(scenario.seed, STREAM.depth + sensor) };
  const perLap = scenario.lap * plan.rate;
  const whole = Math.abs(perLap - Math.round(perLap)) < 1e-6 ? Math.round(perLap) : 0;
  const kept: { counts: Uint16Array; amplitude: Uint16Array }[] = [];
  const total = scenario.lap * scenario.repeat;
  for (let k = 0; plan.start + k / plan.rate < total - 1e-9; k++) {
    const time = plan.start + k / plan.rate;
    const event = { kind: "depth", time: microseconds(time), sensor, sequence: k } as const;
    const known = whole > 0 ? kept[k % whole] : undefined;
    if (known && k >= whole) {
      yield { ...event, counts: known.counts.slice(), amplitude: known.amplitude.slice() };
      continue;
    }
    const counts = new Uint16Array(optics.width * optics.height);
    const amplitude = new Uint16Array(counts.length);
    const lens = lensPose(scenario.setup, sensor, worldFromBase(time));
    const view = { worldFromLens: lens, time: split(time).local, noise };
    renderDepth(scenario.scene, optics, view, { counts, amplitude });
    if (scenario.repeat > 1 && whole > 0) kept.push({ counts: counts.slice(), amplitude: amplitude.slice() });
    yield { ...event, counts, amplitude };
  }
}

/** The exact pose of the base at every stamp of a depth frame, once each. */
function* references(scenario: Scenario): Generator<ReferenceEvent> {
  const { worldFromBase } = laps(scenario);
  const total = scenario.lap * scenario.repeat;
  const times = new Set<number>();
  for (const { start, rate } of scenario.sensors) {
    for (let k = 0; start + k / rate < total - 1e-9; k++) times.add(microseconds(start + k / rate));
  }
  for (const time of [...times].sort((a, b) => a - b)) {
    yield { kind: "reference", time, of: "base", sensor: 0, pose: worldFromBase(time / 1e6) };
  }
}

/** Where the front edge of the base first runs into something. */
function* knocks(scenario: Scenario): Generator<KnockEvent> {
  const { worldFromBase, split } = laps(scenario);
  const { bumper, scene } = scenario;
  const points = Array.from({ length: BUMPER_POINTS }, (_, i): Vec3 => {
    return [bumper.x, bumper.halfWidth * ((2 * i) / (BUMPER_POINTS - 1) - 1), BUMPER_HEIGHT];
  });
  let closed = false;
  for (let k = 0; k < scenario.lap * scenario.repeat * KNOCK_RATE; k++) {
    const time = k / KNOCK_RATE;
    const base = worldFromBase(time);
    const hit = points.find((point) => {
      const [x, y, z] = turn(base.rotation, point);
      return scene.solidAt(
        x + base.position[0],
        y + base.position[1],
        z + base.position[2],
        split(time).local,
      );
    });
    if (hit && !closed) yield { kind: "knock", time: microseconds(time), point: hit };
    closed = hit !== undefined;
  }
}

/** Alarms of the base's own floor sensors: a missing floor, and a floor too dark for them (a false alarm). */
function* floorchecks(scenario: Scenario): Generator<FloorcheckEvent> {
  const { worldFromBase, split } = laps(scenario);
  const { floorSensors, scene } = scenario;
  const alarms = floorSensors.points.map(() => false);
  for (let k = 0; k < scenario.lap * scenario.repeat * floorSensors.rate; k++) {
    const time = k / floorSensors.rate;
    const base = worldFromBase(time);
    for (const [i, point] of floorSensors.points.entries()) {
      const [x, y, z] = turn(base.rotation, [point[0], point[1], SENSOR_HEIGHT]);
      const [dx, dy, dz] = turn(base.rotation, [0, 0, -1]);
      const [bx, by, bz] = base.position;
      const down = scene.cast(x + bx, y + by, z + bz, dx, dy, dz, split(time).local);
      const missing = down > SENSOR_HEIGHT + floorSensors.drop;
      const alarm = missing || scene.materialOf(scene.hitSolid).reflectance < floorSensors.darkest;
      if (alarm !== alarms[i]) yield { kind: "floorcheck", time: microseconds(time), point, alarm };
      alarms[i] = alarm;
    }
  }
}

/**
 * Runs a scenario: its events in order of time. At equal times the exact pose comes first and depth last. Every
 * event owns its arrays. The same scenario and seed give the same events.
 * @param onProgress receives seconds done and seconds in all, once per depth frame
 */
export function* simulateEvents(
  scenario: Scenario,
  onProgress?: (done: number, total: number) => void,
): Generator<HeadEvent> {
  const { worldFromBase, motionAt } = laps(scenario);
  const { seed, setup } = scenario;
  const total = scenario.lap * scenario.repeat;
  const worldFromImu = carried(worldFromBase, compose(setup.baseFromHead, setup.headFromImu));
  const streams: Generator<HeadEvent>[] = [references(scenario)];
  if (scenario.inertial) {
    streams.push(inertialSamples(worldFromImu, total, scenario.inertial, new Random(seed, STREAM.inertial)));
  }
  if (scenario.orientation) {
    const random = new Random(seed, STREAM.orientation);
    streams.push(orientationSamples(worldFromImu, total, scenario.orientation, random));
  }
  if (scenario.odometry) {
    const random = new Random(seed, STREAM.odometry);
    streams.push(odometrySamples({ motionAt, worldFromBase, duration: total }, scenario.odometry, random));
  }
  streams.push(knocks(scenario), floorchecks(scenario));
  scenario.sensors.forEach((_, sensor) => {
    streams.push(frames(scenario, sensor));
  });
  yield { kind: "mark", time: 0, text: `simulated: ${scenario.name}, seed ${seed}` };
  const heads = streams.map((stream) => stream.next());
  for (;;) {
    let first = -1;
    for (let i = 0; i < heads.length; i++) {
      if (heads[i]!.done) continue;
      if (first < 0 || heads[i]!.value.time < heads[first]!.value.time) first = i;
    }
    const head = heads[first];
    if (!head || head.done) return;
    yield head.value;
    if (head.value.kind === "depth") onProgress?.(Math.min(head.value.time / 1e6, total), total);
    heads[first] = streams[first]!.next();
  }
}
