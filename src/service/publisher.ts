import type { TrackState } from "../head/outputs.ts";
import { END } from "../terms/safety.ts";
import { SharedMessage } from "../wire/codec.ts";
import type { Draft } from "../wire/messages.ts";
import type { MotorBoard } from "./base/motor-board.ts";
import type { GlanceSender } from "./glance-sender.ts";
import type { Metrics } from "./metrics.ts";
import type { Mode } from "./mode.ts";
import type { HeadLink } from "./sensing/head-link.ts";
import type { PicturesWanted } from "./sensing/pictures.ts";
import type { ReachBody } from "./sensing/reach-body.ts";
import type { FromSensing, SensedFrame, SensedReach } from "./sensing/sensing-messages.ts";
import type { Clients } from "./sockets/clients.ts";
import type { Queued } from "./sockets/outbox.ts";

/** The reach before the first frame. */
const NOTHING_SEEN: ReachBody = {
  state: "waiting",
  source: "frame",
  first: 0,
  step: 2 * Math.PI,
  range: 0,
  distanceMm: [0],
  what: [END.unseen],
  agesMs: null,
  viewMs: null,
  pace: null,
  waiver: null,
};
/** The pace of a head whose last reach has expired. */
const standing = (cause: number, age: number): NonNullable<ReachBody["pace"]> => ({
  forward: 0,
  backward: 0,
  left: 0,
  right: 0,
  arcsForward: [],
  arcsBackward: [],
  isWayOut: false,
  roomMm: 0,
  limit: { cause, bearing: 0, distanceMm: 0, outline: [0, 0], ageMs: Math.round(age / 1000) },
});
/** Microseconds between two reaches while no frame arrives. */
const REPEAT_EVERY = 90_000;
/** Most pictures a second, whatever clients request. */
const MOST_PICTURES = 10;

/** The inputs and outputs of the publisher. */
export interface PublisherParts {
  readonly mode: Pick<Mode, "offered" | "lateness" | "waiverIn">;
  readonly head: Pick<HeadLink, "setup" | "settings" | "post">;
  readonly clients: Pick<Clients, "offer" | "tellFinding" | "rateOf">;
  readonly metrics: { readonly age: Pick<Metrics["age"], "observe"> };
  /** Null without datagrams. */
  readonly glance: Pick<GlanceSender, "send"> | null;
  /** Null without a motor board on a serial line. */
  readonly board: Pick<MotorBoard, "send" | "answer"> | null;
  /** The head's clock, microseconds. */
  readonly now: () => number;
  /** Whether the base's pose in a saved map is assumed. */
  readonly isAssumed: () => boolean;
  /** Whether the head still looks for its place in a saved map, so that poses are in a world of their own. */
  readonly isSeeking: () => boolean;
  /** Whether this base's own outline and brakes are set. */
  readonly isConfigured: () => boolean;
}

/** Turns the head's results into messages for subscribers. */
export class Publisher {
  readonly #parts: PublisherParts;
  readonly #started: number;
  #last: SensedReach | null = null;
  #lastState: Draft<"reach">["state"] = "waiting";
  #lastReachAt = 0;
  #picturesWanted = "";

  constructor(parts: PublisherParts) {
    this.#parts = parts;
    this.#started = parts.now();
  }

  /** Drops the last reach, because the head has restarted. */
  forget(): void {
    this.#last = null;
    this.#picturesWanted = "";
  }

