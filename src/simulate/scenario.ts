import { square, tanOf } from "../geometry/elementary.ts";
import type { Optics, Pose } from "../geometry/optics.ts";
import { fromYawPitchRoll } from "../geometry/rigid.ts";
import type { SensorSetup, Setup } from "../sense/events.ts";
import { lensFromAngles, RADIANS } from "./attitude.ts";
import { type Chassis, Drive, DriveError, type WayPoint } from "./drive.ts";
import { Fields, ScenarioError } from "./fields.ts";
import type { InertialNoise, OdometryNoise, OrientationNoise } from "./motion.ts";
import type { SensorNoise } from "./render.ts";
import { Scene } from "./scene.ts";
import { FAR, type Kits, readMaterials, readMover, SolidReader, WORLD } from "./shapes.ts";

/** The base's bumper: an upright front edge at x (metres ahead of the base point), and its half width. */
export interface Bumper {
  readonly x: number;
  readonly halfWidth: number;
}

/** Infrared sensors that look down from the base, 20 mm above the floor. */
export interface FloorSensors {
  readonly points: readonly (readonly [number, number])[];
  /** Metres below floor level at which the floor counts as missing. */
  readonly drop: number;
  /** Reflectance below which a floor looks missing to them (a false alarm). */
  readonly darkest: number;
  readonly rate: number;
}

export interface SensorPlan {
  readonly rate: number;
  /** Seconds of the first frame. */
  readonly start: number;
  /** Everything except the random numbers, which are created for each run; null renders exactly. */
  readonly noise: Omit<SensorNoise, "random"> | null;
}

export interface Scenario {
  readonly name: string;
  readonly seed: number;
  readonly setup: Setup;
  readonly scene: Scene;
  readonly drive: Drive;
  /** Seconds of one lap; laps run `repeat` times. */
  readonly lap: number;
  readonly repeat: number;
  readonly sensors: readonly SensorPlan[];
  readonly inertial: InertialNoise | null;
  readonly orientation: OrientationNoise | null;
  readonly odometry: OdometryNoise | null;
  readonly bumper: Bumper;
  readonly floorSensors: FloorSensors;
}

/** Rays of a frame with sub-rays everywhere; the table of their directions takes 24 bytes each. */
const MOST_RAYS = 2 ** 23;

function readMount(f: Fields, ofLens: boolean): Pose {
  const position = f.triple("position", -10, 10, [0, 0, 0]);
  const yaw = f.number("yaw", -360, 360, 0) * RADIANS;
  const pitch = f.number("pitch", -180, 180, 0) * RADIANS;
  const roll = f.number("roll", -180, 180, 0) * RADIANS;
  return {
    position,
    rotation: ofLens ? lensFromAngles(yaw, pitch, roll) : fromYawPitchRoll(yaw, pitch, roll),
  };
}

