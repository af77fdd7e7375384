import type { Pose } from "../../src/geometry/optics.ts";
import {
  compose,
  fromYawPitchRoll,
  IDENTITY,
  invert,
  OPTICAL_IN_BODY,
  toYawPitchRoll,
} from "../../src/geometry/rigid.ts";
import { parseFootprint } from "../../src/guard/body.ts";
import { resolveSettings, SETTINGS } from "../../src/head/settings.ts";
import { planView, type View } from "../../src/mount/view.ts";
import type { Setup } from "../../src/sense/events.ts";
import { rounded } from "../mount/report.ts";
import type { DraftConfig, Outcome, Session, Step } from "./session.ts";
import { numberIn, type Talk } from "./talk.ts";

const DEGREE = Math.PI / 180;
/** Metres: least and most size of a base. */
const [SMALLEST, LARGEST] = [0.08, 3];
/** Speed for which the view is described, m/s, and its delay where none was measured, s. */
const SPEED = 0.5;
const DELAY = 0.35;

/** What a tape and the eye tell; the drive finds height, pitch, offsets and wheels better. */
export const baseStep: Step = {
  title: "The base and the place of the lens",
  about: "asks for what no sensor tells: place of the lens, outline, brakes, wheels",
  cannot: () => null,
  run,
};

async function run({ talk, scenario }: Session, config: DraftConfig): Promise<Outcome> {
  const lens = lensOf(config);
  const isNew = config.baseFromHead === undefined;
  const height = await talk.ask(
    "height",
    numberIn(0.03, 3, "m"),
    isNew ? null : String(short(lens.position[2])),
  );
  const [yaw, pitchBefore, roll] = toYawPitchRoll(lens.rotation);
  const pitch = await talk.ask(
    "pitch",
    numberIn(-30, 89, "degrees"),
    isNew ? "15" : (pitchBefore / DEGREE).toFixed(1),
  );
  const before = (value: number): string | null => (isNew ? null : String(short(value)));
  const ahead = await talk.ask("ahead", numberIn(-2, 2, "m"), before(lens.position[0]));
  const left = await talk.ask("left", numberIn(-2, 2, "m"), before(lens.position[1]) ?? "0");
  const given = (config.settings ?? {}) as Readonly<Record<string, unknown>>;
  const textOf = (name: string): string | null => (given[name] === undefined ? null : String(given[name]));
  const outline = await talk.ask("outline", readOutline, textOf("body.footprint"));
  const tall = await talk.ask(
    "tall",
    (text) => {
      const value = numberIn(SETTINGS["body.height"].min!, SETTINGS["body.height"].max!, "m")(text);
      if (value >= height) return value;
      throw new RangeError(`${value} m is lower than the lens, which is ${height} m above the floor`);
    },
    textOf("body.height"),
  );
  const deceleration = await talk.ask(
    "deceleration",
    orNone(numberIn(0.05, 10, "m/s2")),
    textOf("body.deceleration") ?? "none",
  );
  const delay = await talk.ask("delay", orNone(numberIn(0, 2, "s")), textOf("body.reactionDelay") ?? "none");
  const base = await withWheels(talk, config.base);
  const place: Pose = {
    rotation: fromYawPitchRoll(yaw, pitch * DEGREE, roll),
    position: [ahead, left, height],
  };
  const { "body.deceleration": _, "body.reactionDelay": __, ...others } = given;
  const settings = {
    ...others,
    "pose.source": textOf("pose.source") ?? (base === undefined ? "tracked" : "odometry"),
    "body.footprint": outline,
    "body.height": tall,
    ...(deceleration !== null && { "body.deceleration": deceleration }),
    ...(delay !== null && { "body.reactionDelay": delay }),
  };
  const draft: DraftConfig = { ...withLens(config, place), settings, ...(base !== undefined && { base }) };
  const isPermitted = deceleration !== null && delay !== null;
  if (!isPermitted) {
    talk.say(
      "! Without deceleration and delay the head permits no motion. Measure them (docs/mounting-the-head.md).",
    );
  }
  const view = viewOf(draft, { height, pitch: pitch * DEGREE, ahead, outline, tall, deceleration, delay });
  if (view !== null) talk.say(...describe(view));
  else if (scenario === null) talk.say("  No camera is set, so what it sees is not computed.");
  return {
    result: "passed",
    text: `lens ${height} m high, ${pitch} degrees down, by tape${isPermitted ? "" : "; brakes not measured: no motion is permitted"}`,
    config: draft,
  };
}

type Mount = Setup["sensors"][number]["mount"];

const short = (value: number): number => Number(value.toFixed(4));

/** A reader that takes "none" as null. */
function orNone(read: (text: string) => number): (text: string) => number | null {
  return (text) => (/^none$/i.test(text) ? null : read(text));
}

const AT_LENS: Pose = { rotation: OPTICAL_IN_BODY, position: [0, 0, 0] };

/** Place of the first lens on the base, seen as a body: x ahead, z up. */
function lensOf({ baseFromHead = IDENTITY, sensors = [] }: DraftConfig): Pose {
  const mount = sensors[0]?.mount as Mount | undefined;
  if (mount === undefined) return baseFromHead as Pose;
  const lens = mount.on === "base" ? mount.pose : compose(baseFromHead as Pose, mount.pose);
  return compose(lens, invert(AT_LENS));
}

/** The draft with its first lens at that place. */
function withLens(config: DraftConfig, place: Pose): DraftConfig {
  const { sensors = [] } = config;
  const [first, ...others] = sensors;
  const mount = first?.mount as Mount | undefined;
  if (mount === undefined) return { ...config, baseFromHead: rounded(place) };
  const lens = compose(place, AT_LENS);
  if (mount.on === "head") return { ...config, baseFromHead: rounded(compose(lens, invert(mount.pose))) };
  return { ...config, sensors: [{ ...first, mount: { on: "base", pose: rounded(lens) } }, ...others] };
}

