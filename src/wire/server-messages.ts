import { type Static, type TProperties, Type } from "@sinclair/typebox";
import { CURVATURES, END, REACH_STATES } from "../terms/safety.ts";
import { CURVE_BYTES } from "./curve.ts";
import { DirectionShape, Id, imageBytes, ORIGINS, RIGHTS, RoleShape } from "./parts.ts";
import {
  Age,
  bytes,
  Count,
  type Frozen,
  Metres,
  nullable,
  Pair,
  PoseShape,
  SetupShape,
  Time,
  Triple,
} from "./shapes.ts";

const sent = {
  sequence: Type.Integer({
    minimum: 1,
    maximum: Number.MAX_SAFE_INTEGER,
    description: "counts up per connection",
  }),
};
const evidence = { ...sent, time: Time, age: Age };
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

const Kind = Type.Union([
  Type.Literal("clear"),
  Type.Literal("blocked"),
  Type.Literal("overhang"),
  Type.Literal("open"),
  Type.Literal("unseen"),
]);

export const Answer = Type.Union([
  Type.Object({
    about: Type.Literal("clearance"),
    distance: nullable(Metres),
    limit: Type.Number({ description: "metres; `distance` is null when nothing stands nearer than this" }),
    column: Kind,
  }),
  Type.Object({
    about: Type.Literal("footing"),
    column: Kind,
    height: nullable(Metres),
    deviation: nullable(Metres),
    seen: nullable(Type.Integer({ description: "map revision that saw this floor last" })),
  }),
  Type.Object({
    about: Type.Literal("evidence"),
    class: Type.Union([Type.Literal("free"), Type.Literal("undecided"), Type.Literal("occupied")]),
    nats: Type.Number({ description: "log-odds of occupied of the voxel at that point; 0 is no evidence" }),
    changed: nullable(
      Type.Object(
        {
          ago: Type.Number({ description: "seconds before the newest frame" }),
          from: Pair,
        },
        { description: "when anything in the voxel's block changed class last, and where the base was then" },
      ),
    ),
    footing: Type.String({ description: "of the floor below: unseen, firm, gone, doubtful or blocked" }),
    seen: nullable(
      Type.Object(
        {
          ago: Type.Number({ description: "seconds before the newest frame" }),
          from: Pair,
          far: nullable(Type.Number({ description: "metres from the lens" })),
        },
        { description: "when the footing there was seen last, and where the base was then" },
      ),
    ),
  }),
  Type.Object({
    about: Type.Union([Type.Literal("line"), Type.Literal("arc")]),
    isFree: Type.Boolean(),
    free: Type.Number({ description: "metres along the way that are free and whose floor was seen" }),
    what: Type.Integer({ description: "what ends it, a code as in `reach`" }),
  }),
]);
export type Answer = Frozen<Static<typeof Answer>>;

const Speed = Type.Number({ minimum: 0, description: "m/s" });
const Turn = Type.Number({ minimum: 0, description: "rad/s" });
const Limit = Type.Object(
  {
    cause: Type.Integer({
      minimum: 0,
      description: `a code as in \`what\`, ${END.unlooked} (nothing farther was looked at), or ${END.unplaced} (the place of the base is not known)`,
    }),
    bearing: Type.Number({ description: "radians: where it is from the base's floor point" }),
    distanceMm: Type.Integer({ minimum: 0, description: "way until the outline meets it" }),
    outline: Pair,
    ageMs: nullable(
      Type.Integer({ minimum: 0, description: "since that ground was last seen; null when never" }),
    ),
  },
  {
    description:
      "what keeps `forward` below the top speed: `outline` is the point of the body that meets it, metres of the base; null: nothing",
  },
);
const Pace = Type.Object(
  {
    forward: Speed,
    backward: Speed,
    left: Turn,
    right: Turn,
    arcsForward: Type.Array(Speed, { description: `along arcs of curvature ${CURVATURES.join(", ")} 1/m` }),
    arcsBackward: Type.Array(Speed),
    roomMm: Type.Integer({
      minimum: 0,
      description: "free way straight ahead of the footprint; no more than was looked at",
    }),
    limit: nullable(Limit),
  },
  { description: "fastest speeds from which the base still stops on free, firm ground" },
);

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

