import { expect, test } from "vitest";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { BlockGrid, blockKey } from "../../src/map/grid.ts";
import { END } from "../../src/terms/safety.ts";
import { decodeClasses, encodeClasses, MOST_BLOCK_BYTES, VOXEL } from "../../src/wire/blocks.ts";
import { ClockFilter, exchange } from "../../src/wire/clock.ts";
import { decodeGlance, encodeGlance, GLANCE_SIZE, glanceOf } from "../../src/wire/datagram.ts";
import type { Draft } from "../../src/wire/messages.ts";
import { MotorBoard } from "../helpers/motor-board.ts";
import { seeded } from "../helpers/recordings.ts";

test("a block keeps every voxel's class, its key and its revision", () => {
  const random = seeded(4);
  const values = new Uint8Array(512);
  for (let i = 0, value = 40; i < 512; i++) {
    if (random() < 0.2) value = Math.floor(random() * 113);
    values[i] = value;
  }
  const grid = new BlockGrid(0.05);
  const id = grid.pasteBlock(blockKey(-1024, 1023, -512), values, 77);
  const out = new Uint8Array(3 + MOST_BLOCK_BYTES);
  const end = encodeClasses({ key: grid.keys[id]!, revision: grid.revision[id]!, values }, out, 3);
  const [block, ...more] = [...decodeClasses(out.subarray(3, end))];
  expect(more).toEqual([]);
  expect(block!.key).toBe(blockKey(-1024, 1023, -512));
  expect(block!.revision).toBe(77);
  // The classes by their bounds in log-odds: free below 32, occupied from 64 (src/map/grid.ts).
  const classes = Array.from(values, (v) =>
    v < 32 ? VOXEL.free : v < 64 ? VOXEL.undecided : VOXEL.occupied,
  );
  expect(Array.from(block!.classes)).toEqual(classes);
});

test("a block of one class takes 16 bytes", () => {
  const out = new Uint8Array(MOST_BLOCK_BYTES);
  expect(encodeClasses({ key: 1, revision: 1, values: new Uint8Array(512) }, out, 0)).toBe(16); // 8 and 512 / 64 runs
});

test("a damaged block is refused with its place", () => {
  const out = new Uint8Array(MOST_BLOCK_BYTES);
  const end = encodeClasses({ key: 1, revision: 1, values: new Uint8Array(512) }, out, 0);
  const read = (bytes: Uint8Array) => () => [...decodeClasses(bytes)];
  expect(read(out.subarray(0, end - 1))).toThrow(DecodeError);
  const long = out.slice(0, end);
  long[8] = 62; // the runs now end one voxel early
  expect(read(long)).toThrow(/block ends after 511|needs/);
  const alien = out.slice(0, end);
  alien[8] = 0xff;
  expect(read(alien)).toThrow(/class 3/);
});

test("offset and delay of an exchange", () => {
  // RFC 5905, section 8, by hand: T1 = 100, T2 = 1110, T3 = 1120, T4 = 130: theta = (1010 + 990) / 2, delta = 30 - 10.
  expect(exchange(100, 1110, 1120, 130)).toEqual({ offset: 1000, delay: 20 });
});

test("the exchange with the shortest delay decides; a stepped clock starts afresh", () => {
  const clock = new ClockFilter();
  clock.add(0, 5010, 5010, 20); // offset 5000, delay 20
  clock.add(1000, 6300, 6300, 1400); // delayed on the way there: offset 5100, delay 400
  expect(clock.best).toEqual({ offset: 5000, delay: 20 });
  clock.add(2000, 1_007_010, 1_007_010, 2020);
  expect(clock.best).toEqual({ offset: 1_005_000, delay: 20 });
});

const REACH: Draft<"reach"> = {
  kind: "reach",
  time: 1_000_000,
  until: 1_200_000,
  frame: 1,
  state: "clear",
  source: "map",
  first: -Math.PI,
  step: Math.PI / 8,
  range: 4000,
  distanceMm: Array.from({ length: 16 }, (_, i) => 1000 + 10 * i),
  what: Array.from({ length: 16 }, () => END.obstacle),
  agesMs: null,
  viewMs: null,
  pace: {
    forward: 0.5,
    backward: 0.123,
    left: 1,
    right: 1,
    arcsForward: [],
    arcsBackward: [],
    isWayOut: false,
    roomMm: 900,
    limit: { cause: END.obstacle, bearing: 0, distanceMm: 640, outline: [0.22, 0], ageMs: 40 },
  },
  waiver: null,
};

