import { type Static, type TProperties, Type } from "@sinclair/typebox";
import { MOST_WAIVER } from "../terms/freshness.ts";
import { IN_VAIN, LEAST_PRICE, MOST_PRICE, USUAL_LOOK } from "../terms/ways.ts";
import { DirectionShape, Id, imageBytes, RoleShape } from "./parts.ts";
import {
  Count,
  exact,
  type Frozen,
  Name,
  nullable,
  Pair,
  PoseShape,
  Rotation,
  SensorShape,
  Time,
  Triple,
} from "./shapes.ts";

const Frame = Type.Union([Type.Literal("world"), Type.Literal("base")], {
  description: "frame of the coordinates: the map's, or the base's present one",
});
const Square = Type.Integer({ minimum: -64, maximum: 63 });
const HalfWidth = Type.Number({ minimum: 0, maximum: 5, description: "metres kept free on either side" });
const Price = Type.Number({
  minimum: LEAST_PRICE,
  maximum: MOST_PRICE,
  description:
    "a price of 3 makes a metre over such floor as long as three metres over firm floor; floor without a price is not entered",
});
const Rate = Type.Number({
  minimum: 0,
  maximum: 100,
  description: "messages a second at most; 0 ends the topic",
});
const Resume = exact(
  { epoch: Type.String({ maxLength: 40 }), change: Count },
  "the map that the client has, by its last patch",
);
const Optional = Type.Optional(Time);
/** A file name without a path. */
export const RecordingName = Type.String({
  minLength: 5,
  maxLength: 100,
  pattern: "^[A-Za-z0-9][A-Za-z0-9 ._-]*\\.brk$",
});

const message = <K extends string, T extends TProperties>(kind: K, description: string, fields: T) =>
  Type.Object(
    { kind: Type.Literal(kind), ...fields },
    { $id: kind, description, additionalProperties: false },
  );

/** What a way must be like, besides its goal. */
const wayFields = {
  heading: Type.Optional(
    Type.Number({ minimum: -7, maximum: 7, description: "radians at the goal; without it, any" }),
  ),
  margin: Type.Optional(
    Type.Number({ minimum: 0.02, maximum: 1, description: "metres kept beside the outline" }),
  ),
  radius: Type.Optional(
    Type.Number({
      minimum: 0.1,
      maximum: 3,
      description: "metres of the sharpest arc, for a base that cannot turn on the spot",
    }),
  ),
  unseen: Type.Optional(Price),
  doubtful: Type.Optional(Price),
  noTurn: Type.Optional(
    Type.Array(Pair, {
      maxItems: 32,
      description: "places in the world where the pace did not permit a turn on the spot: none within 0.15 m",
    }),
  ),
};
/** Where a way leads: a place, or a spot of the setting `map.spots`. */
const Goal = Type.Union([
  Pair,
  Type.String({ maxLength: 200, description: "the name of a spot of `map.spots`" }),
]);
const WayGoal = Type.Object(
  { to: Goal, ...wayFields },
  { additionalProperties: false, description: "in the world; without it, the goal of before" },
);
/** Where a way is to lead that is kept up to date. */
export type WayGoal = Frozen<Static<typeof WayGoal>>;

const Topics = exact({
  reach: Type.Optional(exact({ rate: Rate })),
  pose: Type.Optional(exact({ rate: Rate })),
  pulse: Type.Optional(exact({ rate: Rate })),
  notes: Type.Optional(exact({ rate: Rate })),
  brinks: Type.Optional(exact({ rate: Rate })),
  map: Type.Optional(exact({ rate: Rate, have: Type.Optional(Resume) })),
  image: Type.Optional(exact({ rate: Rate })),
  ground: Type.Optional(exact({ rate: Rate })),
  floor: Type.Optional(exact({ rate: Rate, have: Type.Optional(Resume) })),
  trail: Type.Optional(exact({ rate: Rate })),
  playing: Type.Optional(exact({ rate: Rate })),
  recording: Type.Optional(exact({ rate: Rate })),
  baseline: Type.Optional(exact({ rate: Rate })),
  way: Type.Optional(exact({ rate: Rate, goal: Type.Optional(WayGoal) })),
});
/** Topics of subscriptions. */
export type Topic = keyof Static<typeof Topics>;
export const TOPICS = Object.keys(Topics.properties) as readonly Topic[];

export const Question = Type.Union([
  exact({ about: Type.Literal("clearance"), point: Pair, frame: Frame }),
  exact({ about: Type.Literal("footing"), point: Pair, frame: Frame }),
  exact({ about: Type.Literal("evidence"), point: Triple, frame: Type.Literal("world") }),
  exact(
    {
      about: Type.Literal("known"),
      square: Type.Tuple([Square, Square], { description: "column and row" }),
    },
    "how old and how certain the map is, in a square of 16 x 16 blocks of 8 x 8 columns; square [0, 0] begins at the world's origin",
  ),
  exact(
    {
      about: Type.Literal("wall"),
      point: Pair,
      along: Type.Number({
        minimum: -7,
        maximum: 7,
        description: "radians, counter-clockwise from x: the direction across the wall",
      }),
      frame: Type.Literal("world"),
    },
    "where the face of a wall near a point is, to less than a voxel; the point is at most a voxel off",
  ),
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
  exact({
    about: Type.Literal("way"),
    to: Goal,
    ...wayFields,
    frame: Frame,
  }),
  exact(
    {
      about: Type.Literal("look"),
      margin: wayFields.margin,
      reach: Type.Optional(
        Type.Number({
          minimum: 0.5,
          maximum: 5,
          description: `metres up to which the head sees the floor well; ${USUAL_LOOK.reach} by default`,
        }),
      ),
      width: Type.Optional(
        Type.Number({
          minimum: 0.1,
          maximum: 6.3,
          description: `radians: angle of view of the head, ${USUAL_LOOK.width} by default`,
        }),
      ),
      inVain: Type.Optional(
        Type.Array(Pair, {
          maxItems: 64,
          description: `places in the world whose unseen floor was looked at without seeing it: none within ${IN_VAIN} m`,
        }),
      ),
    },
    "where to look next, so that the map grows to all floor that this body can reach",
  ),
]);
export type Question = Frozen<Static<typeof Question>>;

