import { type Static, type TProperties, type TSchema, Type } from "@sinclair/typebox";
import { Default } from "@sinclair/typebox/value";
import { SETTINGS } from "../head/settings.ts";
import { BLIND_AFTER } from "../terms/freshness.ts";
import { jsonSchema } from "../wire/asyncapi.ts";
import { RIGHTS, ROLES } from "../wire/messages.ts";
import { exact, type Frozen, Name, PoseShape, SensorShape } from "../wire/shapes.ts";
import { IIO_FOLDER } from "./sources/iio.ts";

// The schema of the settings file. Fields with a default are required here, because defaults are filled in before the check.
// The schema for users (configSchema) does not require them.

const SAME_PLACE = { rotation: [0, 0, 0, 1], position: [0, 0, 0] };
const seconds = (byDefault: number, minimum: number, maximum: number, description: string) =>
  Type.Number({ minimum, maximum, default: byDefault, description: `seconds; ${description}` });
const whole = (byDefault: number, minimum: number, maximum: number, description: string) =>
  Type.Integer({ minimum, maximum, default: byDefault, description });
const isOn = (byDefault: boolean, description: string) => Type.Boolean({ default: byDefault, description });
const list = <T extends TSchema>(items: T, maxItems: number, description?: string) =>
  Type.Array(items, { maxItems, default: [], ...(description && { description }) });
/** An optional section of the file. */
const section = <T extends TProperties>(fields: T, description?: string) =>
  Type.Object(fields, { additionalProperties: false, default: {}, ...(description && { description }) });
const Folder = Type.String({ minLength: 1, maxLength: 4096 });
const HostName = Type.String({ maxLength: 255 });
const Right = Type.Union(RIGHTS.map((right) => Type.Literal(right)));
const Role = Type.Union(ROLES.map((role) => Type.Literal(role)));

function settingShape(row: (typeof SETTINGS)[keyof typeof SETTINGS]): TSchema {
  const common = { default: row.default, description: "unit" in row ? `${row.unit}; ${row.help}` : row.help };
  switch (row.type) {
    case "choice":
      return Type.Union(
        row.choices.map((value) => Type.Literal(value)),
        common,
      );
    case "text":
      return Type.String({ maxLength: 1000, ...common });
    case "integer":
      return Type.Integer({ minimum: row.min, maximum: row.max, ...common });
    default:
      return Type.Number({ minimum: row.min, maximum: row.max, ...common });
  }
}

const CoreSettings = exact(
  Object.fromEntries(Object.entries(SETTINGS).map(([name, row]) => [name, Type.Optional(settingShape(row))])),
);

const DepthCommand = exact(
  {
    sensor: Name,
    command: Type.Array(Type.String({ maxLength: 4096 }), { minItems: 1, maxItems: 64 }),
    skip: whole(0, 0, 65536, "header bytes before each frame, which are skipped"),
    lateness: seconds(0, 0, 1, "from mid-exposure to the frame's arrival"),
  },
  "a program that writes raw 16-bit frames (little-endian, row-major, the kernel's Z16 layout) to standard output",
);

const Iio = exact(
  {
    device: Type.Optional(
      Type.String({
        maxLength: 64,
        description: "name of the device as in its `name` file; else the first that fits",
      }),
    ),
    folder: Type.String({ minLength: 1, maxLength: 4096, default: IIO_FOLDER }),
    rate: Type.Number({ minimum: 1, maximum: 1000, default: 100, description: "samples a second" }),
    buffered: isOn(false, "read the device's buffer (/dev/iio:deviceN), set up beforehand"),
    dev: Type.String({ minLength: 1, maxLength: 4096, default: "/dev" }),
  },
  "orientation from the kernel's industrial I/O subsystem: a quaternion, or gyro and accelerometer",
);

const Length = (minimum: number, maximum: number, description: string) =>
  Type.Number({ minimum, maximum, description: `metres; ${description}` });
