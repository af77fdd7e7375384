import { encodeFrame, type Frame, FrameSplitter } from "../../link/frames.ts";
import {
  FARTHEST,
  type FrameContents,
  type FrameKind,
  IS_PLAYED,
  LAYOUTS,
  NO_CAUSE,
  NO_CHARGE,
} from "../../link/layouts.ts";
import { WheelOdometry, type Wheels } from "../../link/odometry.ts";
import { MOST_WAIVER, WIRE_OLD, WIRE_REPEAT } from "../../terms/freshness.ts";
import { BOARD_STOPS, CURVATURES, DIRECTIONS, REACH_STATES, VERDICTS } from "../../terms/safety.ts";
import type { Draft, FromClient } from "../../wire/messages.ts";

const WRAP = 2 ** 32;
/** Microseconds without a frame of the board after which it counts as silent. Its state comes five times a second. */
const SILENT_AFTER = 1_000_000;
/** Microseconds by which a stamp of the board may seem to lie ahead: the error of its clock. */
const CLOCK_SLACK = 5000;
/** Microseconds for which frames must arrive late before that is said, and between two notes about it. */
const LATE_FOR = 1_000_000;
const LATE_NOTE_EVERY = 10_000_000;
/** Questions about the floor that are remembered, to answer a repeated one again, and for how long: numbers come again after a restart of the board. */
const QUESTIONS = 16;
const QUESTION_HOLDS = 1_000_000;

export type BoardObservation = FromClient<"motion" | "knock" | "floorcheck" | "waiver">;

/** What the board's frames lead to. */
export interface BoardListener {
  observe(observation: BoardObservation): void;
  /** A note for people. */
  note(text: string): void;
}

interface Question {
  readonly sensor: number;
  readonly question: number;
  readonly x: number;
  readonly y: number;
  readonly alarm: boolean;
  readonly askedAt: number;
  verdict: number | null;
  isDue: boolean;
}

/** Both directions of the frames between the head and one board; no input or output of its own. Times are microseconds of the head's clock. */
export class BoardLink {
  readonly #listener: BoardListener;
  readonly #flags: number;
  readonly #odometry: WheelOdometry | null;
  readonly #splitter = new FrameSplitter();
  #sequence = 0;

  // To be sent: the newest of each kind, and nothing twice.
  #reach: Draft<"reach"> | null = null;
  #isReachNew = false;
  #paceAt = 0;
  #question: { readonly asked: number; readonly received: number } | null = null;
  #command: { readonly forward: number; readonly turn: number; readonly until: number } | null = null;
  #questions: Question[] = [];

  // What is known of the board.
  #heardAt: number | null = null;
  #offset: number | null = null;
  #delay: number | null = null;
  #lastKnock: number | null = null;
  #lastWaiver: number | null = null;
  #state: FrameContents<"state"> | null = null;
  #battery: FrameContents<"battery"> | null = null;
  #transit = 0;
  #lateSince: number | null = null;
  #lateNotedAt = Number.NEGATIVE_INFINITY;

  /**
   * @param isLive whether the events of the head come from sensors; each frame carries it
   * @param wheels for boards that send counts; null for those that send positions
   */
  constructor(isLive: boolean, wheels: Wheels | null, listener: BoardListener) {
    this.#flags = isLive ? 0 : IS_PLAYED;
    this.#odometry = wheels === null ? null : new WheelOdometry(wheels);
    this.#listener = listener;
  }

  /** Forgets what a new connection makes invalid. */
  connected(): void {
    this.#offset = null;
    this.#delay = null;
    this.#question = null;
    this.#lateSince = null;
    this.#forgetNumbers();
  }