function readOptics(f: Fields): Optics {
  const model = f.choice("model", ["pinhole", "fisheye", "scan"], "pinhole");
  const width = f.whole("width", 1, 4096);
  const counts = {
    measures: f.choice("measures", ["z", "range"], model === "scan" ? "range" : "z"),
    unit: f.number("unit", 1e-6, 1, 0.001),
    minRange: f.number("minRange", 0, 1000),
    maxRange: f.number("maxRange", 0, 1000),
  };
  if (counts.maxRange <= counts.minRange) f.fail("maxRange", "give more than minRange");
  if (counts.maxRange / counts.unit > 65535) {
    f.fail(
      "maxRange",
      `${counts.unit} m a count reaches ${(65535 * counts.unit).toFixed(2)} m: give less, or a coarser unit`,
    );
  }
  let optics: Optics;
  if (model === "scan") {
    if (counts.measures !== "range") f.fail("measures", 'a scan measures "range"');
    const firstAngle = f.number("firstAngle", -360, 360) * RADIANS;
    const step = f.number("step", -90, 90) * RADIANS;
    if (step === 0) f.fail("step", "give the degrees between beams, not 0");
    optics = { ...counts, model, width, height: 1, firstAngle, step };
  } else {
    const height = f.whole("height", 1, 4096);
    const [acrossX, acrossY] = f.pair("fieldOfView", 0.01, 179, [60, 60]);
    const half = (angle: number): number =>
      model === "pinhole" ? tanOf((angle * RADIANS) / 2) : (angle * RADIANS) / 2;
    const lens = {
      width,
      height,
      fx: f.number("fx", 1e-3, 1e7, width / 2 / half(acrossX)),
      fy: f.number("fy", 1e-3, 1e7, height / 2 / half(acrossY)),
      cx: f.number("cx", -1e5, 1e5, (width - 1) / 2),
      cy: f.number("cy", -1e5, 1e5, (height - 1) / 2),
    };
    if (!f.has("fieldOfView") && !(f.has("fx") && f.has("fy"))) {
      f.fail("fieldOfView", "give [across, down] in degrees, or fx and fy in pixels");
    }
    if (model === "pinhole") {
      const range = { min: -10, max: 10, fallback: [0, 0, 0, 0, 0] };
      const [k1 = 0, k2 = 0, p1 = 0, p2 = 0, k3 = 0] = f.numbers("distortion", 5, range);
      optics = { ...counts, ...lens, model, distortion: [k1, k2, p1, p2, k3] };
    } else {
      const range = { min: -10, max: 10, fallback: [0, 0, 0, 0] };
      const [k1 = 0, k2 = 0, k3 = 0, k4 = 0] = f.numbers("distortion", 4, range);
      optics = { ...counts, ...lens, model, distortion: [k1, k2, k3, k4] };
    }
  }
  f.done();
  return optics;
}

function readSensorNoise(f: Fields): Omit<SensorNoise, "random"> {
  const seen = f.object("seen");
  const noise = {
    gate: f.number("gate", 1e-3, 1e6),
    seen: { reflectance: seen.number("reflectance", 1e-3, 1), range: seen.number("range", 0.01, 1000) },
    frequency: f.number("frequency", 1e5, 1e9),
    wrap: f.flag("wrap", false),
    dark: f.number("dark", 0, 1e6, 0),
    contrast: f.number("contrast", 0.01, 1, 0.8),
    sun: f.list("sun", 0, (value, path) => {
      const s = new Fields(value, path);
      const patch = { rect: s.rect("rect"), counts: s.number("counts", 0, 1e9) };
      s.done();
      return patch;
    }),
    saturation: f.number("saturation", 1, 1e9, 1e9),
    amplitudeUnit: f.number("amplitudeUnit", 1e-3, 1e6, 1),
    shot: f.flag("shot", true),
    subRays: f.whole("subRays", 1, 16, 3),
  };
  seen.done();
  f.done();
  return noise;
}

function readChassis(f: Fields): Chassis {
  const dip = f.object("dip");
  const chassis = {
    wheelbase: f.number("wheelbase", 0.01, 10, 0.3),
    track: f.number("track", 0.01, 10, 0.3),
    wheelRadius: f.number("wheelRadius", 0.005, 1, 0.06),
    acceleration: f.number("acceleration", 0.01, 10, 0.5),
    braking: f.number("braking", 0.01, 10, 0.7),
    turnRate: f.number("turnRate", 1, 720, 60) * RADIANS,
    dip: {
      gain: dip.number("gain", -45, 45, 0) * RADIANS,
      frequency: dip.number("frequency", 0.1, 20, 2.5),
      damping: dip.number("damping", 0.01, 10, 0.4),
    },
  };
  dip.done();
  return chassis;
}

function readWayPoint(value: unknown, path: string): WayPoint {
  const f = new Fields(value, path);
  const [x, y] = f.pair("at", -FAR, FAR);
  const look = f.list("look", 0, (angle, anglePath) => {
    if (typeof angle === "number" && Math.abs(angle) <= 3600) return angle * RADIANS;
    throw new ScenarioError(`${anglePath}: got ${JSON.stringify(angle)}; give headings in degrees`);
  });
  const point = {
    x,
    y,
    speed: f.number("speed", 0.01, 10, 0.5),
    corner: f.number("corner", 0, 100, 0.4),
    pause: f.number("pause", 0, 1e4, 0),
    look,
  };
  f.done();
  return point;
}

