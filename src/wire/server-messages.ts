import { type Static, Type } from "@sinclair/typebox";
import { AnswerMessage, WayMessage } from "./answer-message.ts";
import { GROUND_MESSAGES } from "./ground-messages.ts";
import { Id, imageBytes, ORIGINS, RIGHTS, RoleShape } from "./parts.ts";
import { RECORDING_MESSAGES } from "./recording-messages.ts";
import { evidence, sent, server } from "./server-message.ts";
import { bytes, Count, type Frozen, nullable, PoseShape, SetupShape, Time } from "./shapes.ts";

const Ratio = Type.Number({ minimum: 0 });
const Milliseconds = Type.Number({ minimum: 0, description: "milliseconds" });

export const ERROR_CODES = [
  "malformed",
  "unfit",
  "order",
  "role",
  "token",
  "origin",
  "right",
  "confirm",
  "place",
  "sensor",
  "stamp",
  "setting",
  "map",
  "recording",
  "rate",
  "busy",
] as const;
export type ErrorCode = (typeof ERROR_CODES)[number];

const SettingRow = Type.Object(
  {
    type: Type.Union([
      Type.Literal("number"),
      Type.Literal("integer"),
      Type.Literal("choice"),
      Type.Literal("text"),
    ]),
    default: Type.Union([Type.Number(), Type.String()]),
    help: Type.String(),
    unit: Type.Optional(Type.String({ description: "of numbers" })),
    min: Type.Optional(Type.Number()),
    max: Type.Optional(Type.Number()),
    choices: Type.Optional(Type.Array(Type.String())),
  },
  { description: "what a setting is, and what it allows" },
);
export type SettingRow = Frozen<Static<typeof SettingRow>>;

const BoardStatus = Type.Object(
  {
    state: Type.Union([Type.Literal("running"), Type.Literal("silent"), Type.Literal("waiting")]),
    age: nullable(Type.Integer({ description: "microseconds since its last frame" })),
    transit: nullable(
      Type.Integer({ description: "microseconds that this frame was on its way; null: clocks not compared" }),
    ),
    delay: nullable(Type.Integer({ description: "microseconds: round trip of the exchange of clocks" })),
    stop: nullable(Type.String({ description: "why the board itself permits no motion; `none`: it does" })),
    isWaived: Type.Boolean({ description: "a waiver of the board replaces the pace" }),
    refused: Type.Integer({ description: "frames that the board has refused, modulo 65536" }),
    damagedThere: Type.Integer({ description: "damaged frames that the board has read, modulo 65536" }),
    damagedHere: Count,
    voltage: nullable(Type.Number({ description: "volts of the battery" })),
    charge: nullable(Type.Integer({ description: "percent" })),
    why: nullable(Type.String({ description: "the last message about the serial line" })),
  },
  { description: "the motor board on the serial line; absent without one" },
);

