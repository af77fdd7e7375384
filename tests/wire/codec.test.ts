import { Packr } from "msgpackr";
import { expect, test } from "vitest";
import { decodeFromServer, encodeForServer, SharedMessage, WireError } from "../../src/wire/codec.ts";
import { decodeFromClient } from "../../src/wire/inbound.ts";
import type { Draft, FromClient } from "../../src/wire/messages.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";
import { seeded } from "../helpers/recordings.ts";

const packr = new Packr({ useRecords: false, variableMapSize: true });
const REACH: Draft<"reach"> = {
  kind: "reach",
  time: 5_000_000_000,
  until: 5_000_200_000,
  frame: 7,
  state: "clear",
  source: "map",
  first: -Math.PI,
  step: Math.PI / 4,
  range: 4000,
  distanceMm: [0, 127, 128, 255, 256, 65535, 65536, 4000],
  what: [4, 1, 1, 2, 3, 0, 0, 1],
  agesMs: null,
  viewMs: null,
  pace: null,
  waiver: null,
};
const DEPTH: FromClient<"depth"> = {
  kind: "depth",
  sensor: "front",
  sequence: 3,
  form: "u16",
  counts: Uint8Array.of(1, 0, 255, 127),
  amplitude: null,
};

/** The error that a client's message gives. */
function refusal(message: unknown): WireError {
  try {
    decodeFromClient(typeof message === "string" ? message : new Uint8Array(packr.pack(message)));
  } catch (error) {
    if (error instanceof WireError) return error;
    throw error;
  }
  throw new Error("the message was taken");
}

test("a message encoded once gets each client's own number and age, in both forms", () => {
  const shared = new SharedMessage(REACH);
  for (const form of ["binary", "text"] as const) {
    for (const [sequence, now] of [
      [1, 5_000_004_000],
      [70_000, 5_000_900_000],
    ] as const) {
      const wire = shared.finish(form, sequence, now);
      expect(typeof wire).toBe(form === "text" ? "string" : "object");
      expect(decodeFromServer(wire)).toEqual({ ...REACH, sequence, age: now - 5_000_000_000 });
    }
  }
});

test("an age is never negative, whatever a stamp says", () => {
  const wire = new SharedMessage(REACH).finish("binary", 1, 4_000_000_000);
  expect(decodeFromServer(wire)).toMatchObject({ age: 0 });
});

test("bytes go as binary in MessagePack and as base64 in JSON, from client and head alike", () => {
  const text = encodeForServer(DEPTH, "text") as string;
  expect(JSON.parse(text).counts).toBe("AQD/fw=="); // RFC 4648, section 4, by hand
  expect(decodeFromClient(text)).toEqual(DEPTH);
  expect(decodeFromClient(encodeForServer(DEPTH, "binary"))).toEqual(DEPTH);
  const patch: Draft<"patch"> = {
    kind: "patch",
    epoch: "a",
    from: 0,
    to: 1,
    count: 1,
    left: 0,
    blocks: Uint8Array.of(9, 8, 7),
  };
  for (const form of ["binary", "text"] as const) {
    expect(decodeFromServer(new SharedMessage(patch).finish(form, 1, 0))).toEqual({ ...patch, sequence: 1 });
  }
});

test("the MessagePack bytes are those of the specification", () => {
  // references: MessagePack specification, formats of fixmap, fixstr, true, uint 8, int 8, float 64
  const hex = (message: FromClient) =>
    Buffer.from(encodeForServer(message, "binary") as Uint8Array).toString("hex");
  expect(hex({ kind: "seen", sequence: 128 })).toBe("82a46b696e64a47365656ea873657175656e6365cc80");
  expect(hex({ kind: "clock", sent: -33 })).toBe("82a46b696e64a5636c6f636ba473656e74d0df");
  expect(hex({ kind: "clock", sent: 1.5 })).toBe("82a46b696e64a5636c6f636ba473656e74cb3ff8000000000000");
});

test("an unfit message is refused by field, what it should be, and what it is", () => {
  expect(refusal({ kind: "seen", sequence: -1 }).message).toBe(
    "seen: sequence must be a whole number from 0 up to 9007199254740991, got -1",
  );
  expect(refusal({ kind: "motion", pose: [0, Number.NaN, 0], speed: null }).message).toBe(
    "motion: pose.1 must be a finite number from -100000 up to 100000, got NaN",
  );
  expect(refusal({ kind: "knock", point: [0, 0, 0], wo: 1 }).message).toBe("knock: wo is not a known field");
  expect(refusal({ kind: "mark", id: 4 })).toMatchObject({ code: "unfit", about: "mark", id: 4 });
  expect(refusal({ kind: "reach" }).message).toMatch(/^kind must be one of hello, /);
});

test("of a choice, the error is about the one that was meant", () => {
  const question = {
    about: "arc",
    from: [0, 0],
    heading: 0,
    curvature: 0,
    length: -2,
    halfWidth: 0.2,
    frame: "base",
  };
  expect(refusal({ kind: "ask", id: 1, question }).message).toBe(
    "ask: question.length must be a finite number from 0 up to 100, got -2",
  );
  const way = { about: "way", to: [1, 0], frame: "world", unseen: 0.5 };
  expect(refusal({ kind: "ask", id: 1, question: way }).message).toBe(
    "ask: question.unseen must be a finite number from 1 up to 50, got 0.5",
  );
});

test("what is no message is called malformed", () => {
  for (const bad of ["{", "[]", "3", "null"]) expect(refusal(bad).code).toBe("malformed");
  for (const bytes of [[], [0x81], [0xc1], [0xdf, 255, 255, 255, 255], [0x80, 0x80], [0xd4, 0x72, 0x40]]) {
    expect(() => decodeFromClient(Uint8Array.from(bytes))).toThrow(WireError);
  }
});

test("the same message cut short or with any byte changed is taken whole or refused, never thrown about", () => {
  const random = seeded(9);
  const whole = encodeForServer(DEPTH, "binary") as Uint8Array;
  for (let i = 0; i < 5000; i++) {
    const bytes = whole.slice(0, i % 3 === 0 ? Math.floor(random() * whole.length) : whole.length);
    if (bytes.length > 0) bytes[Math.floor(random() * bytes.length)] = Math.floor(random() * 256);
    try {
      expect(decodeFromClient(bytes)).toHaveProperty("kind");
    } catch (error) {
      expect(error).toBeInstanceOf(WireError);
    }
  }
});

testWith("python", "Python's msgpack reads what the head sends, and the head what Python packs", () => {
  const wire = new SharedMessage(REACH).finish("binary", 3, 5_000_001_000) as Uint8Array;
  const script = `
import sys, msgpack, json
message = msgpack.unpackb(sys.stdin.buffer.read())
print(json.dumps(message))
`;
  expect(JSON.parse(runPython(script, [], wire))).toEqual({ ...REACH, age: 1000, sequence: 3 });
  const packed = runPython(
    `import msgpack; print(msgpack.packb({"kind": "motion", "pose": [1, 2.5, -0.25], "speed": None}).hex())`,
  );
  expect(decodeFromClient(new Uint8Array(Buffer.from(packed.trim(), "hex")))).toEqual({
    kind: "motion",
    pose: [1, 2.5, -0.25],
    speed: null,
  });
});