/** The same with a place in place of a name. */
type Placed<T> = T extends { readonly to: unknown }
  ? Omit<T, "to"> & { readonly to: readonly [number, number] }
  : T;
export type PlacedGoal = Placed<WayGoal>;
export type PlacedQuestion = Placed<Question>;

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
  counts: imageBytes("depth in the optics' unit; 0 is no return"),
  amplitude: nullable(imageBytes("returned signal in the sensor's own unit")),
};

/** Messages of clients, in one table from which types, checks and documents derive. */
export const CLIENT_MESSAGES = {
  hello: message("hello", "The first message of a connection.", {
    role: RoleShape,
    name: Type.Optional(Name),
    token: Type.Optional(Type.String({ maxLength: 256 })),
    rehearse: Type.Optional(
      Type.Boolean({
        description:
          "role base: true is needed where `welcome.origin` is not `live`, because its paces are not of this base's surroundings",
      }),
    ),
    confirms: Type.Optional(
      Type.Boolean({ description: "the client answers each message with `seen`; without it, pongs count" }),
    ),
    sensors: Type.Optional(
      Type.Array(SensorShape, {
        maxItems: 16,
        description: "role sensor: the sensors whose frames it will send",
      }),
    ),
  }),
  seen: message("seen", "All messages up to this number were read.", { sequence: Count }),
  clock: message("clock", "Asks for the head's time.", {
    sent: Type.Number({ description: "the client's own clock, in its own unit; returned unchanged" }),
  }),
  subscribe: message("subscribe", "Chooses topics, each with a largest rate.", { topics: Topics }),
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
  reference: message("reference", "A pose from another source: worldFromBase.", {
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
  knock: message("knock", "A bumper contact closed at this point of the base frame.", {
    time: Optional,
    point: Triple,
  }),
  floorcheck: message(
    "floorcheck",
    "The base's own floor sensor at (x, y) reports that the floor is missing, or present again.",
    {
      time: Optional,
      point: Pair,
      alarm: Type.Boolean(),
    },
  ),
  waiver: message(
    "waiver",
    "The base overrides a stop on its own responsibility, in one direction, for a few seconds.",
    {
      time: Optional,
      direction: DirectionShape,
      seconds: Type.Number({ minimum: 0, maximum: MOST_WAIVER, description: "0 withdraws it" }),
      reason: Type.String({ minLength: 1, maxLength: 200 }),
    },
  ),
  drive: message(
    "drive",
    "A command for the motor board on the serial line, which obeys it within the pace.",
    {
      forward: Type.Number({ minimum: -10, maximum: 10, description: "m/s, negative backwards" }),
      turn: Type.Number({ minimum: -10, maximum: 10, description: "rad/s, positive to the left" }),
      seconds: Type.Number({
        minimum: 0,
        maximum: 1,
        description: "for which it holds, from its arrival; then the base stops unless a newer one has come",
      }),
    },
  ),
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
    confirm: Type.Optional(
      Type.Boolean({
        description: "true: confirms this change, for which the head has just asked (error `confirm`)",
      }),
    ),
    explain: Type.Optional(
      Type.Boolean({ description: "true: `rows` give the meaning and the bounds of each setting" }),
    ),
  }),
  map: message(
    "map",
    "Saves the map now, clears it, undoes a clearing of the last minute, confirms the assumed place of the base in the saved map, or begins a new map where the place of the last run is looked for.",
    {
      id: Id,
      action: Type.Union([
        Type.Literal("save"),
        Type.Literal("clear"),
        Type.Literal("undo"),
        Type.Literal("confirm"),
        Type.Literal("anew"),
      ]),
    },
  ),
  mark: message("mark", "A note for the recording and for all subscribers of notes.", {
    id: Id,
    text: Type.String({ minLength: 1, maxLength: 500 }),
  }),
  keep: message(
    "keep",
    "Keeps the last minutes and what follows as a recording, available at /kept. Recordings on request are never removed.",
    { id: Id, text: Type.String({ minLength: 1, maxLength: 500 }) },
  ),
  play: message(
    "play",
    "Seeks in the recording that the head plays, or changes how it plays. Omitted fields stay as they are.",
    {
      id: Id,
      to: Type.Optional(
        Type.Integer({
          minimum: 0,
          maximum: Number.MAX_SAFE_INTEGER,
          description: "microseconds from its start; seeks to the last frame up to there",
        }),
      ),
      step: Type.Optional(
        Type.Integer({
          minimum: -1000,
          maximum: 1000,
          description: "moves by this many frames, then pauses",
        }),
      ),
      speed: Type.Optional(Type.Number({ minimum: 0, maximum: 16, description: "1 is real time, 0 pauses" })),
      repeat: Type.Optional(Type.Boolean({ description: "whether it starts again at its end" })),
      baseline: Type.Optional(
        Type.Boolean({ description: "true: the present settings become the baseline" }),
      ),
    },
  ),
  open: message("open", "Plays another of the head's recordings; all clients reconnect to it.", {
    id: Id,
    recording: RecordingName,
  }),
} as const;