/** Messages of the head, in one table from which types, checks and documents derive. Clients ignore fields and kinds that they do not know. */
export const SERVER_MESSAGES = {
  welcome: server("welcome", "The connection is open; answers `hello`.", {
    ...sent,
    session: Type.String(),
    software: Type.String(),
    role: RoleShape,
    rights: Type.Array(Type.Union(RIGHTS.map((right) => Type.Literal(right))), {
      description: "what this client may do; all where the head has no tokens",
    }),
    time: Time,
    setup: SetupShape,
    map: Type.Object({ epoch: Type.String(), voxelSize: Type.Number(), change: Count }),
    mostBytes: Type.Integer({ description: "longest message that is taken from this client" }),
    origin: Type.Union(
      ORIGINS.map((origin) => Type.Literal(origin)),
      { description: "where the head's events come from; a base drives by a live head only" },
    ),
    played: nullable(Type.String({ description: "the recording that is played; null where none is" })),
  }),
  clock: server("clock", "Four-timestamp exchange: the client adds its time of arrival.", {
    ...sent,
    sent: Type.Number(),
    received: Time,
    replied: Time,
  }),
  ...GROUND_MESSAGES,
  pose: server("pose", "Where the base is.", {
    ...evidence,
    worldFromBase: PoseShape,
    class: Type.String({
      description:
        "how the pose is known; `assumed`: its place in a saved map is not confirmed, so that it may be wrong by any amount",
    }),
    covariance: nullable(
      Type.Array(Type.Number(), { description: "upper triangle, row by row, of x, y, z, roll, pitch, yaw" }),
    ),
    revision: Type.Integer({ description: "map revision with this frame in it; 0 when it was not mapped" }),
  }),
  image: server("image", "A depth image, and why pixels of it are not used.", {
    ...sent,
    time: Time,
    sensor: Type.String(),
    frame: Type.Integer({ description: "the sensor's own number of it" }),
    width: Type.Integer({ minimum: 1, description: "pixels; of a wide image every n-th is sent" }),
    height: Type.Integer({ minimum: 1 }),
    unit: Type.Number({ description: "metres per count" }),
    depth: imageBytes("row-major counts by the recording format's codec; 0: not used"),
    reason: imageBytes(
      "runs, a byte each: reason in the upper three bits, length - 1 in the lower five; " +
        "0 used, 1 no return, 2 saturated, 3 weak, 4 flying (between two surfaces), 5 out of range",
    ),
    amplitude: nullable(imageBytes("as depth, in the sensor's own unit")),
  }),
  trail: server("trail", "The way of the base so far, and keyframes on it.", {
    ...sent,
    time: Time,
    classes: Type.Array(Type.String(), { description: "how poses were known" }),
    points: bytes(2 ** 20, "x, y, z in metres of each, as little-endian 32-bit floats"),
    codes: bytes(2 ** 16, "of each point, its class's place in `classes`"),
    keyframes: bytes(
      2 ** 20,
      "x, y (metres), and the lens's bearing (radians) of each, as little-endian 32-bit floats; " +
        "newest last. None when poses are given",
    ),
    keyframeCodes: bytes(2 ** 16, "of each keyframe, its class's place in `classes`"),
  }),
  patch: server("patch", "Blocks of the map that changed; whole blocks replace what the client has.", {
    ...sent,
    epoch: Type.String({ description: "another epoch is another map: forget the old one" }),
    from: Count,
    to: Type.Integer({ description: "number of the newest change in it: what to resume from" }),
    count: Type.Integer({ minimum: 0, description: "blocks in this message" }),
    left: Type.Integer({ minimum: 0, description: "blocks still to come" }),
    blocks: bytes(2 ** 24, "blocks, one after the other"),
  }),
  floor: server(
    "floor",
    "Tiles of the map of the floor that changed; whole tiles replace what the client has.",
    {
      ...sent,
      epoch: Type.String({ description: "as in `patch`: another epoch is another map" }),
      from: Count,
      to: Type.Integer({ description: "number of the newest change in it: what to resume from" }),
      count: Type.Integer({ minimum: 0, description: "tiles in this message" }),
      left: Type.Integer({ minimum: 0, description: "tiles still to come" }),
      cell: Type.Number({ description: "metres: side of a cell" }),
      at: Type.Number({
        minimum: 0,
        description: "seconds of the map's clock when the newest of them was sent",
      }),
      tiles: bytes(2 ** 24, "tiles, one after the other"),
    },
  ),
  pulse: server("pulse", "Health of the head.", {
    ...sent,
    time: Time,
    uptime: Type.Integer({ description: "microseconds" }),
    sensors: Type.Array(
      Type.Object({
        name: Type.String(),
        state: Type.Union([Type.Literal("running"), Type.Literal("silent"), Type.Literal("waiting")]),
        rate: Type.Number({ description: "frames a second" }),
        age: nullable(Type.Integer({ description: "microseconds since the newest frame's capture" })),
        frames: Count,
        missed: Count,
        overtaken: Count,
        skipped: Count,
        why: nullable(Type.String({ description: "what its source last said" })),
      }),
    ),
    samples: Type.Object({ orientation: Ratio, inertial: Ratio, motion: Ratio }, { description: "a second" }),
    load: Type.Object({
      busy: Type.Number({ description: "share of time that the sensing thread works" }),
      shed: Type.Integer({ description: "0 nothing; each step more halves how many frames are mapped" }),
      median: Milliseconds,
      p99: Milliseconds,
      worst: Type.Number({ description: "milliseconds; all three of what the last 256 frames took" }),
    }),
    map: Type.Object({
      blocks: Count,
      revision: Count,
      saved: nullable(Type.String()),
      isAssumed: Type.Boolean({
        description:
          "a saved map is continued, and where the base stands in it is assumed until `map` confirms it",
      }),
      isSeeking: Type.Boolean({
        description:
          "the place of an earlier run is looked for; until it is found, poses and map are in a world of their own",
      }),
      undoLeft: nullable(
        Type.Number({
          description: "seconds for which `map` can still undo the last clearing; null: there is none",
        }),
      ),
    }),
    board: Type.Optional(BoardStatus),
    clients: Count,
    memory: Type.Integer({ description: "resident bytes" }),
  }),
  note: server("note", "Something happened.", {
    ...sent,
    time: Time,
    what: Type.Union(
      ["knock", "waiver", "pose", "mark", "sensor", "map", "setting", "load", "pretrigger", "board"].map(
        (name) => Type.Literal(name),
      ),
    ),
    text: Type.String(),
    missed: Type.Optional(Type.Integer({ description: "notes before this one that had to be left out" })),
  }),
  answer: AnswerMessage,
  way: WayMessage,
  settings: server("settings", "All settings of the head as they are now.", {
    ...sent,
    id: Id,
    values: Type.Record(Type.String(), Type.Union([Type.Number(), Type.String()])),
    rows: Type.Optional(Type.Record(Type.String(), SettingRow)),
  }),
  ...RECORDING_MESSAGES,
  done: server("done", "What was asked for has been done.", { ...sent, id: Id, text: Type.String() }),
  error: server("error", "What was sent could not be taken. The connection stays open unless it is closed.", {
    ...sent,
    code: Type.Union(ERROR_CODES.map((code) => Type.Literal(code))),
    about: Type.String({ description: "kind of the message" }),
    id: nullable(Id),
    message: Type.String(),
  }),
} as const;
