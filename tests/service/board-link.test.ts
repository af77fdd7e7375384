import { expect, test } from "vitest";
import { encodeFrame, type Frame, FrameSplitter } from "../../src/link/frames.ts";
import type { FrameContents, FrameKind } from "../../src/link/layouts.ts";
import { BoardLink, type BoardObservation } from "../../src/service/base/board-link.ts";
import type { Draft } from "../../src/wire/messages.ts";
import { clearReach } from "../helpers/clear-reach.ts";

const NOW = 7 * 2 ** 32 + 1000; // the 32 bits of the wire have just wrapped
/** The head's clock minus the board's. */
const AHEAD = 5_000_000;

/** A link, its listener, and a board that sends frames by a clock of its own. */
class Rig {
  readonly observed: BoardObservation[] = [];
  readonly notes: string[] = [];
  readonly link: BoardLink;
  #sequence = 0;
  constructor(isLive = true) {
    const wheels = { kind: "differential", radius: 0.05, countsPerTurn: 1000, track: 0.3, axle: 0 } as const;
    this.link = new BoardLink(isLive, wheels, {
      observe: (observation) => this.observed.push(observation),
      note: (text) => this.notes.push(text),
    });
  }
  bytes(contents: FrameContents, now: number, age = 0, way = 0): Uint8Array {
    const sent = now - way - AHEAD;
    return encodeFrame({ stamp: { flags: 0, sequence: this.#sequence++, sent, age }, contents });
  }
  /** A frame that was `way` microseconds on its way. */
  hear(contents: FrameContents, now: number, { age = 0, way = 0 } = {}): void {
    this.link.take(this.bytes(contents, now, age, way), now);
  }
  /** All that is due. */
  sent(now: number): Frame[] {
    const frames: Frame[] = [];
    const splitter = new FrameSplitter();
    for (let next = this.link.next(now); next !== null; next = this.link.next(now)) {
      splitter.take(next, (frame) => frames.push(frame));
    }
    return frames;
  }
}

const ask = { kind: "ask", isKnown: 1, offset: AHEAD, delay: 300 } as const;
const wheels = (left: number, right: number) =>
  ({ kind: "wheels", counts: [left, right, 0, 0], steering: 0 }) as const;
const reach = (time: number, forward = 0.7) =>
  clearReach(time, time + 200_000, {
    forward,
    backward: 0.1,
    left: 1,
    right: 1.2,
    arcsForward: [0.1, 0.2, 0.3, forward, 0.3, 0.2, 0.1],
    arcsBackward: [],
    isWayOut: false,
    roomMm: 100,
    limit: null,
  });
const of = <K extends FrameKind>(frames: readonly Frame[], kind: K): Frame<K>[] =>
  frames.filter((frame): frame is Frame<K> => frame.contents.kind === kind);

test("a reach goes out at once, then every 20 ms with the age and validity of then; a newer one replaces it", () => {
  const one = new Rig();
  one.link.send(reach(NOW - 50_000));
  one.link.send(reach(NOW - 40_000, 0.5));
  const [first, ...others] = one.sent(NOW);
  expect(others).toEqual([]);
  expect(first!.contents).toMatchObject({ kind: "pace", forward: 500, remaining: 160_000, cause: 255 });
  expect(first!.stamp).toEqual({ flags: 0, sequence: 0, sent: NOW % 2 ** 32, age: 40_000 });
  expect(one.sent(NOW + 19_000)).toEqual([]);
  const [again] = one.sent(NOW + 20_000);
  expect(again!.stamp.age).toBe(60_000);
  expect(again!.contents).toMatchObject({ remaining: 140_000 });
  expect(of(one.sent(NOW + 400_000), "pace")[0]!.contents.remaining).toBe(0);
  expect(new Rig().link.next(NOW)).toBeNull(); // without a reach there is no pace
});

test("a speed is rounded down, and a reach without a pace permits nothing", () => {
  const rig = new Rig();
  rig.link.send(reach(NOW, 0.5999));
  expect(of(rig.sent(NOW), "pace")[0]!.contents.forward).toBe(599);
  rig.link.send({ ...reach(NOW), pace: null, state: "unconfigured" });
  const { contents } = of(rig.sent(NOW), "pace")[0]!;
  expect(contents).toMatchObject({ state: 8, forward: 0, backward: 0, left: 0, right: 0 });
  expect([...contents.arcsForward, ...contents.arcsBackward].every((speed) => speed === 0)).toBe(true);
});

test("each frame of a head that is not live says so", () => {
  const rig = new Rig(false);
  rig.link.send(reach(NOW));
  rig.hear(ask, NOW);
  rig.link.command({ kind: "drive", forward: 0.3, turn: 0, seconds: 0.1 }, NOW);
  const frames = rig.sent(NOW);
  expect(frames.map(({ contents }) => contents.kind)).toEqual(["pace", "time", "drive"]);
  expect(frames.map(({ stamp }) => stamp.flags)).toEqual([1, 1, 1]);
});

test("wheel counts become odometry, stamped when they were measured", () => {
  const rig = new Rig();
  rig.hear(ask, NOW);
  rig.hear(wheels(0, 0), NOW + 1000, { age: 500, way: 200 });
  rig.hear(wheels(1000, 1000), NOW + 1_001_000, { age: 3000, way: 7000 });
  const [motion] = rig.observed;
  expect(motion).toMatchObject({ kind: "motion", time: NOW + 991_000 });
  // One turn of a wheel of 5 cm.
  expect((motion as BoardObservation & { kind: "motion" }).pose[0]).toBeCloseTo(2 * Math.PI * 0.05, 9);
});

test("of measurements that come at once the newest counts, of contacts each", () => {
  const rig = new Rig();
  rig.hear(ask, NOW);
  rig.hear(wheels(0, 0), NOW);
  const contact = (knock: number) => ({ kind: "contact", contact: 0, knock, x: 200, y: 0, z: 50 }) as const;
  const all = [wheels(1, 1), contact(1), wheels(2, 2), contact(1), contact(2), wheels(3, 3)];
  rig.link.take(Buffer.concat(all.map((contents) => rig.bytes(contents, NOW + 1000))), NOW + 1000);
  expect(rig.observed.map(({ kind }) => kind)).toEqual(["knock", "knock", "motion"]);
});

test("a question about the floor is asked once, and each repetition is answered again", () => {
  const rig = new Rig();
  const question = { kind: "floor", sensor: 2, isMissing: 1, question: 9, x: 210, y: -5 } as const;
  rig.hear(question, NOW);
  rig.hear(question, NOW + 20_000);
  expect(rig.observed).toEqual([{ kind: "floorcheck", time: NOW, point: [0.21, -0.005], alarm: true }]);
  expect(rig.sent(NOW)).toEqual([]);
  const finding: Draft<"finding"> = {
    kind: "finding",
    time: NOW,
    point: [0.21, -0.005],
    alarm: true,
    verdict: "disagrees",
    footing: "firm",
    seenAge: 0,
    far: 1,
  };
  rig.link.answer({ ...finding, point: [0, 0] }); // of another base's sensor
  expect(rig.sent(NOW)).toEqual([]);
  rig.link.answer(finding);
  const answer = { kind: "finding", sensor: 2, verdict: 1, question: 9 };
  expect(rig.sent(NOW).map(({ contents }) => contents)).toEqual([answer]);
  rig.hear(question, NOW + 40_000);
  expect(rig.sent(NOW).map(({ contents }) => contents)).toEqual([answer]);
});

test("a board that has started again counts anew: its first knock and question are new ones", () => {
  const rig = new Rig();
  const started = { ...ask, isKnown: 0 };
  const contact = { kind: "contact", contact: 0, knock: 0, x: 200, y: 0, z: 50 } as const;
  const question = { kind: "floor", sensor: 0, isMissing: 1, question: 0, x: 210, y: 0 } as const;
  for (let n = 0; n < 2; n++) {
    rig.hear(started, NOW + n * 100_000);
    rig.hear(contact, NOW + n * 100_000);
    rig.hear(question, NOW + n * 100_000);
  }
  expect(rig.observed.map(({ kind }) => kind)).toEqual(["knock", "floorcheck", "knock", "floorcheck"]);
});

test("a peer whose frames arrive late for a second is named, and its observations keep their own time", () => {
  const rig = new Rig();
  rig.hear(ask, NOW);
  for (let t = 0; t <= 2_000_000; t += 50_000)
    rig.hear(wheels(t / 1000, t / 1000), NOW + t, { way: 300_000 });
  const late = rig.notes.filter((note) => note.includes("300 ms old"));
  expect(late).toEqual([
    "what comes from the board is 300 ms old: it sends faster than the line carries or the head reads",
  ]);
  expect(rig.observed.at(-1)!.time).toBe(NOW + 2_000_000 - 300_000);
});

test("an echo of the head's own frames is no frame of a board", () => {
  const rig = new Rig();
  rig.link.send(reach(NOW));
  rig.link.take(rig.link.next(NOW)!, NOW);
  expect(rig.observed).toEqual([]);
  expect(rig.link.status(NOW).state).toBe("waiting");
});

test("a waiver with strange characters is passed on with a printable reason", () => {
  const rig = new Rig();
  const waiver = { kind: "waiver", direction: 1, request: 3, duration: 2500, reason: "dock\u0007" } as const;
  rig.hear(waiver, NOW);
  rig.hear(waiver, NOW);
  expect(rig.observed).toEqual([
    { kind: "waiver", time: NOW, direction: "backward", seconds: 2.5, reason: "dock?" },
  ]);
});