/** @throws {RangeError} saying what is wrong. @returns the text of `body.footprint` */
export function readOutline(text: string): string {
  const [kind = "", ...rest] = text.trim().split(/\s+/);
  const numbers = rest.map((word) => numberIn(0, LARGEST, "m")(word));
  let outline = text.trim();
  if (kind === "round") {
    if (numbers.length !== 1) throw new RangeError("round takes one number, the diameter: round 0.36");
    // Sixteen corners outside the circle.
    const radius = numbers[0]! / 2 / Math.cos(Math.PI / 16);
    outline = Array.from({ length: 16 }, (_, n) => {
      const angle = (Math.PI / 16) * (1 - 2 * n);
      return `${short(radius * Math.cos(angle))},${short(radius * Math.sin(angle))}`;
    }).join(" ");
  } else if (kind === "box") {
    if (numbers.length !== 3)
      throw new RangeError(
        "box takes three numbers, ahead of the turning point, behind it, width: box 0.30 0.14 0.34",
      );
    const [front, back, width] = numbers as [number, number, number];
    outline = [
      `${front},${width / 2}`,
      `${front},${-width / 2}`,
      `${-back},${-width / 2}`,
      `${-back},${width / 2}`,
    ].join(" ");
  }
  const corners = parseFootprint(outline);
  try {
    resolveSettings({ "body.footprint": outline });
  } catch (error) {
    throw new RangeError((error as Error).message);
  }
  const sizes = [0, 1].map((axis) => {
    const along = corners.map((corner) => corner[axis]!);
    return Math.max(...along) - Math.min(...along);
  });
  if (sizes.every((size) => size >= SMALLEST && size <= LARGEST)) return outline;
  throw new RangeError(
    `an outline of ${sizes.map((size) => size.toFixed(2)).join(" x ")} m is not possible here: ${SMALLEST} to ${LARGEST} m; metres are asked for`,
  );
}

async function withWheels(talk: Talk, base: DraftConfig["base"]): Promise<DraftConfig["base"]> {
  if (base === undefined) return undefined;
  const { wheels: before, ...rest } = base;
  const kind = await talk.ask(
    "kind",
    (text) => {
      if (["differential", "steered", "none"].includes(text))
        return text as "differential" | "steered" | "none";
      if (text === "omnidirectional") {
        throw new RangeError(
          "each wheel of an omnidirectional base is entered into the file by hand (docs/motor-board.md): none",
        );
      }
      throw new RangeError(`"${text}" is none of differential, steered, none`);
    },
    before?.kind === "differential" || before?.kind === "steered"
      ? before.kind
      : before === undefined
        ? "differential"
        : "none",
  );
  if (kind === "none") return base;
  const text = (value: unknown): string | null => (value === undefined ? null : String(value));
  const radius = await talk.ask("radius", numberIn(0.005, 2, "m"), text(before?.radius));
  const countsPerTurn = await talk.ask("counts", numberIn(1, 1e7, "counts"), text(before?.countsPerTurn));
  const rolling = { radius, countsPerTurn };
  if (kind === "differential") {
    const known = before?.kind === "differential" ? before : undefined;
    const track = await talk.ask("track", numberIn(0.02, 5, "m"), text(known?.track));
    return { ...rest, wheels: { axle: 0, ...known, kind, ...rolling, track } };
  }
  const known = before?.kind === "steered" ? before : undefined;
  const wheelbase = await talk.ask("wheelbase", numberIn(0.02, 10, "m"), text(known?.wheelbase));
  return { ...rest, wheels: { counted: 2, axle: 0, ...known, kind, ...rolling, wheelbase } };
}

interface Told {
  readonly height: number;
  readonly pitch: number;
  readonly ahead: number;
  readonly outline: string;
  readonly tall: number;
  readonly deceleration: number | null;
  readonly delay: number | null;
}

function viewOf({ sensors = [] }: DraftConfig, told: Told): View | null {
  const optics = sensors[0]?.optics as Setup["sensors"][number]["optics"] | undefined;
  if (optics === undefined || optics.model === "scan") return null;
  const half = Math.atan(optics.height / 2 / optics.fy);
  return planView({
    height: told.height,
    pitch: told.pitch,
    below: half,
    above: half,
    front: Math.max(-1, Math.max(...parseFootprint(told.outline).map(([x]) => x)) - told.ahead),
    bodyHeight: told.tall,
    speed: SPEED,
    delay: told.delay === null ? DELAY : told.delay + 0.1,
    deceleration: told.deceleration ?? SETTINGS["body.deceleration"].default,
    margin: SETTINGS["guard.margin"].default,
    lookout: 2,
    wallRange: 4.5,
  });
}

function describe({ near, far, blind, needed, shallowest, steepest }: View): string[] {
  const metres = (value: number): string =>
    Number.isFinite(value) ? `${value.toFixed(2)} m` : "the horizon";
  const lines = [
    `  Floor in view from ${metres(near)} to ${metres(far)} ahead of the lens; ${metres(blind)} of it in front of the base is out of view.`,
    `  At ${SPEED} m/s an edge must be known ${metres(needed)} ahead of the lens.`,
  ];
  if (near > needed) {
    lines.push(
      `! Floor comes into view too late for that speed: look down more (${(shallowest / DEGREE).toFixed(0)} to ${(steepest / DEGREE).toFixed(0)} degrees), or drive slower. brinkmap mount --plan draws it.`,
    );
  }
  return lines;
}