  #offer(topic: Queued, message: SharedMessage): void {
    this.#parts.mode.offered(topic, message);
    this.#parts.clients.offer(topic, message);
  }

  /** State and age of the newest evidence; null before the first frame. */
  newest(now: number): { readonly state: Draft<"reach">["state"]; readonly age: number } | null {
    if (this.#last === null) return null;
    const { time, holds, body } = this.#last;
    // A reach from a map with an assumed pose may be of another place.
    const seen = body.source === "map" && this.#isAssumed ? "lost" : body.state;
    const age = now - time;
    const isUnconfigured = !this.#parts.isConfigured() && (seen === "clear" || seen === "dark");
    const fit = isUnconfigured ? "unconfigured" : seen;
    return { age, state: this.#parts.mode.lateness(age, holds) ?? fit };
  }

  get #isAssumed(): boolean {
    return this.#parts.isAssumed();
  }

  takeReach(reach: SensedReach): void {
    const now = this.#parts.now();
    // An event without a frame may give a reach with older evidence than the last one.
    if (this.#last === null || reach.time >= this.#last.time) this.#last = reach;
    this.#publishReach(now);
    this.#parts.metrics.age.observe(Math.max(0, now - reach.time) / 1e6);
  }

  /** While no frame arrives, repeats the reach as "waiting", "late" or "blind" with its growing age. Called often. */
  watch(): void {
    const now = this.#parts.now();
    const age = this.#last === null ? Number.POSITIVE_INFINITY : now - this.#last.time;
    if (this.#parts.mode.lateness(age, this.#last?.holds ?? 0) === null) return;
    const isDue = this.#stateAt(now) !== this.#lastState || now - this.#lastReachAt > REPEAT_EVERY;
    if (isDue) this.#publishReach(now);
  }

  #stateAt(now: number): Draft<"reach">["state"] {
    return this.newest(now)?.state ?? "waiting";
  }

  #publishReach(now: number): void {
    const { mode, glance, board } = this.#parts;
    const reach = this.#last;
    const body = reach?.body ?? NOTHING_SEEN;
    const time = reach?.time ?? this.#started;
    const state = this.#stateAt(now);
    this.#lastState = state;
    this.#lastReachAt = now;
    const age = Math.max(0, now - time);
    // The pace of a reach that has become too old since permits no motion.
    const paceIn = (): Draft<"reach">["pace"] => {
      if (state === body.state || body.pace === null) return body.pace;
      return state === "unconfigured" ? null : standing(state === "late" ? END.late : END.blind, age);
    };
    const draft: Draft<"reach"> = {
      kind: "reach",
      time,
      until: time + (reach?.holds ?? 0),
      frame: reach?.frame ?? 0,
      ...body,
      state,
      pace: paceIn(),
      waiver: mode.waiverIn(body.waiver, now),
    };
    board?.send(draft);
    glance?.send(draft, now);
    this.#offer("reach", new SharedMessage(draft));
  }

  publishPose(frame: SensedFrame): void {
    const { settings } = this.#parts.head;
    const known = frame.track?.hold ?? settings["pose.source"];
    const pose = new SharedMessage({
      kind: "pose",
      time: frame.time,
      worldFromBase: frame.worldFromBase,
      class: this.#isAssumed || this.#parts.isSeeking() ? "assumed" : known,
      covariance: frame.track === null ? null : covarianceOf(frame.track, settings["track.tiltNoise"]),
      revision: frame.revision,
    });
    this.#offer("pose", pose);
  }

  publishBrinks({ time, brinks: found }: FromSensing & { kind: "brinks" }): void {
    const brinks = found.map((brink) => ({
      ...brink,
      drop: Number.isFinite(brink.drop) ? brink.drop : null,
    }));
    this.#offer("brinks", new SharedMessage({ kind: "brinks", time, brinks }));
  }

  publishPicture(picture: FromSensing & { kind: "image" | "ground" | "trail" }): void {
    if (picture.kind !== "image") this.#offer(picture.kind, new SharedMessage(picture));
    else {
      const sensor = this.#parts.head.setup.sensors[picture.sensor]?.name ?? "";
      this.#offer("image", new SharedMessage({ ...picture, sensor }));
    }
  }

  publishPulse(pulse: Draft<"pulse">): void {
    this.#offer("pulse", new SharedMessage(pulse));
  }

  tellFinding({ time, point, alarm, verdict, evidence, age }: FromSensing & { kind: "finding" }): void {
    const isSeen = Number.isFinite(age);
    const finding: Draft<"finding"> = {
      kind: "finding",
      time,
      point,
      alarm,
      verdict,
      footing: evidence.footing,
      seenAge: isSeen ? Math.max(0, age) : null,
      far: isSeen && Number.isFinite(evidence.far) ? evidence.far : null,
    };
    this.#parts.board?.answer(finding);
    this.#parts.clients.tellFinding(finding);
  }

  /** Sets the rate of pictures after a change of subscriptions: the highest rate that any client wants, within bounds. */
  wantPictures(): void {
    const every = (topic: keyof PicturesWanted): number => {
      const rate = this.#parts.clients.rateOf(topic);
      return rate === 0 ? 0 : 1e6 / Math.min(rate, MOST_PICTURES);
    };
    const wanted = { image: every("image"), ground: every("ground"), trail: every("trail") };
    const text = JSON.stringify(wanted);
    if (text === this.#picturesWanted) return;
    this.#picturesWanted = text;
    this.#parts.head.post({ kind: "pictures", wanted });
  }
}

/**
 * Upper triangle, row by row, of x, y, z, roll, pitch, yaw.
 * @param tiltNoise degrees, 1 sigma: roll and pitch have the noise of the orientation sensor
 */
function covarianceOf({ covariance, yawSigma }: TrackState, tiltNoise: number): number[] {
  const tilt = ((tiltNoise * Math.PI) / 180) ** 2;
  const valueAt = (row: number, col: number): number => {
    if (row < 3 && col < 3) return covariance[3 * row + col]!;
    if (row !== col) return 0;
    return row < 5 ? tilt : yawSigma ** 2;
  };
  const upper: number[] = [];
  for (let row = 0; row < 6; row++) for (let col = row; col < 6; col++) upper.push(valueAt(row, col));
  return upper;
}
