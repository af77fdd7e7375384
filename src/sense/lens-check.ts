import { acosOf, asinOf, atan2Of, expOf, hypot3, logOf, square } from "../geometry/elementary.ts";
import type { Optics, Pose, Vec3 } from "../geometry/optics.ts";
import type { RayTable } from "../geometry/rays.ts";
import { conjugate, turn } from "../geometry/rigid.ts";
import { solveSymmetric } from "../geometry/solve.ts";
import { cross, dot, scaled, subtract } from "../geometry/vec.ts";

/** The most likely error in the setup of a lens. */
export type LensFault =
  /** Depth: the unit is `ratio` times the one that the setup says. */
  | { readonly what: "unit"; readonly ratio: number }
  /** Focal length: `ratio` times the one that the setup says. */
  | { readonly what: "focal"; readonly ratio: number }
  /** The camera is turned about its optical axis by 90, 180 or 270 degrees, clockwise as seen from behind. */
  | { readonly what: "turned"; readonly degrees: number }
  /** The lens looks lower than the mount says (negative: higher), and is rolled clockwise as seen from behind, degrees. */
  | { readonly what: "tilted"; readonly lower: number; readonly rolled: number }
  /** The lens is so high above the floor, metres. */
  | { readonly what: "height"; readonly metres: number; readonly expected: number };

/** Number of sampled points of a frame, across and down. */
const COLUMNS = 24;
const ROWS = 18;
/** Spacing of the corners of a triangle that makes a plane hypothesis, in points: wide triangles are robust to noise. */
const WIDE = 3;
/** A point is on a plane within this share of its distance; a plane has this share of the points at least. Chosen by hand. */
const ON = 0.025;
const LEAST_SHARE = 0.2;
/** Number of large planes of a frame that are floor candidates. */
const MOST_PLANES = 3;
/**
 * Tolerance, radians and share of the height: a base may stand with a wheel on a rug, and mounts are measured by hand.
 * Chosen by hand; the mounting drive finds smaller errors.
 */
const LEVEL = (6 * Math.PI) / 180;
const HEIGHT = 0.15;
/** 1 sigma of the residual with which a fault explains a plane: radians, and a share. Chosen by hand. */
const ANGLE_SIGMA = (2.5 * Math.PI) / 180;
const SHARE_SIGMA = 0.06;
const WORST = 2.5;
/** Ratios nearer to 1 are no error of unit or focal length. */
const LEAST_RATIO = 1.35;
/** Radians: a steeper plane is taken for a wall. */
const STEEPEST = (60 * Math.PI) / 180;
/** Microseconds between sampled frames; number of frames that must agree, and of frames in all. */
const EVERY = 100_000;
const ENOUGH_RIGHT = 3;
const ENOUGH_WRONG = 8;
const MOST_FRAMES = 100;

/** A lens above a plane: up direction in the lens frame, and height, metres. */
interface Over {
  readonly up: Vec3;
  readonly height: number;
}

/**
 * Checks the setup of a lens (depth unit, focal length and mount) against the first floor in its view, by gravity and the
 * lens's height. Reports the error that explains the floor best. It samples ten frames a second until it has decided.
 */
export class LensCheck {
  readonly #rays: RayTable;
  readonly #unit: number;
  readonly #isPinhole: boolean;
  readonly #points = new Float64Array(3 * COLUMNS * ROWS);
  readonly #isOn = new Uint8Array(COLUMNS * ROWS);
  #last = Number.NEGATIVE_INFINITY;
  #frames = 0;
  #right = 0;
  #faults: LensFault[] = [];

  constructor(optics: Optics, rays: RayTable) {
    this.#rays = rays;
    this.#unit = optics.unit;
    this.#isPinhole = optics.model === "pinhole";
  }

  /** Whether it has decided, or given up. */
  get isDone(): boolean {
    return this.#right >= ENOUGH_RIGHT || this.#frames >= MOST_FRAMES;
  }