const rolling = {
  radius: Length(0.005, 2, "of a wheel under load"),
  countsPerTurn: Type.Number({ minimum: 1, maximum: 1e7, description: "of the wheel, gear included" }),
};
const axle = Type.Number({
  minimum: -5,
  maximum: 5,
  default: 0,
  description: "metres; of the axle with counts, ahead of the base's floor point",
});
const Angle = (description: string) =>
  Type.Number({ minimum: -7, maximum: 7, description: `radians; ${description}` });

const WheelsShape = Type.Union([
  exact({
    kind: Type.Literal("differential"),
    ...rolling,
    track: Length(0.02, 5, "between the middles of the left and the right wheel"),
    axle,
  }),
  exact({
    kind: Type.Literal("steered"),
    ...rolling,
    wheelbase: Length(0.02, 10, "from the rear axle to the steered one"),
    counted: Type.Union([Type.Literal(1), Type.Literal(2)], {
      default: 1,
      description: "rear wheels with counts",
    }),
    axle,
  }),
  exact({
    kind: Type.Literal("omnidirectional"),
    ...rolling,
    wheels: Type.Array(
      exact({
        x: Length(-5, 5, "ahead of the base's floor point"),
        y: Length(-5, 5, "left of it"),
        heading: Angle("direction in which it rolls forwards, counter-clockwise from ahead"),
        roller: Angle("from that direction to the axis of the roller on the floor; 0, or 0.785 either way"),
      }),
      { minItems: 3, maxItems: 4 },
    ),
  }),
]);
const HexId = Type.String({ pattern: "^[0-9A-Fa-f]{4}$", description: "four hexadecimal digits" });

const Base = exact(
  {
    serial: exact({
      path: Type.Optional(
        Type.String({ minLength: 1, maxLength: 4096, description: "such as /dev/ttyACM0; or usb" }),
      ),
      usb: Type.Optional(exact({ vendor: HexId, product: HexId }, "ids of the board's USB device; or path")),
      speed: Type.Integer({ minimum: 9600, maximum: 4_000_000, default: 115_200, description: "baud" }),
      rehearse: isOn(
        false,
        "also connect a head that plays a recording or simulates its sensors; the board refuses its paces",
      ),
    }),
    wheels: Type.Optional(WheelsShape),
  },
  "a motor board on a serial line; off without it",
);

export const STEP_RESULTS = ["passed", "failed", "skipped"] as const;

const Checked = exact(
  {
    at: Type.String({ maxLength: 64, description: "date and time of the report, ISO 8601" }),
    before: Type.Union([Type.String({ maxLength: 255 }), Type.Null()], {
      description: "name of the copy of the file as it was before, beside it; null: there was none",
    }),
    steps: Type.Array(
      exact({
        step: Name,
        result: Type.Union(STEP_RESULTS.map((result) => Type.Literal(result))),
        text: Type.String({ maxLength: 4000 }),
      }),
      { maxItems: 32 },
    ),
  },
  "report of `brinkmap setup`: what was checked, and when. The head does not use it",
);