const perMinute = RADIANS / 60;

function readMotion(root: Fields): Pick<Scenario, "inertial" | "orientation" | "odometry"> {
  const bias = (f: Fields, name: string, scale: number): [number, number, number] => {
    const [x, y, z] = f.triple(name, -1000, 1000, [0, 0, 0]);
    return [x * scale, y * scale, z * scale];
  };
  const part = <T>(name: string, read: (f: Fields) => T): T | null => {
    if (root.isNull(name)) return null;
    const f = root.object(name);
    const result = read(f);
    f.done();
    return result;
  };
  return {
    inertial: part("inertial", (f) => ({
      rate: f.number("rate", 1, 10_000, 100),
      gyroNoise: f.number("gyroNoise", 0, 100, 0) * RADIANS,
      gyroBias: bias(f, "gyroBias", RADIANS),
      gyroWalk: f.number("gyroWalk", 0, 100, 0) * RADIANS,
      accelNoise: f.number("accelNoise", 0, 100, 0),
      accelBias: bias(f, "accelBias", 1),
    })),
    orientation: part("orientation", (f) => ({
      rate: f.number("rate", 1, 10_000, 100),
      yawDrift: f.number("yawDrift", -1000, 1000, 0) * perMinute,
      noise: f.number("noise", 0, 45, 0) * RADIANS,
      late: f.number("late", -1, 1, 0),
    })),
    odometry: part("odometry", (f) => ({
      rate: f.number("rate", 1, 10_000, 20),
      scale: f.number("scale", -0.5, 0.5, 0),
      turnScale: f.number("turnScale", -0.5, 0.5, 0),
      noise: f.number("noise", 0, 1, 0),
      slips: f.list("slips", 0, (value, path) => {
        const s = new Fields(value, path);
        const slip = { rect: s.rect("rect"), share: s.number("share", -0.9, 10) };
        s.done();
        return slip;
      }),
    })),
  };
}

const exactMotion = (motion: ReturnType<typeof readMotion>): ReturnType<typeof readMotion> => ({
  inertial: motion.inertial && {
    rate: motion.inertial.rate,
    gyroNoise: 0,
    gyroBias: [0, 0, 0],
    gyroWalk: 0,
    accelNoise: 0,
    accelBias: [0, 0, 0],
  },
  orientation: motion.orientation && { rate: motion.orientation.rate, yawDrift: 0, noise: 0, late: 0 },
  odometry: motion.odometry && { rate: motion.odometry.rate, scale: 0, turnScale: 0, noise: 0, slips: [] },
});

function readKits(root: Fields): Kits {
  return new Map(
    root.entries("kits").map(([kit, parts]) => {
      if (Array.isArray(parts)) return [kit, parts as unknown[]];
      throw new ScenarioError(`kits.${kit}: got ${JSON.stringify(parts)}; give a list of shapes in [ ]`);
    }),
  );
}

function readBase(base: Fields): { chassis: Chassis; bumper: Bumper; floorSensors: FloorSensors } {
  const chassis = readChassis(base);
  const bumper = {
    x: base.number("bumper", 0, 10, 0.2),
    halfWidth: base.number("width", 0.01, 10, 0.35) / 2,
  };
  const floor = base.object("floorSensors");
  const floorSensors = {
    points: floor.list("points", 0, (value, path) => new Fields({ at: value }, path).pair("at", -10, 10)),
    drop: floor.number("drop", 0.001, 10, 0.05),
    darkest: floor.number("darkest", 0, 1, 0.04),
    rate: floor.number("rate", 1, 1000, 50),
  };
  floor.done();
  base.done();
  return { chassis, bumper, floorSensors };
}

