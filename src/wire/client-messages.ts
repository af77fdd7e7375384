import { type Static, type TProperties, Type } from "@sinclair/typebox";
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
  description: "what coordinates are in: the map's frame, or the base's present one",
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
  counts: imageBytes("depth in the optics' unit; 0 is no return"),
  amplitude: nullable(imageBytes("returned signal in the sensor's own unit")),
};

/** What clients send. */
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
    confirm: Type.Optional(
      Type.Boolean({
        description: "true: the head has just asked back for this change (error `confirm`), and it is meant",
      }),
    ),
    explain: Type.Optional(
      Type.Boolean({ description: "true: `rows` say what each setting is, and what it allows" }),
    ),
  }),
  map: message(
    "map",
    "Saves the map now, forgets it, or confirms that the base stands where the saved map says.",
    {
      id: Id,
      action: Type.Union([Type.Literal("save"), Type.Literal("clear"), Type.Literal("confirm")]),
    },
  ),
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
        Type.Integer({
          minimum: -1000,
          maximum: 1000,
          description: "frames to step by; playing pauses there",
        }),
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
