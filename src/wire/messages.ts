import { type Static, type TProperties, type TSchema, Type } from "@sinclair/typebox";
import { CURVATURES, DIRECTIONS, REACH_STATES } from "../terms/safety.ts";
import {
  Age,
  bytes,
  Count,
  exact,
  type Frozen,
  Metres,
  Name,
  nullable,
  Pair,
  PoseShape,
  Rotation,
  SensorShape,
  SetupShape,
  Time,
  Triple,
} from "./shapes.ts";

// Every message, once: types, checks, and the AsyncAPI description derive from here. docs/protocol.md tells the story.

/** WebSocket sub-protocol. A change that an old client could not live with gets another number. */
export const SUBPROTOCOL = "brinkmap.1";
/** Path of the endpoint. */
export const ENDPOINT = "/live";

export const ROLES = ["watcher", "base", "sensor"] as const;
export type Role = (typeof ROLES)[number];
const RoleShape = Type.Union([Type.Literal("watcher"), Type.Literal("base"), Type.Literal("sensor")]);

/** The most that one frame's counts or amplitudes may take: 1,920 x 1,200 pixels of 16 bits. */
const MOST_IMAGE = 2 * 1920 * 1200;

const Id = Type.Integer({ minimum: 0, maximum: 2 ** 31 - 1, description: "repeated in the reply" });
const Frame = Type.Union([Type.Literal("world"), Type.Literal("base")], {
  description: "what coordinates are in: the map's frame, or the base's of now",
});
const HalfWidth = Type.Number({ minimum: 0, maximum: 5, description: "metres kept free on either side" });
const Rate = Type.Number({ minimum: 0, maximum: 100, description: "messages a second at most; 0 ends it" });
const Resume = exact(
  { epoch: Type.String({ maxLength: 40 }), change: Count },
  "the map that the client has, by its last patch",
);
const Optional = Type.Optional(Time);
/** A file's name without its folder: nothing in it leads elsewhere. */
export const RecordingName = Type.String({
  minLength: 5,
  maxLength: 100,
  pattern: "^[A-Za-z0-9][A-Za-z0-9 ._-]*\\.brk$",
});

/** Ways in which a base can move. */
const DirectionShape = Type.Union(DIRECTIONS.map((direction) => Type.Literal(direction)));

const message = <K extends string, T extends TProperties>(kind: K, description: string, fields: T) =>
  Type.Object(
    { kind: Type.Literal(kind), ...fields },
    { $id: kind, description, additionalProperties: false },
  );

const Topics = exact({
  reach: Type.Optional(exact({ rate: Rate })),
  pose: Type.Optional(exact({ rate: Rate })),
  pulse: Type.Optional(exact({ rate: Rate })),
  notes: Type.Optional(exact({ rate: Rate })),
  brinks: Type.Optional(exact({ rate: Rate })),
  map: Type.Optional(exact({ rate: Rate, have: Type.Optional(Resume) })),
  image: Type.Optional(exact({ rate: Rate })),
  ground: Type.Optional(exact({ rate: Rate })),
  trail: Type.Optional(exact({ rate: Rate })),
  playing: Type.Optional(exact({ rate: Rate })),
  recording: Type.Optional(exact({ rate: Rate })),
  baseline: Type.Optional(exact({ rate: Rate })),
});
/** What can be subscribed to. */
export type Topic = keyof Static<typeof Topics>;
export const TOPICS = Object.keys(Topics.properties) as readonly Topic[];

export const Question = Type.Union([
  exact({ about: Type.Literal("clearance"), point: Pair, frame: Frame }),
  exact({ about: Type.Literal("footing"), point: Pair, frame: Frame }),
  exact({ about: Type.Literal("evidence"), point: Triple, frame: Type.Literal("world") }),
  exact({ about: Type.Literal("line"), from: Pair, to: Pair, halfWidth: HalfWidth, frame: Frame }),
  exact({
    about: Type.Literal("arc"),
    from: Pair,
    heading: Type.Number({ minimum: -7, maximum: 7, description: "radians, counter-clockwise from x" }),
    curvature: Type.Number({ minimum: -100, maximum: 100, description: "1/m, positive to the left" }),
    length: Type.Number({ minimum: 0, maximum: 100, description: "metres along the arc" }),
    halfWidth: HalfWidth,
    frame: Frame,
  }),
]);
export type Question = Frozen<Static<typeof Question>>;

const depthFields = {
  sensor: Name,
  time: Optional,
  sequence: Type.Integer({
    minimum: 0,
    maximum: 2 ** 31 - 1,
    description: "counts up by one per frame of this sensor",
  }),
  form: Type.Union([Type.Literal("u16"), Type.Literal("packed")], {
    description: "u16: little-endian counts, row-major; packed: the recording format's lossless codec",
  }),
  counts: bytes(MOST_IMAGE, "depth in the optics' unit; 0 is no return"),
  amplitude: nullable(bytes(MOST_IMAGE, "returned signal in the sensor's own unit")),
};