function readSensor(value: unknown, path: string): { setup: SensorSetup; plan: SensorPlan } {
  const f = new Fields(value, path);
  const mount = f.object("mount");
  const setup = {
    name: f.text("name", `sensor ${path}`),
    optics: readOptics(f.object("optics")),
    mount: { on: mount.choice("on", ["head", "base"], "head"), pose: readMount(mount, true) },
  };
  const plan = {
    rate: f.number("rate", 0.1, 1000),
    start: f.number("start", 0, 1e4, 0),
    noise: f.isNull("noise") || !f.has("noise") ? null : readSensorNoise(f.object("noise")),
  };
  const { width, height } = setup.optics;
  const rays = width * height * (plan.noise ? square(plan.noise.subRays) : 1);
  if (rays > MOST_RAYS) {
    f.fail(
      "optics",
      `${width} x ${height} pixels with their sub-rays are ${rays} rays: give at most ${MOST_RAYS}`,
    );
  }
  mount.done();
  f.done();
  return { setup, plan };
}

/** Plans the drive over the floor of the scene. */
function readDrive(plan: Fields, chassis: Chassis, scene: Scene): { drive: Drive; isClosed: boolean } {
  const points = plan.list("points", 2, readWayPoint);
  const isClosed = plan.flag("closed", false);
  const followFloor = plan.flag("followFloor", true);
  plan.done();
  const ground = (x: number, y: number, from: number): number => from - scene.cast(x, y, from, 0, 0, -1, 0);
  try {
    return { drive: new Drive(points, chassis, isClosed, followFloor ? ground : null), isClosed };
  } catch (error) {
    if (error instanceof DriveError) throw new ScenarioError(`drive.points: ${error.message}`);
    throw error;
  }
}

/**
 * Reads a scenario (parsed JSON; see docs/simulator.md) and lays out its scene and drive.
 * @param options `exact` leaves out every noise, error and drift: exact depth, ideal inertial sensors and wheels;
 *   `repeat` runs the lap that many times instead of the scenario's own number
 * @throws {ScenarioError} naming the field, the value and the fix
 */
export function loadScenario(
  json: unknown,
  options: { readonly exact?: boolean; readonly repeat?: number } = {},
): Scenario {
  const root = new Fields(json, "");
  const name = root.text("name");
  const seed = root.whole("seed", 0, 4294967295, 1);
  const { materials, indexOf } = readMaterials(root);
  const kits = readKits(root);
  const reader = new SolidReader(indexOf, kits);
  root.list("scene", 1, (value, path) => reader.read(value, path, WORLD));
  const movers = root.list("moving", 0, (value, path) => readMover(value, path, indexOf, kits));
  const scene = new Scene(materials, reader.solids, movers);

  const { chassis, bumper, floorSensors } = readBase(root.object("base"));
  const head = root.object("head");
  const baseFromHead = readMount(head, false);
  head.done();
  const imu = root.object("imu");
  const headFromImu = readMount(imu, false);
  imu.done();
  const sensors = root.list("sensors", 0, (value, path) => {
    const { setup, plan } = readSensor(value, path);
    return { setup, plan: options.exact ? { ...plan, noise: null } : plan };
  });
  const motion = readMotion(root);

  const { drive, isClosed } = readDrive(root.object("drive"), chassis, scene);
  const duration = root.number("duration", 0.01, 1e5, drive.duration);
  const repeat = options.repeat ?? root.whole("repeat", 1, 10_000, 1);
  if (repeat > 1 && (!isClosed || root.has("duration"))) {
    throw new ScenarioError(
      `repeat: got ${repeat}; laps must end where they start: set drive.closed to true and leave out duration`,
    );
  }
  // Whole frames of every sensor fit a lap, so that frames stay evenly spaced across laps.
  const rate = sensors[0]?.plan.rate ?? 1;
  const lap = isClosed ? Math.ceil(duration * rate - 1e-9) / rate : duration;
  root.has("repeat"); // known, even when the options override it
  root.done();
  return {
    name,
    seed,
    setup: { sensors: sensors.map(({ setup }) => setup), baseFromHead, headFromImu },
    scene,
    drive,
    lap,
    repeat,
    sensors: sensors.map(({ plan }) => plan),
    ...(options.exact ? exactMotion(motion) : motion),
    bumper,
    floorSensors,
  };
}
