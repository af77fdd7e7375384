import type { Quat, Vec3 } from "../../geometry/optics.ts";
import { conjugate, multiply, turn } from "../../geometry/rigid.ts";
import type { HeadEvent, Setup } from "../../sense/events.ts";

/** Radians: tilt that counts as tipped over, and as level again; and the shortest duration, microseconds. A ramp of 1 in 8 is only 7 degrees. */
const MOST_TILT = (15 * Math.PI) / 180;
const LEVEL_AGAIN = (10 * Math.PI) / 180;
const TILTED_FOR = 300_000;
/** Change of height, metres, that counts as lifted: more than a door threshold; and the rest, in metres and seconds, before the next report. */
const LIFT_HEIGHT = 0.06;
const AT_REST = 0.02;
const REST = 2;
/** Time constants, seconds, of the leaky integrals of speed and height. Without leakage any bias would grow without bound. */
const LEAK_SPEED = 0.5;
const LEAK_HEIGHT = 1;
/** Time constant, seconds, of the mean direction of gravity. */
const UP_MEAN = 1;
/** Time constant, seconds, of the estimate of gravity times the accelerometer's scale. */
const LEARN = 20;
/** Seconds: longest interval between samples that is integrated. */
const MOST_STEP = 0.05;

/** Detects that the base is tipped over, lifted, or falls, by its inertial sensor alone. */
export class DisturbanceWatch {
  readonly #baseFromImu: Quat;
  #tiltedSince = Number.NaN;
  #isTilted = false;
  #last = Number.NaN;
  #up: Vec3 = [0, 0, 0];
  #gravity = Number.NaN;
  #learnt = 0;
  #speed = 0;
  #height = 0;
  /** Seconds at rest; and whether the rest since the last report was long enough. */
  #rest = 0;
  #isArmed = false;

  constructor({ baseFromHead, headFromImu }: Pick<Setup, "baseFromHead" | "headFromImu">) {
    this.#baseFromImu = multiply(baseFromHead.rotation, headFromImu.rotation);
  }

  /** @returns the disturbance that begins with this event, or null */
  take(event: HeadEvent): { readonly reason: "tilt" | "lift"; readonly text: string } | null {
    if (event.kind === "orientation") return this.#takeTilt(event.time, event.rotation);
    if (event.kind === "inertial") return this.#takeLift(event.time, event.accel);
    return null;
  }

  #takeTilt(time: number, worldFromImu: Quat): { reason: "tilt"; text: string } | null {
    const up = turn(multiply(worldFromImu, conjugate(this.#baseFromImu)), [0, 0, 1])[2];
    const tilt = Math.acos(Math.max(-1, Math.min(1, up)));
    if (tilt < LEVEL_AGAIN) this.#isTilted = false;
    if (tilt < MOST_TILT) {
      this.#tiltedSince = Number.NaN;
      return null;
    }
    if (Number.isNaN(this.#tiltedSince)) this.#tiltedSince = time;
    if (this.#isTilted || time - this.#tiltedSince < TILTED_FOR) return null;
    this.#isTilted = true;
    return { reason: "tilt", text: `tipped by ${((tilt * 180) / Math.PI).toFixed(0)} degrees` };
  }

  #takeLift(time: number, accel: Vec3): { reason: "lift"; text: string } | null {
    const step = (time - this.#last) / 1e6;
    this.#last = time;
    if (!(step > 0 && step < MOST_STEP)) {
      this.#speed = 0;
      this.#height = 0;
      this.#up = accel;
      return null;
    }
    // The vertical is the mean direction, so that a sideways jolt does not count.
    const share = step / UP_MEAN;
    this.#up = [0, 1, 2].map((a) => this.#up[a]! + share * (accel[a]! - this.#up[a]!)) as unknown as Vec3;
    const norm = Math.hypot(...this.#up);
    const size = (accel[0] * this.#up[0] + accel[1] * this.#up[1] + accel[2] * this.#up[2]) / norm;
    if (Number.isNaN(this.#gravity)) this.#gravity = size;
    this.#learnt = Math.min(LEARN, this.#learnt + step);
    this.#gravity += (step / Math.max(step, this.#learnt)) * (size - this.#gravity);
    this.#speed += step * (size - this.#gravity) - (step / LEAK_SPEED) * this.#speed;
    this.#height += step * this.#speed - (step / LEAK_HEIGHT) * this.#height;
    const moved = Math.abs(this.#height);
    this.#rest = moved < AT_REST ? this.#rest + step : 0;
    if (this.#rest >= REST) this.#isArmed = true;
    if (moved < LIFT_HEIGHT || !this.#isArmed) return null;
    this.#isArmed = false;
    return { reason: "lift", text: this.#height > 0 ? "lifted" : "let down or falling" };
  }
}