/** The settings file, in one table from which type, checks and the schema for editors derive. */
export const ConfigShape = exact({
  $schema: Type.Optional(Type.String()),
  listen: section({
    host: Type.String({
      default: "127.0.0.1",
      maxLength: 255,
      description: "any other than this machine needs tokens",
    }),
    port: whole(4917, 0, 65535, "0 takes any that is free"),
    names: list(HostName, 32, "host names clients may use"),
    origins: list(HostName, 32, "web origins that may connect"),
    certificate: Type.Optional(Folder),
    key: Type.Optional(Folder),
  }),
  tokens: list(
    exact({
      name: Name,
      rights: Type.Optional(Type.Array(Right, { minItems: 1, description: "rights of its holder" })),
      roles: Type.Optional(
        Type.Array(Role, {
          minItems: 1,
          description: "in place of rights: watcher for watch, base for drive, sensor for feed",
        }),
      ),
      hash: Type.String({
        pattern: "^[0-9a-f]{64}$",
        description: "SHA-256 of the token; `serve --new-token` makes both",
      }),
    }),
    64,
  ),
  sensors: list(SensorShape, 16),
  mostPixels: whole(
    50_000,
    0,
    4_000_000,
    "a depth image with more than twice as many pixels is binned by the smallest whole factor that brings it to this number; 0: never",
  ),
  baseFromHead: Type.Object(PoseShape.properties, { ...PoseShape, default: SAME_PLACE }),
  headFromImu: Type.Object(PoseShape.properties, { ...PoseShape, default: SAME_PLACE }),
  settings: Type.Optional(CoreSettings),
  depth: list(DepthCommand, 16),
  orientation: Type.Optional(Iio),
  map: section({
    folder: Type.Optional(Folder),
    saveEvery: seconds(60, 5, 86400, "between saves of a changed map"),
    load: Type.Optional(
      Type.Boolean({
        description:
          "whether to continue the saved map. By default a head that tracks its poses looks for its place in it; another head begins a new map beside it. true: with other poses, for a base that starts at the map's origin with the same heading. false: a new map begins, and the saved one is kept",
      }),
    ),
  }),
  recordings: section(
    {
      folder: Type.Optional(Folder),
      most: whole(4e9, 1, 1e12, "most bytes of an uploaded recording"),
      labels: isOn(false, "a page on this machine may write the labels file beside the played recording"),
    },
    "for a head that plays a recording: folder of other recordings and of uploads",
  ),
  pretrigger: Type.Optional(
    exact(
      {
        folder: Folder,
        ring: whole(256e6, 1e6, 1e12, "most bytes of the ring with the last minutes"),
        kept: whole(
          1e9,
          1e6,
          1e12,
          "most bytes of kept stretches; beyond it the oldest are deleted, except those that were asked for",
        ),
        segment: seconds(10, 1, 600, "of one file of the ring"),
        before: seconds(30, 1, 3600, "kept before the event"),
        after: seconds(10, 1, 600, "kept after it"),
      },
      "folder in which the last minutes are always recorded, and kept when something happens; off without it",
    ),
  ),
  glance: Type.Optional(
    exact(
      {
        host: Type.String({ minLength: 1, maxLength: 255 }),
        port: Type.Integer({ minimum: 1, maximum: 65535 }),
        rehearse: isOn(false, "also send it from a head that plays a recording or simulates its sensors"),
      },
      "receiver of the glance datagram; off without it",
    ),
  ),
  base: Type.Optional(Base),
  blind: seconds(BLIND_AFTER, 0.05, 60, "without a frame for this long a head reports that it is blind"),
  clients: whole(64, 1, 1000, "most connections after hello"),
  discovery: isOn(false, "announce the head on the local network"),
  findHeads: isOn(
    false,
    "search the local network for other heads that are announced, and list them on the page",
  ),
  viewer: Type.Optional(Folder),
  checked: Type.Optional(Checked),
});
/** The settings file with its defaults filled in. */
export type ConfigFile = Frozen<Static<typeof ConfigShape>>;

/** A copy with defaults for missing fields. It is not checked yet. */
export function withDefaults(given: unknown): unknown {
  const filled = Default(ConfigShape, structuredClone(given));
  if (typeof filled !== "object" || filled === null || Array.isArray(filled)) return filled;
  // Core settings get no defaults here: the missing ones may come with a recording.
  const { settings, ...rest } = filled as { settings?: unknown };
  return settings === undefined ? rest : { ...rest, settings: (given as { settings: unknown }).settings };
}

/** The schema, with fields that have a default made optional. */
function forUsers(value: unknown): unknown {
  if (Array.isArray(value)) return value.map(forUsers);
  if (typeof value !== "object" || value === null) return value;
  const copy = Object.fromEntries(Object.entries(value).map(([name, item]) => [name, forUsers(item)]));
  const { required, properties } = copy as { required?: string[]; properties?: Record<string, object> };
  if (Array.isArray(required) && properties !== undefined) {
    copy["required"] = required.filter((name) => !("default" in (properties[name] ?? {})));
  }
  return copy;
}

/** JSON Schema of the settings file, for editors. */
export const configSchema = (): object => ({
  $schema: "http://json-schema.org/draft-07/schema#",
  title: "Settings of a Brinkmap head",
  ...(forUsers(jsonSchema(ConfigShape)) as object),
});