  /** A board that has started counts its knocks, waivers and questions anew. */
  #forgetNumbers(): void {
    this.#lastKnock = null;
    this.#lastWaiver = null;
    this.#questions = [];
  }

  // ---- from the head ----

  /** Takes a reach. It replaces the one before. */
  send(reach: Draft<"reach">): void {
    this.#reach = reach;
    this.#isReachNew = true;
  }

  /** Takes a command of a client that drives. It replaces the one before. */
  command({ forward, turn, seconds }: FromClient<"drive">, now: number): void {
    this.#command = { forward, turn, until: now + 1e6 * seconds };
  }

  /** Takes the head's answer about a floor sensor. */
  answer({ point, alarm, verdict }: Draft<"finding">): void {
    for (const one of this.#questions) {
      if (one.verdict !== null || one.alarm !== alarm || one.x !== point[0] || one.y !== point[1]) continue;
      one.verdict = VERDICTS.indexOf(verdict);
      one.isDue = true;
    }
  }

  /** The next frame for the wire, made of what is true now; null when nothing is due. */
  next(now: number): Uint8Array | null {
    if (this.#reach !== null && (this.#isReachNew || now - this.#paceAt >= 1e6 * WIRE_REPEAT)) {
      this.#isReachNew = false;
      this.#paceAt = now;
      return this.#frame(paceOf(this.#reach, now), Math.max(0, now - this.#reach.time), now);
    }
    const question = this.#question;
    if (question !== null) {
      this.#question = null;
      return this.#frame({ kind: "time", ...question }, 0, now);
    }
    const answered = this.#questions.find(({ isDue }) => isDue);
    if (answered !== undefined) {
      answered.isDue = false;
      const { sensor, verdict } = answered;
      return this.#frame({ kind: "finding", sensor, verdict: verdict!, question: answered.question }, 0, now);
    }
    const command = this.#command;
    if (command === null) return null;
    this.#command = null;
    const holds = Math.max(0, Math.floor((command.until - now) / 1000));
    const [forward, turn] = [1000 * command.forward, 1000 * command.turn].map(Math.trunc) as [number, number];
    return this.#frame({ kind: "drive", forward, turn, holds }, 0, now);
  }

  #frame(contents: FrameContents, age: number, now: number): Uint8Array {
    const sequence = this.#sequence;
    this.#sequence = (sequence + 1) % WRAP;
    return encodeFrame({ stamp: { flags: this.#flags, sequence, sent: now % WRAP, age }, contents });
  }

  // ---- from the board ----

  /** Takes all bytes that came at once. Of measurements only the newest among them counts. */
  take(bytes: Uint8Array, now: number): void {
    const newest = new Map<FrameKind, Frame>();
    this.#splitter.take(bytes, (frame) => {
      const { kind } = frame.contents;
      if (LAYOUTS[kind].from === "head") return; // an echo
      if (kind === "wheels" || kind === "position") newest.set(kind, frame);
      else this.#take(frame, now);
      this.#heard(frame, now);
    });
    for (const frame of newest.values()) this.#take(frame, now);
  }

  /** Notes a frame, and how long it was on its way. */
  #heard({ stamp }: Frame, now: number): void {
    if (this.#heardAt === null || now - this.#heardAt > SILENT_AFTER) this.#listener.note("the board sends");
    this.#heardAt = now;
    this.#transit = this.#transitOf(stamp.sent, now);
    if (this.#transit <= 1e6 * WIRE_OLD) {
      this.#lateSince = null;
      return;
    }
    this.#lateSince ??= now;
    if (now - this.#lateSince < LATE_FOR || now - this.#lateNotedAt < LATE_NOTE_EVERY) return;
    this.#lateNotedAt = now;
    const age = Math.round(this.#transit / 1000);
    this.#listener.note(
      `what comes from the board is ${age} ms old: it sends faster than the line carries or the head reads`,
    );
  }

  /** Microseconds that a frame was on its way; 0 while the clocks are not compared. */
  #transitOf(sent: number, now: number): number {
    if (this.#offset === null) return 0;
    const way = (now - sent - this.#offset) % WRAP;
    const taken = way < 0 ? way + WRAP : way;
    return taken > WRAP - CLOCK_SLACK ? 0 : taken;
  }

  /** When the contents of a frame were true. */
  #timeOf({ sent, age }: Frame["stamp"], now: number): number {
    return Math.max(0, Math.round(now - this.#transitOf(sent, now) - age));
  }

  #take({ stamp, contents }: Frame, now: number): void {
    const time = this.#timeOf(stamp, now);
    switch (contents.kind) {
      case "ask":
        this.#question = { asked: stamp.sent, received: now % WRAP };
        [this.#offset, this.#delay] = contents.isKnown ? [contents.offset, contents.delay] : [null, null];
        if (!contents.isKnown) this.#forgetNumbers(); // the board has just started
        break;
      case "wheels": {
        const moved = this.#odometry?.take(contents.counts, contents.steering / 1000, time) ?? null;
        if (moved !== null) this.#listener.observe({ kind: "motion", time, ...moved });
        break;
      }
      case "position": {
        const { x, y, yaw, forward, left, turn } = contents;
        const speed = [forward / 1000, left / 1000, turn / 1000] as const;
        this.#listener.observe({ kind: "motion", time, pose: [x / 1e4, y / 1e4, yaw / 1e4], speed });
        break;
      }
      case "contact": {
        if (contents.knock === this.#lastKnock) break;
        this.#lastKnock = contents.knock;
        const point = [contents.x / 1000, contents.y / 1000, contents.z / 1000] as const;
        this.#listener.observe({ kind: "knock", time, point });
        break;
      }
      case "floor":
        this.#ask(contents, time, now);
        break;
      case "battery":
        this.#battery = contents;
        break;
      case "state":
        if (this.#state !== null && contents.stop !== this.#state.stop) this.#noteStop(contents.stop);
        this.#state = contents;
        break;
      case "waiver":
        this.#takeWaiver(contents, time);
        break;
      default: // kinds of the head, which `take` leaves out
    }
  }

  /** Asks the head about a floor sensor, once for each question; a repeated one is answered again. */
  #ask({ sensor, question, x, y, isMissing }: FrameContents<"floor">, time: number, now: number): void {
    this.#questions = this.#questions.filter(({ askedAt }) => now - askedAt < QUESTION_HOLDS);
    const known = this.#questions.find((one) => one.sensor === sensor && one.question === question);
    if (known !== undefined) {
      known.isDue = known.verdict !== null;
      return;
    }
    const alarm = isMissing === 1;
    const point = [x / 1000, y / 1000] as const;
    const place = { x: point[0], y: point[1] };
    this.#questions.push({ sensor, question, ...place, alarm, askedAt: now, verdict: null, isDue: false });
    if (this.#questions.length > QUESTIONS) this.#questions.shift();
    this.#listener.observe({ kind: "floorcheck", time, point, alarm });
  }

  #takeWaiver({ request, direction, duration, reason }: FrameContents<"waiver">, time: number): void {
    const name = DIRECTIONS[direction];
    if (request === this.#lastWaiver || name === undefined) return;
    this.#lastWaiver = request;
    const printable = reason.replace(/[^\x20-\x7e]/g, "?").trim();
    this.#listener.observe({
      kind: "waiver",
      time,
      direction: name,
      seconds: Math.min(MOST_WAIVER, duration / 1000),
      reason: printable === "" ? "no reason given" : printable,
    });
  }

  #noteStop(stop: number): void {
    const name = BOARD_STOPS[stop] ?? `code ${stop}`;
    this.#listener.note(
      name === "none" ? "the board permits motion again" : `the board stops the base: ${name}`,
    );
  }

  /** For the pulse. */
  status(now: number): NonNullable<Draft<"pulse">["board"]> {
    const age = this.#heardAt === null ? null : Math.max(0, now - this.#heardAt);
    const state = this.#state;
    const battery = this.#battery;
    return {
      state: age === null ? "waiting" : age > SILENT_AFTER ? "silent" : "running",
      age,
      transit: this.#offset === null ? null : this.#transit,
      delay: this.#delay,
      stop: state === null ? null : (BOARD_STOPS[state.stop] ?? `code ${state.stop}`),
      isWaived: state?.isWaived === 1,
      refused: state?.refused ?? 0,
      damagedThere: state?.damaged ?? 0,
      damagedHere: this.#splitter.damaged,
      voltage: battery === null ? null : battery.voltage / 1000,
      charge: battery === null || battery.charge === NO_CHARGE ? null : battery.charge,
      why: null,
    };
  }
}

const millis = (value: number): number => Math.floor(1000 * value);

/** The paces of a reach as they are now. */
function paceOf(reach: Draft<"reach">, now: number): FrameContents<"pace"> {
  const { pace } = reach;
  const limit = pace?.limit ?? null;
  const arcs = (speeds: readonly number[] | undefined): number[] =>
    CURVATURES.map((_, i) => millis(speeds?.[i] ?? 0));
  return {
    kind: "pace",
    state: REACH_STATES.indexOf(reach.state),
    cause: limit?.cause ?? NO_CAUSE,
    distance: limit?.distanceMm ?? FARTHEST,
    remaining: Math.max(0, Math.floor(reach.until - now)),
    forward: millis(pace?.forward ?? 0),
    backward: millis(pace?.backward ?? 0),
    left: millis(pace?.left ?? 0),
    right: millis(pace?.right ?? 0),
    arcsForward: arcs(pace?.arcsForward),
    arcsBackward: arcs(pace?.arcsBackward),
  };
}
