import type { Pose, Vec3 } from "../../../src/geometry/optics.ts";
import { fromYawPitchRoll } from "../../../src/geometry/rigid.ts";
import type { Motion } from "../../../src/simulate/drive.ts";

/** One leg of a course. Angles in degrees, to the left. */
export type Leg =
  /** Drives an arc: metres along it, and how far it turns. */
  | { readonly go: number; readonly turn?: number; readonly speed?: number }
  /** Turns on the spot. */
  | { readonly spin: number; readonly rate?: number }
  | { readonly stand: number }
  /** Is lifted, carried by this in the base's own axes while it turns, and set down. Wheels count nothing. */
  | { readonly carry: readonly [number, number]; readonly turn: number; readonly seconds: number };

/** Height of the floor and its slope along x. */
export type Floor = (x: number) => { readonly height: number; readonly slope: number };

const FLAT: Floor = () => ({ height: 0, slope: 0 });
/** Metres by which a carried base is lifted. */
const LIFT = 0.3;
/** Seconds in which a base speeds up and brakes. */
const RAMP = 0.8;

interface Piece {
  readonly from: number;
  readonly seconds: number;
  readonly leg: Leg;
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
  readonly driven: number;
  readonly turned: number;
}

const radians = (degrees: number): number => (degrees * Math.PI) / 180;

function secondsOf(leg: Leg): number {
  if ("stand" in leg) return leg.stand;
  if ("carry" in leg) return leg.seconds;
  if ("spin" in leg) return Math.abs(leg.spin) / (leg.rate ?? 45) + RAMP;
  return Math.abs(leg.go) / (leg.speed ?? 0.5) + RAMP;
}

/** Share of a leg that is done: the speed rises and falls smoothly at both ends. */
function doneAt(time: number, seconds: number): number {
  const ramp = Math.min(RAMP, seconds / 2);
  const part = (t: number) => {
    const u = Math.min(1, Math.max(0, t / ramp));
    return ramp * (u * u * u - (u * u * u * u) / 2) + Math.max(0, t - ramp);
  };
  const total = seconds - ramp;
  if (time <= seconds / 2) return part(time) / total;
  return 1 - part(seconds - time) / total;
}

/** A way of a base in legs, exact at every time: where it is, and what its wheels would count. */
export class Course {
  readonly #pieces: Piece[] = [];
  readonly #floor: Floor;
  readonly duration: number;

  constructor(legs: readonly Leg[], start: Vec3 = [0, 0, 0], floor: Floor = FLAT) {
    this.#floor = floor;
    let [x, y, yaw] = [start[0], start[1], radians(start[2])];
    let [from, driven, turned] = [0, 0, 0];
    for (const leg of legs) {
      const seconds = secondsOf(leg);
      const piece = { from, seconds, leg, x, y, yaw, driven, turned };
      this.#pieces.push(piece);
      ({ x, y, yaw, driven, turned } = stateAt(piece, 1));
      from += seconds;
    }
    this.duration = from;
  }

  /** Seconds at which a leg begins. */
  timeOf(leg: number): number {
    return this.#pieces[leg]!.from;
  }

  #at(time: number): { state: ReturnType<typeof stateAt>; share: number; leg: Leg } {
    const t = Math.min(Math.max(time, 0), this.duration - 1e-9);
    const piece = this.#pieces.findLast(({ from }) => from <= t)!;
    const share = doneAt(t - piece.from, piece.seconds);
    return { state: stateAt(piece, share), share, leg: piece.leg };
  }

  poseAt(time: number): Pose {
    const { state, share, leg } = this.#at(time);
    const { x, y, yaw } = state;
    const { height, slope } = this.#floor(x);
    const lift = "carry" in leg ? LIFT * 16 * share * share * (1 - share) * (1 - share) : 0;
    const pitch = -Math.atan(slope * Math.cos(yaw));
    const roll = Math.atan(slope * Math.sin(yaw));
    return { rotation: fromYawPitchRoll(yaw, pitch, roll), position: [x, y, height + lift] };
  }

  motionAt(time: number): Motion {
    const { driven, turned } = this.#at(time).state;
    return { driven, turned, speed: 0, turnRate: 0 };
  }
}

function stateAt({ leg, x, y, yaw, driven, turned }: Piece, share: number) {
  if ("stand" in leg) return { x, y, yaw, driven, turned };
  if ("carry" in leg) {
    const [ahead, aside] = leg.carry;
    const [c, s] = [Math.cos(yaw), Math.sin(yaw)];
    return {
      x: x + share * (c * ahead - s * aside),
      y: y + share * (s * ahead + c * aside),
      yaw: yaw + share * radians(leg.turn),
      driven,
      turned,
    };
  }
  if ("spin" in leg) {
    const angle = share * radians(leg.spin);
    return { x, y, yaw: yaw + angle, driven, turned: turned + angle };
  }
  const angle = share * radians(leg.turn ?? 0);
  const way = share * leg.go;
  const chord = Math.abs(angle) < 1e-9 ? way : (2 * way * Math.sin(angle / 2)) / angle;
  return {
    x: x + chord * Math.cos(yaw + angle / 2),
    y: y + chord * Math.sin(yaw + angle / 2),
    yaw: yaw + angle,
    driven: driven + way,
    turned: turned + angle,
  };
}