/** What clients send. */
export const CLIENT_MESSAGES = {
  hello: message("hello", "The first message of a connection.", {
    role: RoleShape,
    name: Type.Optional(Name),
    token: Type.Optional(Type.String({ maxLength: 256 })),
    confirms: Type.Optional(
      Type.Boolean({ description: "the client answers each message with `seen`; without it, pongs count" }),
    ),
    sensors: Type.Optional(
      Type.Array(SensorShape, { maxItems: 16, description: "role sensor: what it will send frames of" }),
    ),
  }),
  seen: message("seen", "All messages up to this number were read.", { sequence: Count }),
  clock: message("clock", "Asks for the head's time.", {
    sent: Type.Number({ description: "the client's own clock, in its own unit; comes back as it is" }),
  }),
  subscribe: message("subscribe", "Says what to send, and how often at most.", { topics: Topics }),
  depth: message("depth", "A depth frame or a laser scan, stamped at mid-exposure.", depthFields),
  orientation: message("orientation", "A fused attitude: worldFromImu, z up.", {
    time: Optional,
    rotation: Rotation,
  }),
  inertial: message("inertial", "Raw inertial sample: rad/s, m/s^2 (+g upward at rest), microtesla.", {
    time: Optional,
    gyro: Triple,
    accel: Triple,
    mag: nullable(Triple),
  }),
  reference: message("reference", "A pose known from outside: worldFromBase.", {
    time: Optional,
    pose: PoseShape,
  }),
  mount: message("mount", "A mount moves: baseFromHead when `sensor` is null, else that sensor's own.", {
    time: Optional,
    sensor: nullable(Name),
    pose: PoseShape,
  }),
  motion: message("motion", "Wheel odometry: pose (x, y, yaw) accumulated since start, and speeds.", {
    time: Optional,
    pose: Triple,
    speed: nullable(Triple),
  }),
  knock: message("knock", "A bump contact closed at this point of the base frame.", {
    time: Optional,
    point: Triple,
  }),
  floorcheck: message(
    "floorcheck",
    "The base's own floor sensor at (x, y) says the floor is missing, or back.",
    {
      time: Optional,
      point: Pair,
      alarm: Type.Boolean(),
    },
  ),
  waiver: message("waiver", "The base takes a stop upon itself, in one direction, for a few seconds.", {
    time: Optional,
    direction: DirectionShape,
    seconds: Type.Number({ minimum: 0, maximum: 60, description: "0 takes it back" }),
    reason: Type.String({ minLength: 1, maxLength: 200 }),
  }),
  ask: message("ask", "A question about the map; `answer` comes back.", { id: Id, question: Question }),
  settings: message("settings", "Asks for all settings, and changes those in `change`.", {
    id: Id,
    change: Type.Optional(
      Type.Record(
        Type.String({ maxLength: 64 }),
        Type.Union([Type.Number(), Type.String({ maxLength: 1000 })]),
        {
          maxProperties: 64,
        },
      ),
    ),
    explain: Type.Optional(
      Type.Boolean({ description: "true: `rows` say what each setting is, and what it allows" }),
    ),
  }),
  map: message("map", "Saves the map now, or forgets it.", {
    id: Id,
    action: Type.Union([Type.Literal("save"), Type.Literal("clear")]),
  }),
  mark: message("mark", "A note for the recording and for everyone who listens.", {
    id: Id,
    text: Type.String({ minLength: 1, maxLength: 500 }),
  }),
  keep: message(
    "keep",
    "Keeps the last while and the next, as it came in: a recording to be had at /kept. What is asked for is never dropped.",
    { id: Id, text: Type.String({ minLength: 1, maxLength: 500 }) },
  ),
  play: message(
    "play",
    "Moves through the recording that the head plays, or plays it otherwise. What is left out stays.",
    {
      id: Id,
      to: Type.Optional(
        Type.Integer({
          minimum: 0,
          maximum: Number.MAX_SAFE_INTEGER,
          description: "microseconds from its start: to the last frame up to there",
        }),
      ),
      step: Type.Optional(
        Type.Integer({ minimum: -1000, maximum: 1000, description: "by so many frames; stands still there" }),
      ),
      speed: Type.Optional(
        Type.Number({ minimum: 0, maximum: 16, description: "1 is as it was recorded, 0 stands still" }),
      ),
      repeat: Type.Optional(Type.Boolean({ description: "whether it begins again at its end" })),
      baseline: Type.Optional(
        Type.Boolean({ description: "true: the present settings become the baseline of later comparisons" }),
      ),
    },
  ),
  open: message("open", "Has the head play another of its recordings; everyone comes back to that one.", {
    id: Id,
    recording: RecordingName,
  }),
} as const;

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
const Pace = Type.Object(
  {
    forward: Speed,
    backward: Speed,
    left: Turn,
    right: Turn,
    arcsForward: Type.Array(Speed, { description: `along arcs of curvature ${CURVATURES.join(", ")} 1/m` }),
    arcsBackward: Type.Array(Speed),
    roomMm: Type.Integer({ minimum: 0, description: "free way straight ahead of the footprint" }),
    limit: Type.Integer({ description: "what ends it, a code as in `what`" }),
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
    time: Time,
    setup: SetupShape,
    map: Type.Object({ epoch: Type.String(), voxelSize: Type.Number(), change: Count }),
    silence: Type.Integer({ description: "microseconds without a `reach` after which a base must stop" }),
    mostBytes: Type.Integer({ description: "longest message that is taken from this client" }),
    played: nullable(
      Type.String({
        description: "the recording that is played; null: this head is live. A base stays away",
      }),
    ),
  }),
  clock: server("clock", "Four-timestamp exchange: the client adds its time of arrival.", {
    ...sent,
    sent: Type.Number(),
    received: Time,
    replied: Time,
  }),
  reach: server("reach", "Per bearing of the base, how far the way is free, and what ends it.", {
    ...evidence,
    frame: Type.Integer({ description: "the sensor's own number of the newest frame in it" }),
    state: Type.Union(
      REACH_STATES.map((state) => Type.Literal(state)),
      { description: "anything but `clear` and `dark` (little floor shows): stop" },
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
      description: "0 unseen, 1 doubtful, 2 brink, 3 obstacle, 4 overhang, 5 open",
    }),
    agesMs: nullable(
      Type.Array(Type.Integer({ minimum: 0, maximum: 65535 }), {
        description: "since the ground before the end was last seen; 65535: longer ago, or never",
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
    class: Type.String({ description: "how the pose is known" }),
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
    depth: bytes(MOST_IMAGE, "row-major counts by the recording format's codec; 0: not used"),
    reason: bytes(
      MOST_IMAGE,
      "runs, a byte each: reason in the upper three bits, length - 1 in the lower five; " +
        "0 used, 1 no return, 2 saturated, 3 weak, 4 flying (between two surfaces), 5 out of range",
    ),
    amplitude: nullable(bytes(MOST_IMAGE, "as depth, in the sensor's own unit")),
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
    map: Type.Object({ blocks: Count, revision: Count, saved: nullable(Type.String()) }),
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
          { description: "what the head says itself is known as far as it has been played" },
        ),
        text: Type.String(),
      }),
    ),
    names: Type.Array(Type.String(), { description: "recordings that `open` takes" }),
    most: nullable(
      Type.Integer({ description: "bytes of a recording that may be uploaded; null: none may" }),
    ),
  }),
  done: server("done", "What was asked for has been done.", { ...sent, id: Id, text: Type.String() }),
  error: server("error", "What was sent could not be taken. The connection goes on unless it is closed.", {
    ...sent,
    code: Type.Union(ERROR_CODES.map((code) => Type.Literal(code))),
    about: Type.String({ description: "kind of the message" }),
    id: nullable(Id),
    message: Type.String(),
  }),
} as const;