/** What there is to find on the way through a recording. */
export const MOMENTS = [
  "knock",
  "brink",
  "stop",
  "slow",
  "lost",
  "found",
  "waiver",
  "gap",
  "mark",
  "floorcheck",
  "sight",
  "track",
] as const;
export type MomentKind = (typeof MOMENTS)[number];

const server = <K extends string, T extends TProperties>(kind: K, description: string, fields: T) =>
  Type.Object({ kind: Type.Literal(kind), ...fields }, { $id: kind, description });

/** What the head sends. Clients ignore fields and kinds that they do not know. */
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
  reach: server("reach", "Per bearing of the base, how far the way is free, and what ends it.", {
    ...evidence,
    until: Type.Integer({
      description:
        "microseconds of the head's clock until which the pace may be obeyed; from then on the base stops",
    }),
    frame: Type.Integer({ description: "the sensor's own number of the newest frame in it" }),
    state: Type.Union(
      REACH_STATES.map((state) => Type.Literal(state)),
      {
        description:
          "anything but `clear` and `dark` (little floor shows): stop; `waiting`: no frame has been judged yet; `unconfigured`: body.footprint, body.deceleration or body.reactionDelay of this base were never set",
      },
    ),
    source: Type.Union([Type.Literal("frame"), Type.Literal("memory"), Type.Literal("map")], {
      description:
        "what it stands on: the newest frame alone, frame and memory, or the map's obstacles and floor alone",
    }),
    first: Type.Number({ description: "radians, the first bearing; 0 is ahead, positive to the left" }),
    step: Type.Number({ description: "radians between bearings" }),
    range: Type.Integer({ description: "millimetres looked at most" }),
    distanceMm: Type.Array(Type.Integer({ minimum: 0 })),
    what: Type.Array(Type.Integer({ minimum: 0 }), {
      description:
        "0 unseen, 1 doubtful, 2 brink, 3 obstacle, 4 overhang, 5 open, 7 late (the sensor that looks there is silent), " +
        "8 blind (it sees no floor)",
    }),
    agesMs: nullable(
      Type.Array(Type.Integer({ minimum: 0, maximum: 65535 }), {
        description: "since the ground before the end was last seen; 65535: longer ago, or never",
      }),
    ),
    viewMs: nullable(
      Type.Array(Type.Integer({ minimum: 0, maximum: 65535 }), {
        description:
          "since a sensor that looks there had a view of the floor; 65535: longer ago, or none looks there",
      }),
    ),
    pace: nullable(Pace),
    waiver: nullable(
      Type.Object(
        { direction: DirectionShape, reason: Type.String(), left: Type.Number({ description: "seconds" }) },
        { description: "what the base has taken upon itself; it changes no other number" },
      ),
    ),
  }),
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
  brinks: server("brinks", "Edges of the floor near the base.", {
    ...sent,
    time: Time,
    brinks: Type.Array(
      Type.Object({
        points: Type.Array(Pair, { description: "along the edge, in the world" }),
        drop: nullable(Type.Number({ description: "metres; null when no bottom was seen" })),
        confidence: Type.Number({ minimum: 0, maximum: 1 }),
        error: Type.Number({ description: "metres, 1 sigma, across the edge" }),
      }),
    ),
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
  ground: server("ground", "The floor around the base, cell by cell, as the guard remembers it.", {
    ...sent,
    time: Time,
    col: Type.Integer({ description: "of the first cell: its corner is at (col, row) * cell in the world" }),
    row: Type.Integer(),
    width: Type.Integer({ minimum: 1, description: "cells along x" }),
    height: Type.Integer({ minimum: 1, description: "cells along y" }),
    cell: Type.Number({ description: "metres" }),
    floor: Type.Number({ description: "metres: z of the floor under the base" }),
    cells: bytes(2 ** 20, "runs as in `image`, x fastest; 0 unseen, 1 firm, 2 gone, 3 doubtful, 4 blocked"),
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
  finding: server("finding", "What the head makes of a floorcheck.", {
    ...sent,
    time: Time,
    point: Pair,
    alarm: Type.Boolean(),
    verdict: Type.Union([Type.Literal("agrees"), Type.Literal("disagrees"), Type.Literal("cannot see")]),
    footing: Type.String({ description: "of that place: unseen, firm, gone, doubtful or blocked" }),
    seenAge: nullable(Type.Number({ description: "seconds since it was seen" })),
    far: nullable(Type.Number({ description: "metres from which it was seen" })),
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
    }),
    clients: Count,
    memory: Type.Integer({ description: "resident bytes" }),
  }),
  note: server("note", "Something happened.", {
    ...sent,
    time: Time,
    what: Type.Union(
      ["knock", "waiver", "pose", "mark", "sensor", "map", "setting", "load", "pretrigger"].map((name) =>
        Type.Literal(name),
      ),
    ),
    text: Type.String(),
    missed: Type.Optional(Type.Integer({ description: "notes before this one that had to be left out" })),
  }),
  answer: server("answer", "Answers `ask`.", {
    ...sent,
    id: Id,
    time: Time,
    age: nullable(Age),
    revision: Count,
    answer: Answer,
  }),
  settings: server("settings", "All settings of the head as they are now.", {
    ...sent,
    id: Id,
    values: Type.Record(Type.String(), Type.Union([Type.Number(), Type.String()])),
    rows: Type.Optional(Type.Record(Type.String(), SettingRow)),
  }),
  playing: server("playing", "How far the recording is that the head plays.", {
    ...sent,
    time: Time,
    at: Type.Integer({ minimum: 0, description: "microseconds from its start to the newest frame shown" }),
    frame: Type.Integer({ minimum: 0, description: "frames up to there, that one included" }),
    speed: Type.Number({ description: "0: it stands still" }),
    repeat: Type.Boolean(),
    goal: nullable(
      Type.Integer({
        description:
          "the head is on its way there, from the start if need be; what is shown is the old place",
      }),
    ),
    share: Type.Number({ minimum: 0, maximum: 1, description: "of that way" }),
  }),
  baseline: server("baseline", "What the head says of the same frame with the baseline's settings.", {
    ...sent,
    time: Time,
    frame: Type.Integer({ description: "as in `playing`" }),
    changes: Type.Array(
      Type.Object({
        name: Type.String(),
        baseline: Type.Union([Type.Number(), Type.String()]),
        now: Type.Union([Type.Number(), Type.String()]),
      }),
      { description: "settings that differ from the baseline; none: nothing is compared" },
    ),
    reach: nullable(
      Type.Object(
        {
          state: Type.String(),
          first: Type.Number(),
          step: Type.Number(),
          range: Type.Integer(),
          distanceMm: Type.Array(Type.Integer({ minimum: 0 })),
          what: Type.Array(Type.Integer({ minimum: 0 })),
          pace: nullable(Pace),
        },
        { description: "fields as in `reach`; null: the baseline's head has not reached this frame yet" },
      ),
    ),
    position: nullable(Triple),
    class: nullable(Type.String()),
  }),
  recording: server("recording", "The recording that the head plays, and what happens in it.", {
    ...sent,
    name: Type.String(),
    length: Type.Integer({ description: "microseconds" }),
    frames: Count,
    moments: Type.Array(
      Type.Object({
        at: Type.Integer({ description: "microseconds from the start" }),
        what: Type.Union(
          MOMENTS.map((name) => Type.Literal(name)),
          {
            description:
              "what the head says itself is known up to `known`; `stop` and `slow` (below half of the top speed) begin a stretch",
          },
        ),
        text: Type.String(),
      }),
    ),
    known: Type.Number({
      minimum: 0,
      maximum: 1,
      description: "of the frames, the share that a second head has run through ahead of what is shown",
    }),
    curve: bytes(
      2 ** 21,
      `of each of those frames ${CURVE_BYTES} bytes, little-endian: milliseconds from the start (u32), pace forward (mm/s, u16), ` +
        "free way straight ahead (mm, u16), what limits the pace (u8, as in `reach`; 255: nothing), state (u8, its place in the list)",
    ),
    names: Type.Array(Type.String(), { description: "recordings that `open` takes" }),
    most: nullable(
      Type.Integer({ description: "bytes of a recording that may be uploaded; null: none may" }),
    ),
  }),
  done: server("done", "What was asked for has been done.", { ...sent, id: Id, text: Type.String() }),
  error: server("error", "What was sent could not be taken. The connection stays open unless it is closed.", {
    ...sent,
    code: Type.Union(ERROR_CODES.map((code) => Type.Literal(code))),
    about: Type.String({ description: "kind of the message" }),
    id: nullable(Id),
    message: Type.String(),
  }),
} as const;
