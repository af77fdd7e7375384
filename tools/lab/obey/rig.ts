import type { PinholeOptics } from "../../../src/geometry/optics.ts";
import { fromYawPitchRoll, IDENTITY } from "../../../src/geometry/rigid.ts";
import { parseFootprint } from "../../../src/guard/body.ts";
import { resolveSettings, type Settings } from "../../../src/head/settings.ts";
import type { SensorSetup, Setup } from "../../../src/sense/events.ts";
import { lensFromAngles, RADIANS } from "../../../src/simulate/attitude.ts";
import { generateHome, type Home, type Rect } from "../../../src/simulate/home.ts";
import { loadScenario } from "../../../src/simulate/scenario.ts";
import type { Scene } from "../../../src/simulate/scene.ts";
import type { BaseBuild } from "./base.ts";
import { CAMERA_SETS, type Knobs, settingsOf } from "./knobs.ts";

/** Where a base drives. */
export interface Place {
  /** With people, if there are any, for the cameras; and without, for wheels and outline. */
  readonly scene: Scene;
  readonly still: Scene;
  /** Floor areas on which wheels slip. */
  readonly slippery: readonly Rect[];
}

/** Everything that stands before a drive begins. */
export interface Rig extends Place {
  readonly knobs: Knobs;
  readonly setup: Setup;
  readonly settings: Settings;
  readonly build: BaseBuild;
  readonly at: { readonly x: number; readonly y: number; readonly yaw: number };
  readonly rate: number;
}

const IMU_HEIGHT = 0.15;

function opticsOf(knobs: Knobs): PinholeOptics {
  const width = Number(knobs["lens.width"]);
  const height = Math.round(0.75 * width);
  const focal = width / 2 / Math.tan((Number(knobs["lens.angle"]) / 2) * RADIANS);
  return {
    model: "pinhole",
    width,
    height,
    fx: focal,
    fy: focal,
    cx: (width - 1) / 2,
    cy: (height - 1) / 2,
    measures: "z",
    unit: 0.001,
    minRange: 0.05,
    maxRange: Number(knobs["lens.range"]),
  };
}

/** Each camera stands at the side of the body that it looks to. */
function camerasOf(knobs: Knobs, build: BaseBuild): SensorSetup[] {
  const xs = build.footprint.map(([x]) => x);
  const half = Math.max(...build.footprint.map(([, y]) => Math.abs(y)));
  const place = Number(knobs["lens.place"]);
  return CAMERA_SETS[knobs.cameras]!.map((angle, n): SensorSetup => {
    const yaw = angle * RADIANS;
    const ahead = Math.cos(yaw);
    return {
      name: n === 0 ? "front" : `camera ${n + 1}`,
      optics: opticsOf(knobs),
      mount: {
        on: "base",
        pose: {
          rotation: lensFromAngles(yaw, Number(knobs["lens.pitch"]) * RADIANS, 0),
          position: [
            place * ahead * (ahead > 0 ? Math.max(...xs) : -Math.min(...xs)),
            place * Math.sin(yaw) * half,
            Number(knobs["lens.height"]),
          ],
        },
      },
    };
  });
}

/** Where the knobs set the base down. */
function startOf(knobs: Knobs, home: Home, radius: number): Rig["at"] {
  if (knobs.place !== "") {
    const [x = Number.NaN, y = Number.NaN, yaw = Number.NaN] = String(knobs.place).split(",").map(Number);
    if (![x, y, yaw].every(Number.isFinite))
      throw new RangeError(`place must be x,y,yaw, got "${knobs.place}"`);
    return { x, y, yaw };
  }
  // A larger body needs more room; the start with the most is taken where none has enough.
  const roomy = home.starts.filter(({ clear }) => clear > radius + 0.08);
  const list = roomy.length > 0 ? roomy : [home.starts.toSorted((a, b) => b.clear - a.clear)[0]!];
  return list[Number(knobs.start) % list.length]!;
}

/**
 * A base in a generated home.
 * @throws {RangeError} naming a knob that makes no drive
 */
export function rigOf(knobs: Knobs): Rig {
  const home = generateHome(Number(knobs.home));
  // Of the home's own drive nothing is used; two points are the shortest that there is.
  const drive = { followFloor: false, points: [{ at: [0, 0] }, { at: [0.1, 0] }] };
  const still = loadScenario({ ...home.json, drive, moving: [] }).scene;
  const scene = knobs.people === "yes" ? loadScenario({ ...home.json, drive }).scene : still;
  const footprint = parseFootprint(String(knobs["body.footprint"]));
  const radius = Math.max(...footprint.map(([x, y]) => Math.hypot(x, y)));
  return rigIn(knobs, { scene, still, slippery: home.slippery }, startOf(knobs, home, radius));
}

/** A base in a place of its own. */
export function rigIn(knobs: Knobs, place: Place, at: Rig["at"]): Rig {
  const settings = resolveSettings({ ...settingsOf(knobs) });
  const build: BaseBuild = {
    footprint: parseFootprint(settings["body.footprint"]),
    height: settings["body.height"],
    wheelRadius: settings["body.wheelRadius"],
    climbableStep: settings["body.climbableStep"],
    tolerableDrop: settings["body.tolerableDrop"],
    acceleration: Number(knobs.acceleration),
    deceleration: settings["body.deceleration"],
    scale: Number(knobs["wheels.scale"]),
    turnScale: Number(knobs["wheels.turn"]),
    slip: Number(knobs["wheels.slip"]),
    dip: Number(knobs.dip) * RADIANS,
  };
  const setup: Setup = {
    sensors: camerasOf(knobs, build),
    baseFromHead: { rotation: fromYawPitchRoll(0, 0, 0), position: [0, 0, IMU_HEIGHT] },
    headFromImu: IDENTITY,
  };
  return { ...place, knobs, setup, settings, build, at, rate: Number(knobs["lens.rate"]) };
}
