import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import { encodeFrame, type Frame, FrameSplitter } from "../../src/link/frames.ts";
import { LAYOUTS, LONGEST_FRAME } from "../../src/link/layouts.ts";
import { CURVATURES } from "../../src/terms/safety.ts";
import { DOCUMENT, HEADER_FILE, headerText, withTables } from "../../tools/lab/layouts.ts";
import { seeded } from "../helpers/recordings.ts";

const textOf = (path: string): string =>
  readFileSync(fileURLToPath(new URL(`../../${path}`, import.meta.url)), "utf8");

const STAMP = { flags: 1, sequence: 4294967295, sent: 0x01020304, age: 50_000 };
const FINDING: Frame = {
  stamp: STAMP,
  contents: { kind: "finding", sensor: 3, verdict: 1, question: 0x0506 },
};
const ALL: readonly Frame["contents"][] = [
  {
    kind: "pace",
    state: 1,
    cause: 255,
    distance: 65535,
    remaining: 400_000,
    forward: 1200,
    backward: 1,
    left: 2,
    right: 3,
    arcsForward: [1, 2, 3, 4, 5, 6, 7],
    arcsBackward: [8, 9, 10, 11, 12, 13, 14],
  },
  FINDING.contents,
  { kind: "drive", forward: -300, turn: 1500, holds: 200 },
  { kind: "time", asked: 4294967295, received: 7 },
  { kind: "wheels", counts: [-2147483648, 2147483647, 0, 5], steering: -300 },
  { kind: "position", x: -5, y: 6, yaw: 31416, forward: 1, left: -2, turn: 3 },
  { kind: "contact", contact: 2, knock: 255, x: 200, y: -200, z: 40 },
  { kind: "floor", sensor: 1, isMissing: 1, question: 65535, x: 210, y: 90 },
  { kind: "battery", voltage: 12_600, current: -150, charge: 255, isCharging: 1 },
  { kind: "state", stop: 5, isWaived: 0, forward: 0, turn: 0, refused: 9, damaged: 65535 },
  { kind: "waiver", direction: 1, request: 4, duration: 3000, reason: "stuck at the dock" },
  { kind: "ask", isKnown: 1, offset: 123, delay: 456 },
];

function framesIn(bytes: Uint8Array, chunk = bytes.length): { frames: Frame[]; damaged: number } {
  const frames: Frame[] = [];
  const splitter = new FrameSplitter();
  for (let at = 0; at < bytes.length; at += chunk) {
    splitter.take(bytes.subarray(at, at + chunk), (frame) => frames.push(frame));
  }
  return { frames, damaged: splitter.damaged };
}

test("a frame has the bytes that docs/protocol.md says, worked out by hand", () => {
  // layout 1, kind 2, flags, sequence, sent, age 50,000 = 0xC350, sensor 3, verdict 1, question.
  const plain = Buffer.from("01020100ffffffff0403020150c3000003010605", "hex");
  const sum = Buffer.alloc(4);
  sum.writeUInt32LE(crc32c(plain));
  // Stuffed by hand: the zeros are at bytes 3, 14 and 15.
  const stuffed = Buffer.concat([
    Buffer.from("0004010201" + "0bffffffff0403020150c3" + "01" + "09" + "03010605", "hex"),
    sum,
    Buffer.of(0),
  ]);
  expect(sum.includes(0)).toBe(false);
  expect(Buffer.from(encodeFrame(FINDING))).toEqual(stuffed);
});

test("every kind of frame comes back as it was sent, byte by byte", () => {
  expect(new Set(ALL.map(({ kind }) => kind))).toEqual(new Set(Object.keys(LAYOUTS)));
  const sent = ALL.map((contents, i) => ({ stamp: { ...STAMP, sequence: i }, contents }));
  const wire = Buffer.concat(sent.map(encodeFrame));
  expect(framesIn(wire, 1)).toEqual({ frames: sent, damaged: 0 });
});

test("numbers beyond their field saturate, so that a long way or a high speed never looks short", () => {
  const far = { ...(ALL[0] as Frame<"pace">["contents"]), distance: 1e6, forward: 70_000, backward: -3 };
  const [back] = framesIn(encodeFrame({ stamp: { ...STAMP, age: 1e12 }, contents: far })).frames;
  expect(back!.contents).toMatchObject({ distance: 65535, forward: 65535, backward: 0 });
  expect(back!.stamp.age).toBe(4294967295);
});

test("after noise the next whole frame is read, and a damaged one never", () => {
  const random = seeded(5);
  for (let run = 0; run < 2000; run++) {
    const noise = Uint8Array.from({ length: random() * 300 }, () => random() * 256);
    const hurt = encodeFrame(FINDING).slice();
    hurt[Math.floor(random() * hurt.length)]! ^= 1 << Math.floor(random() * 8);
    const good = encodeFrame({ stamp: STAMP, contents: ALL[run % ALL.length]! });
    const { frames } = framesIn(Buffer.concat([noise, hurt, good]), 1 + Math.floor(random() * 64));
    expect(frames.at(-1)!.contents).toEqual(ALL[run % ALL.length]);
    // A bit in a delimiter may leave the frame itself whole.
    expect(frames.length).toBeLessThanOrEqual(2);
    for (const frame of frames.slice(0, -1)) expect(frame).toEqual(FINDING);
  }
});

test("frames of another layout, kind or length are counted and dropped", () => {
  const plain = Buffer.from("01020100ffffffff0403020150c3000003010605", "hex");
  const wrong = [
    [2, 2],
    [1, 99],
    [1, 1],
  ].map(([layout, kind]) => {
    const bytes = Buffer.concat([plain, Buffer.alloc(4)]);
    bytes[0] = layout!;
    bytes[1] = kind!;
    bytes.writeUInt32LE(crc32c(bytes, 0, 20), 20);
    return stuffedByHand(bytes);
  });
  const { frames, damaged } = framesIn(Buffer.concat([...wrong, encodeFrame(FINDING)]));
  expect(frames).toEqual([FINDING]);
  expect(damaged).toBe(3);
});

/** Stuffing in the plainest way: each stretch between zeros, with its length + 1 before it. For less than 254 bytes. */
function stuffedByHand(bytes: Uint8Array): Buffer {
  const hex = Buffer.from(bytes).toString("hex").match(/../g)!;
  const stretches = hex
    .join(" ")
    .split("00")
    .map((part) => part.trim().split(" ").filter(Boolean));
  const stuffed = stretches.flatMap((part) => [
    part.length + 1,
    ...part.map((byte) => Number.parseInt(byte, 16)),
  ]);
  return Buffer.from([0, ...stuffed, 0]);
}

test("a peer that never sends a zero byte takes no memory", () => {
  const splitter = new FrameSplitter();
  const frames: Frame[] = [];
  for (let i = 0; i < 1000; i++) splitter.take(new Uint8Array(1000).fill(7), (frame) => frames.push(frame));
  splitter.take(encodeFrame(FINDING), (frame) => frames.push(frame));
  expect([frames, splitter.damaged]).toEqual([[FINDING], 1]);
});

test("the C header and the tables of the protocol say what the layouts say", () => {
  const hint = "run `npm run lab -- layouts` and commit";
  expect(textOf(HEADER_FILE), hint).toBe(headerText());
  expect(textOf(DOCUMENT), hint).toBe(withTables(textOf(DOCUMENT)));
  expect(LAYOUTS.pace.fields.arcsForward.count).toBe(CURVATURES.length);
  expect(LONGEST_FRAME).toBeLessThan(254); // the board's stuffing relies on it
});
