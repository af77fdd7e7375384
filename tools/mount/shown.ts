import type { Pose } from "../../src/geometry/optics.ts";
import { toYawPitchRoll } from "../../src/geometry/rigid.ts";

const DEGREE = Math.PI / 180;
/** Seconds over which a speed is averaged, because poses jitter. */
const SPAN = 0.25;
/** m/s and rad/s: below, it rests; above, it drives or turns. */
const REST_SPEED = 0.03;
const REST_RATE = 3 * DEGREE;
const DRIVE_SPEED = 0.15;
const TURN_RATE = 12 * DEGREE;
/** Motions of docs/mounting-the-head.md; turns a little smaller, because poses smooth them. */
const REST = 1.8;
const TURN = 85 * DEGREE;
const STRAIGHT = 0.7;
const HEADINGS = 4;
const APART = 50 * DEGREE;
const BRAKES = 2;
/** Seconds within which it must have come from driving to rest, for a braking to be firm. */
const FIRM = 1.2;

/** Motions that a mounting drive must show. */
export type Motion = "rest" | "left" | "right" | "straight" | "brake";

interface Place {
  readonly time: number;
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
}

/**
 * Motions of a mounting drive so far, by the head's poses: a guide for the driver,
 * not the result, which comes from the recording.
 */
export class Shown {
  readonly #recent: Place[] = [];
  #restSince: number | null = null;
  #rested = 0;
  readonly #turned = { left: 0, right: 0 };
  /** Metres of the present straight leg, and the headings of legs that were long enough. */
  #way = 0;
  readonly #headings: number[] = [];
  #droveAt = Number.NEGATIVE_INFINITY;
  #brakes = 0;

  /** @param time microseconds */
  take(time: number, { position: [x, y], rotation }: Pose): void {
    const place = { time: time / 1e6, x, y, yaw: toYawPitchRoll(rotation)[0] };
    const last = this.#recent.at(-1);
    if (last !== undefined && place.time <= last.time) return;
    this.#recent.push(place);
    while (this.#recent.length > 2 && place.time - this.#recent[1]!.time >= SPAN) this.#recent.shift();
    const first = this.#recent[0]!;
    const span = place.time - first.time;
    if (last === undefined || span < SPAN / 2) return;
    const rate = wrapped(place.yaw - first.yaw) / span;
    const speed = Math.hypot(place.x - first.x, place.y - first.y) / span;
    const step = wrapped(place.yaw - last.yaw);
    if (rate > TURN_RATE) this.#turned.left += Math.max(0, step);
    else if (rate < -TURN_RATE) this.#turned.right -= Math.min(0, step);
    this.#followWay(place, last, speed, rate);
    const isResting = speed < REST_SPEED && Math.abs(rate) < REST_RATE;
    if (isResting) {
      this.#restSince ??= first.time;
      this.#rested = Math.max(this.#rested, place.time - this.#restSince);
      if (place.time - this.#droveAt < FIRM) this.#brakes++;
      this.#droveAt = Number.NEGATIVE_INFINITY;
    } else this.#restSince = null;
  }

  #followWay(place: Place, last: Place, speed: number, rate: number): void {
    if (Math.abs(rate) > TURN_RATE || speed < REST_SPEED) {
      this.#way = 0;
      return;
    }
    this.#way += Math.hypot(place.x - last.x, place.y - last.y);
    if (speed > DRIVE_SPEED) this.#droveAt = place.time;
    if (this.#way < STRAIGHT) return;
    const isNew = this.#headings.every((heading) => Math.abs(wrapped(heading - place.yaw)) > APART);
    if (isNew) this.#headings.push(place.yaw);
  }

  /** Missing motions, in order; empty when all were shown. */
  missing(): string[] {
    return this.#open().map(({ text }) => text);
  }

  /** The next missing motion; null when all were shown. */
  get next(): Motion | null {
    return this.#open()[0]?.motion ?? null;
  }

  #open(): { readonly motion: Motion; readonly text: string }[] {
    const degrees = (side: "left" | "right"): number => Math.round(this.#turned[side] / DEGREE);
    const ways = this.#headings.length;
    const all = [
      { motion: "rest", isShown: this.#rested >= REST, text: "stand still for two seconds" },
      ...(["left", "right"] as const).map((side) => ({
        motion: side,
        isShown: this.#turned[side] >= TURN,
        text: `turn ${side} on the spot by a right angle (${degrees(side)} of 90 degrees)`,
      })),
      {
        motion: "straight",
        isShown: ways >= HEADINGS,
        text: `drive a metre straight on (in ${ways} of ${HEADINGS} directions)`,
      },
      {
        motion: "brake",
        isShown: this.#brakes >= BRAKES,
        text: `drive briskly and brake firmly (${this.#brakes} of ${BRAKES} times)`,
      },
    ] as const;
    return all.filter(({ isShown }) => !isShown);
  }
}

const wrapped = (angle: number): number => angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI));