const FIRST = { number: 1, now: REACH.time, isLive: true };

test("a glance datagram has the documented bytes, and comes back", () => {
  const glance = glanceOf(REACH, { number: 0x01020304, now: 1_005_000, isLive: true });
  const bytes = encodeGlance(glance);
  expect(bytes.length).toBe(GLANCE_SIZE);
  const hex = Buffer.from(bytes).toString("hex");
  // 5 ms old; 195 ms are left.
  expect(hex.slice(0, 40)).toBe(`42524b52${"02"}${"00"}${"0100"}${"04030201"}${"88130000"}${"b8f90200"}`);
  expect(hex.slice(88, 96)).toBe("f4017b00"); // 500 and 123 mm/s
  expect(hex.slice(96, 104)).toBe("03008002"); // an obstacle, 640 mm away
  expect(decodeGlance(bytes)).toEqual({ ...glance, pace: { forward: 0.5, backward: 0.123 } });
});

test("a glance datagram says how much is left of a pace, and nothing once it has ended or nothing limits it", () => {
  const at = (now: number, reach = REACH) => decodeGlance(encodeGlance(glanceOf(reach, { ...FIRST, now })));
  expect(at(1_120_000).remaining).toBe(80_000);
  expect(at(1_300_000).remaining).toBe(0);
  expect(at(1_000_000, { ...REACH, pace: { ...REACH.pace!, limit: null } }).limit).toBeNull();
});

test("a sector has the nearest of its bearings, ahead first", () => {
  const { distanceMm } = glanceOf(REACH, FIRST);
  // Bearings are 22.5 degrees apart from -180: ahead is number 8 (1080 mm); half-way ones round up to the next sector.
  expect(distanceMm[0]).toBe(1070);
  expect(Math.min(...distanceMm)).toBe(1000);
});

test("a sector that no bearing looks into is unseen at no distance", () => {
  const ahead = { ...REACH, first: 0, distanceMm: [90_000], what: [END.open] };
  const { distanceMm, what } = glanceOf(ahead, FIRST);
  expect([distanceMm[4], what[4]]).toEqual([0, END.unseen]);
  expect(decodeGlance(encodeGlance(glanceOf(ahead, FIRST))).distanceMm[0]).toBe(65535);
});

test("the documented receiver goes by a datagram of a live head, and never by one of a recording or a simulation", () => {
  const board = new MotorBoard();
  board.onDatagram(encodeGlance(glanceOf(REACH, { ...FIRST, isLive: false })), 0);
  expect([board.limitForward, board.limitBackward]).toEqual([0, 0]);
  board.onDatagram(encodeGlance(glanceOf(REACH, FIRST)), 10);
  expect([board.limitForward, board.limitBackward]).toEqual([500, 123]);
  // Nor does one keep the motors going that a live head has let go.
  for (let now = 20; now <= 520; now += 10) {
    const glance = glanceOf(REACH, { number: now, now: REACH.time, isLive: false });
    expect(decodeGlance(encodeGlance(glance)).isLive).toBe(false);
    board.onDatagram(encodeGlance(glance), now);
    board.tick(now);
  }
  expect([board.limitForward, board.limitBackward]).toEqual([0, 0]);
});

test("the documented receiver stops when a pace has ended, however little is left of it when it comes", () => {
  const board = new MotorBoard();
  board.onDatagram(encodeGlance(glanceOf(REACH, { ...FIRST, now: REACH.until - 30_000 })), 1000);
  board.tick(1020);
  expect([board.limitForward, board.limitBackward]).toEqual([500, 123]);
  board.tick(1030);
  expect([board.limitForward, board.limitBackward]).toEqual([0, 0]);
  // A head that starts again counts from 0.
  board.tick(1600);
  board.onDatagram(encodeGlance(glanceOf(REACH, { ...FIRST, number: 0 })), 1610);
  expect(board.limitForward).toBe(500);
});

test("any flipped bit of a glance datagram is found", () => {
  const bytes = encodeGlance(glanceOf(REACH, FIRST));
  for (let bit = 0; bit < 8 * GLANCE_SIZE; bit++) {
    const bad = bytes.slice();
    bad[bit >> 3] = bad[bit >> 3]! ^ (1 << (bit & 7));
    expect(() => decodeGlance(bad)).toThrow(DecodeError);
  }
});