type Shapes<T extends Readonly<Record<string, TSchema>>> = { [K in keyof T]: Frozen<Static<T[K]>> };
type ClientShapes = Shapes<typeof CLIENT_MESSAGES>;
type ServerShapes = Shapes<typeof SERVER_MESSAGES>;
export type ClientKind = keyof ClientShapes;
export type ServerKind = keyof ServerShapes;
/** A message by its kind. */
export type FromClient<K extends ClientKind = ClientKind> = ClientShapes[K];
export type FromServer<K extends ServerKind = ServerKind> = ServerShapes[K];
/** As the service makes it, before it is known to whom and when it goes. */
export type Draft<K extends ServerKind = ServerKind> = K extends ServerKind
  ? Omit<ServerShapes[K], "sequence" | (K extends "reach" | "pose" ? "age" : never)>
  : never;

/** Which kinds a role may send, beside `hello`. */
const EVERYONE = ["seen", "clock", "subscribe", "ask", "settings", "map", "mark", "keep"] as const;
export const ALLOWED: Readonly<Record<Role, ReadonlySet<ClientKind>>> = {
  watcher: new Set([...EVERYONE, "play", "open"] as const),
  base: new Set([...EVERYONE, "motion", "knock", "floorcheck", "waiver", "mount"] as const),
  sensor: new Set([...EVERYONE, "depth", "orientation", "inertial", "reference", "mount"] as const),
};
