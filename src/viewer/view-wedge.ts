import { Quaternion, Vector3 } from "three";
import type { FromServer } from "../wire/messages.ts";

type Setup = FromServer<"welcome">["setup"];
type Sensor = Setup["sensors"][number];

/** Optics of a camera, not of a planar laser. */
type Image = Exclude<Sensor["optics"], { model: "scan" }>;

/** Points along each side of an image. */
const SIDE = 12;
/** A ray that descends by less than this share of its length meets the floor beyond any range. */
const LEVEL = 1e-3;

/**
 * The outline of a sensor's field of view on level floor.
 * @returns x, y of its corners in order, metres of the base; cut at the sensor's range
 */
export function viewOf(
  sensor: Sensor,
  baseFromHead: Setup["baseFromHead"],
): (readonly [x: number, y: number])[] {
  const { rotation, position } = sensor.mount.pose;
  const turn = new Quaternion(...rotation);
  const eye = new Vector3(...position);
  if (sensor.mount.on === "head") {
    const head = new Quaternion(...baseFromHead.rotation);
    turn.premultiply(head);
    eye.applyQuaternion(head).add(new Vector3(...baseFromHead.position));
  }
  const range = sensor.optics.maxRange;
  return borderOf(sensor.optics).map((ray) => {
    const along = ray.applyQuaternion(turn).normalize();
    const level = Math.hypot(along.x, along.y);
    const down = -along.z > LEVEL ? Math.max(0, eye.z) / -along.z : Number.POSITIVE_INFINITY;
    const far = Math.min(down * level, range);
    return [eye.x + (far * along.x) / (level || 1), eye.y + (far * along.y) / (level || 1)] as const;
  });
}

/** The ray through a pixel of an image, in the lens frame: x right, y down, z forward. Distortion is ignored. */
export function rayOf(optics: Image, u: number, v: number): Vector3 {
  const [x, y] = [(u - optics.cx) / optics.fx, (v - optics.cy) / optics.fy];
  const off = Math.hypot(x, y);
  // In a fisheye image the angle is proportional to the distance from the centre.
  if (optics.model !== "fisheye" || off === 0) return new Vector3(x, y, 1);
  const share = Math.sin(off) / off;
  return new Vector3(x * share, y * share, Math.cos(off));
}

/** Rays through the border of an image, in order around it; in the lens frame: x right, y down, z forward. */
function borderOf(optics: Sensor["optics"]): Vector3[] {
  if (optics.model === "scan") {
    const rays = Array.from({ length: 4 * SIDE }, (_, n) => {
      const angle = optics.firstAngle + (optics.step * (optics.width - 1) * n) / (4 * SIDE - 1);
      return new Vector3(Math.sin(-angle), 0, Math.cos(angle));
    });
    return rays;
  }
  const { width, height } = optics;
  const corners = [[0, 0], [width, 0], [width, height], [0, height]] as const; // biome-ignore format: one line
  const rays: Vector3[] = [];
  for (let n = 0; n < 4; n++) {
    const [[u0, v0], [u1, v1]] = [corners[n]!, corners[(n + 1) % 4]!];
    for (let k = 0; k < SIDE; k++) {
      const [u, v] = [u0 + ((u1 - u0) * k) / SIDE, v0 + ((v1 - v0) * k) / SIDE];
      rays.push(rayOf(optics, u, v));
    }
  }
  return rays;
}
