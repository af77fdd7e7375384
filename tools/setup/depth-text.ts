import type { Pose } from "../../src/geometry/optics.ts";
import { rayTable } from "../../src/geometry/rays.ts";
import { compose, transformPoint } from "../../src/geometry/rigid.ts";
import type { Setup } from "../../src/sense/events.ts";
import { REASON, unpackCodes, unpackImage } from "../../src/wire/image.ts";
import type { FromServer } from "../../src/wire/messages.ts";

// A depth image in characters: what each part of it is, by the place of the lens as the settings give it.

/** Metres off level at which a point still counts as floor, and the share of its distance: a degree of pitch is 17 mm at a metre. */
const FLOOR = 0.03;
const FLOOR_SHARE = 0.02;
/** A character of a terminal is about twice as high as wide. */
const ASPECT = 2;

/** Characters, with what they mean and their colour on a terminal (ANSI, SGR). */
export const MARKS = {
  floor: { mark: ".", text: "floor", colour: "30;42" },
  standing: { mark: "#", text: "stands on it", colour: "97;44" },
  above: { mark: "^", text: "higher than the robot", colour: "30;47" },
  below: { mark: "v", text: "lower than the floor", colour: "30;43" },
  doubtful: { mark: "~", text: "measured badly", colour: "37;40" },
  none: { mark: " ", text: "no return", colour: "37;40" },
} as const;
type Mark = keyof typeof MARKS;
const NAMES = Object.keys(MARKS) as Mark[];

export interface DepthText {
  readonly lines: readonly string[];
  /** Share of the picture that is floor. */
  readonly floor: number;
  /** Share without a usable return. */
  readonly unused: number;
  /** Nearest floor that is seen, metres ahead of the base's floor point; null: none. */
  readonly nearest: number | null;
  /** Mean height of what counts as floor, metres; null: none. */
  readonly height: number | null;
}

export interface Paint {
  readonly setup: Setup;
  /** Of the robot, metres. */
  readonly tall: number;
  /** Most characters in a line. */
  readonly columns: number;
  readonly hasColours: boolean;
}

/** @throws {DecodeError} when the message is damaged */
export function depthText(
  image: FromServer<"image">,
  { setup, tall, columns, hasColours }: Paint,
): DepthText {
  const { width, height } = image;
  const sensor = setup.sensors.find(({ name }) => name === image.sensor) ?? setup.sensors[0]!;
  const lens = lensOnBase(setup, sensor.mount);
  const counts = unpackImage(image.depth as Uint8Array, width * height);
  const reasons = unpackCodes(image.reason as Uint8Array, width * height);
  const rays = rayTable(sensor.optics);
  // A wide image is sent with every n-th pixel.
  const skip = Math.max(1, Math.round(sensor.optics.width / width));
  const across = Math.min(columns, width);
  const down = Math.max(1, Math.round((across * height) / width / ASPECT));
  const votes = new Uint32Array(across * down * NAMES.length);
  let [floors, sum, unused, nearest] = [0, 0, 0, Number.POSITIVE_INFINITY];
  for (let v = 0, i = 0; v < height; v++) {
    for (let u = 0; u < width; u++, i++) {
      let mark: Mark = reasons[i] === REASON.noReturn ? "none" : "doubtful";
      if (reasons[i] === REASON.ok && counts[i]! > 0) {
        const at = v * skip * sensor.optics.width + u * skip;
        // The image gives the distance along the optical axis.
        const scale = (counts[i]! * image.unit) / rays.z[at]!;
        const point = transformPoint(lens, [rays.x[at]! * scale, rays.y[at]! * scale, rays.z[at]! * scale]);
        const distance = Math.hypot(point[0], point[1]);
        mark = kindOf(point[2], distance, tall);
        if (mark === "floor") {
          floors++;
          sum += point[2];
          nearest = Math.min(nearest, point[0]);
        }
      } else unused++;
      const cell = Math.floor((v * down) / height) * across + Math.floor((u * across) / width);
      votes[cell * NAMES.length + NAMES.indexOf(mark)]!++;
    }
  }
  const lines = Array.from({ length: down }, (_, row) => lineOf(votes, row, across, hasColours));
  const count = width * height;
  return {
    lines,
    floor: floors / count,
    unused: unused / count,
    nearest: floors > 0 ? nearest : null,
    height: floors > 0 ? sum / floors : null,
  };
}

function lensOnBase({ baseFromHead }: Setup, mount: Setup["sensors"][number]["mount"]): Pose {
  return mount.on === "base" ? mount.pose : compose(baseFromHead, mount.pose);
}

function kindOf(z: number, distance: number, tall: number): Mark {
  const tolerance = FLOOR + FLOOR_SHARE * distance;
  if (z > tall) return "above";
  if (z > tolerance) return "standing";
  return z < -tolerance ? "below" : "floor";
}

function lineOf(votes: Uint32Array, row: number, across: number, hasColours: boolean): string {
  let line = "";
  let colour = "";
  for (let col = 0; col < across; col++) {
    const from = (row * across + col) * NAMES.length;
    const cell = votes.subarray(from, from + NAMES.length);
    const { mark, colour: own } = MARKS[NAMES[cell.indexOf(Math.max(...cell))]!];
    if (hasColours && own !== colour) line += `\x1b[${own}m`;
    colour = own;
    line += mark;
  }
  return hasColours ? `${line}\x1b[0m` : line;
}

/** What the characters mean, in a line. */
export const LEGEND = Object.values(MARKS)
  .map(({ mark, text }) => (mark === " " ? `blank ${text}` : `${mark} ${text}`))
  .join("   ");