  /**
   * Looks at a frame.
   * @param counts        (height * width) depth in the optics' unit; 0 is no return
   * @param levelFromLens the lens over the base's floor point, in axes turned upright
   * @param time          microseconds
   * @returns what is wrong, once; else null
   */
  take(counts: Uint16Array, levelFromLens: Pose, time: number): LensFault | null {
    if (this.isDone || (time >= this.#last && time - this.#last < EVERY)) return null;
    this.#last = time;
    const expected: Over = {
      up: turn(conjugate(levelFromLens.rotation), [0, 0, 1]),
      height: levelFromLens.position[2],
    };
    if (!(expected.height > 0.02)) return null;
    this.#sample(counts);
    const planes = this.#planes();
    if (planes.length === 0) return null;
    this.#frames++;
    if (planes.some((plane) => isRight(plane, expected))) {
      this.#right++;
      this.#faults = [];
      return null;
    }
    let best: { readonly fault: LensFault; readonly misfit: number } | null = null;
    for (const plane of planes) {
      for (const one of explanations(plane, expected, this.#isPinhole)) {
        if (one.misfit < (best?.misfit ?? WORST)) best = one;
      }
    }
    if (best === null) return null;
    this.#faults.push(best.fault);
    const { what } = best.fault;
    const alike = this.#faults.filter((fault) => fault.what === what);
    if (alike.length < ENOUGH_WRONG || alike.length < 0.6 * this.#faults.length) return null;
    this.#frames = MOST_FRAMES;
    return alike[alike.length >> 1]!;
  }

  /** Points spread over the frame, lens frame, metres; z = 0 where nothing came back. */
  #sample(counts: Uint16Array): void {
    const { width, height, x, y, z } = this.#rays;
    for (let row = 0, k = 0; row < ROWS; row++) {
      const v = Math.floor(((row + 0.5) * height) / ROWS);
      for (let column = 0; column < COLUMNS; column++, k += 3) {
        const pixel = v * width + Math.floor(((column + 0.5) * width) / COLUMNS);
        const depth = this.#unit * counts[pixel]!;
        this.#points[k] = depth * x[pixel]!;
        this.#points[k + 1] = depth * y[pixel]!;
        this.#points[k + 2] = depth * z[pixel]!;
      }
    }
  }

  /** The largest planes, largest first, each through points of its own. Source: Fischler & Bolles 1981, in a fixed order. */
  #planes(): Over[] {
    const isFree = this.#isOn.fill(1);
    const found: Over[] = [];
    while (found.length < MOST_PLANES) {
      let best: Vec3 | null = null;
      let most = LEAST_SHARE * COLUMNS * ROWS;
      for (let row = 0; row + WIDE < ROWS; row++) {
        for (let column = 0; column + WIDE < COLUMNS; column += WIDE) {
          const corner = row * COLUMNS + column;
          const plane = this.#through(corner, corner + WIDE, corner + WIDE * COLUMNS, isFree);
          if (plane === null) continue;
          const on = this.#countOn(plane, isFree);
          if (on > most) [best, most] = [plane, on];
        }
      }
      if (best === null) return found;
      const plane = this.#fitted(this.#fitted(best, isFree), isFree);
      for (let i = 0; i < isFree.length; i++) if (this.#isOnPlane(plane, i)) isFree[i] = 0;
      const length = hypot3(...plane);
      found.push({ up: [plane[0] / length, plane[1] / length, plane[2] / length], height: 1 / length });
    }
    return found;
  }

  /** The plane g . p = -1 through three points; null without three or when they lie in a line with the lens. */
  #through(a: number, b: number, c: number, isFree: Uint8Array): Vec3 | null {
    if (isFree[a] === 0 || isFree[b] === 0 || isFree[c] === 0) return null;
    const [p, q, r] = [this.#point(a), this.#point(b), this.#point(c)];
    if (p[2] === 0 || q[2] === 0 || r[2] === 0) return null;
    const across = cross(subtract(q, p), subtract(r, p));
    const away = dot(across, p);
    return away === 0 ? null : scaled(across, -1 / away);
  }

  #point(i: number): Vec3 {
    return [this.#points[3 * i]!, this.#points[3 * i + 1]!, this.#points[3 * i + 2]!];
  }

  /** Whether a point is on g . p = -1: its distance from the plane is |g . p + 1| / |g|, the plane's own 1 / |g|. */
  #isOnPlane([a, b, c]: Vec3, i: number): boolean {
    const points = this.#points;
    const [x, y, z] = [points[3 * i]!, points[3 * i + 1]!, points[3 * i + 2]!];
    if (z === 0) return false;
    const off = Math.abs(a * x + b * y + c * z + 1);
    return off < ON * Math.sqrt((x * x + y * y + z * z) * (a * a + b * b + c * c));
  }

  #countOn(plane: Vec3, isFree: Uint8Array): number {
    let on = 0;
    for (let i = 0; i < isFree.length; i++) if (isFree[i] === 1 && this.#isOnPlane(plane, i)) on++;
    return on;
  }

  /** Least squares through the points on a plane, near ones counting as much as far ones. */
  #fitted(plane: Vec3, isFree: Uint8Array): Vec3 {
    const matrix = new Float64Array(9);
    const right = new Float64Array(3);
    for (let i = 0; i < isFree.length; i++) {
      if (isFree[i] === 0 || !this.#isOnPlane(plane, i)) continue;
      const point = this.#point(i);
      const weight = 1 / square(point[2]);
      for (let row = 0; row < 3; row++) {
        right[row]! -= weight * point[row]!;
        for (let column = 0; column <= row; column++) {
          matrix[3 * row + column]! += weight * point[row]! * point[column]!;
        }
      }
    }
    const [x, y, z] = solveSymmetric(right, matrix, right, 3) ? right : plane;
    return [x!, y!, z!];
  }
}

const angleOf = (a: Vec3, b: Vec3): number => acosOf(Math.max(-1, Math.min(1, dot(a, b))));

const isRight = (plane: Over, expected: Over): boolean =>
  angleOf(plane.up, expected.up) < LEVEL && Math.abs(plane.height / expected.height - 1) < HEIGHT;

/** In sigmas, how far a plane is from the one that a fault would show. */
function misfitOf(plane: Over, shown: Over): number {
  const angle = angleOf(plane.up, shown.up) / ANGLE_SIGMA;
  const share = logOf(plane.height / shown.height) / SHARE_SIGMA;
  return Math.sqrt(square(angle) + square(share));
}

/** Degrees that the optical axis points below the horizon, and that the lens is rolled clockwise. */
function attitudeOf([x, y, z]: Vec3): { readonly lower: number; readonly rolled: number } {
  const degrees = 180 / Math.PI;
  return { lower: degrees * asinOf(Math.max(-1, Math.min(1, -z))), rolled: -degrees * atan2Of(x, -y) };
}

/** Each fault that would show the floor as this plane, with its misfit. */
function* explanations(
  plane: Over,
  expected: Over,
  isPinhole: boolean,
): Generator<{ readonly fault: LensFault; readonly misfit: number }> {
  const { up, height } = expected;
  const ratio = height / plane.height;
  const turned = angleOf(plane.up, up);
  const share = logOf(plane.height / height) / SHARE_SIGMA;
  const isOther = ratio > LEAST_RATIO || ratio < 1 / LEAST_RATIO;
  const level = turned / ANGLE_SIGMA;
  yield isOther
    ? { fault: { what: "unit", ratio }, misfit: level }
    : { fault: { what: "height", metres: plane.height, expected: height }, misfit: level };
  if (isPinhole) {
    // With a focal length of f in place of s f, a point (x, y, z) is taken for (x s, y s, z).
    for (let k = -40; k <= 40; k++) {
      const s = expOf((k / 40) * logOf(2.5));
      if (s < LEAST_RATIO && s > 1 / LEAST_RATIO) continue;
      const wrong: Vec3 = [up[0] / s, up[1] / s, up[2]];
      const length = hypot3(...wrong);
      const shown = {
        up: [wrong[0] / length, wrong[1] / length, wrong[2] / length] as const,
        height: height / length,
      };
      yield { fault: { what: "focal", ratio: s }, misfit: misfitOf(plane, shown) };
    }
  }
  for (const [degrees, shown] of [
    [90, [up[1], -up[0], up[2]]],
    [180, [-up[0], -up[1], up[2]]],
    [270, [-up[1], up[0], up[2]]],
  ] as const) {
    yield { fault: { what: "turned", degrees }, misfit: misfitOf(plane, { up: shown, height }) };
  }
  if (turned > LEVEL && turned < STEEPEST) {
    const is = attitudeOf(plane.up);
    const said = attitudeOf(up);
    const fault = { what: "tilted", lower: is.lower - said.lower, rolled: is.rolled - said.rolled } as const;
    // A wrong tilt explains any plane at the right height, so faults without a free angle are preferred.
    yield { fault, misfit: Math.abs(share) + 1 };
  }
}

/** A fault in words, with what to do. @param name of the sensor */
export function lensFaultText(fault: LensFault, name: string): string {
  const check = "measure, or run `brinkmap mount`";
  switch (fault.what) {
    case "unit":
      return `${name}: the floor is seen ${fault.ratio > 1 ? "too near" : "too far"}, as if the depth unit were ${about(fault.ratio)} times optics.unit; else the height of its mount is wrong: check both`;
    case "focal":
      return `${name}: the floor is seen tilted and at a wrong height, as if the focal length were ${about(fault.ratio)} times optics.fx and fy: check the optics (those of another resolution?)`;
    case "turned":
      return `${name}: the floor is seen as if the camera were turned by ${fault.degrees} degrees ${fault.degrees === 180 ? "(upside down)" : "clockwise, seen from behind"}: check how it is mounted, and mount.pose`;
    case "tilted":
      return `${name}: the floor is seen as if the lens looked ${angle(fault.lower, "lower", "higher")} than mount.pose says, and were rolled by ${Math.round(fault.rolled)} degrees: ${check}`;
    case "height":
      return `${name}: the floor is seen from ${fault.metres.toFixed(2)} m, and by mount.pose the lens is ${fault.expected.toFixed(2)} m above it: ${check}`;
    default:
      return fault satisfies never;
  }
}

const about = (ratio: number): string => Number(ratio.toPrecision(2)).toString();
const angle = (degrees: number, more: string, less: string): string =>
  `${Math.abs(Math.round(degrees))} degrees ${degrees < 0 ? less : more}`;
