import { readFile } from "node:fs/promises";
import { type Static, type TSchema, Type } from "@sinclair/typebox";
import { resolveSettings, SETTINGS, SettingError } from "../head/settings.ts";
import { BLIND_AFTER, LATE_AFTER } from "../terms/freshness.ts";
import { jsonSchema } from "../wire/asyncapi.ts";
import { misfit } from "../wire/check.ts";
import { ROLES } from "../wire/messages.ts";
import { exact, type Frozen, Name, PoseShape, SensorShape } from "../wire/shapes.ts";
import type { PretriggerSettings } from "./pretrigger/recorder.ts";

const STILL = { rotation: [0, 0, 0, 1], position: [0, 0, 0] };
const seconds = (byDefault: number, minimum: number, maximum: number, description: string) =>
  Type.Number({ minimum, maximum, default: byDefault, description: `seconds; ${description}` });
const whole = (byDefault: number, minimum: number, maximum: number, description: string) =>
  Type.Integer({ minimum, maximum, default: byDefault, description });
const Folder = Type.String({ minLength: 1, maxLength: 4096 });
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
    skip: Type.Optional(whole(0, 0, 65536, "bytes before each frame that are no pixels")),
    lateness: Type.Optional(seconds(0, 0, 1, "from mid-exposure to the frame's arrival")),
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
    folder: Type.Optional(Folder),
    rate: Type.Optional(
      Type.Number({ minimum: 1, maximum: 1000, default: 100, description: "samples a second" }),
    ),
    buffered: Type.Optional(
      Type.Boolean({
        default: false,
        description: "read the device's buffer (/dev/iio:deviceN), set up beforehand",
      }),
    ),
    dev: Type.Optional(Folder),
  },
  "orientation from the kernel's industrial I/O subsystem: a quaternion, or gyro and accelerometer",
);

/** The settings file. */
export const ConfigShape = exact({
  $schema: Type.Optional(Type.String()),
  listen: Type.Optional(
    exact({
      host: Type.Optional(
        Type.String({
          default: "127.0.0.1",
          maxLength: 255,
          description: "any other than this machine needs tokens",
        }),
      ),
      port: Type.Optional(whole(4917, 0, 65535, "0 takes any that is free")),
      names: Type.Optional(
        Type.Array(Type.String({ maxLength: 255 }), {
          maxItems: 32,
          description: "host names clients may use",
        }),
      ),
      origins: Type.Optional(
        Type.Array(Type.String({ maxLength: 255 }), {
          maxItems: 32,
          description: "web origins that may connect",
        }),
      ),
      certificate: Type.Optional(Folder),
      key: Type.Optional(Folder),
    }),
  ),
  tokens: Type.Optional(
    Type.Array(
      exact({
        name: Name,
        roles: Type.Array(Role, { minItems: 1 }),
        hash: Type.String({
          pattern: "^[0-9a-f]{64}$",
          description: "SHA-256 of the token; `serve --new-token` makes both",
        }),
      }),
      { maxItems: 64 },
    ),
  ),
  sensors: Type.Optional(Type.Array(SensorShape, { maxItems: 16 })),
  baseFromHead: Type.Optional(PoseShape),
  headFromImu: Type.Optional(PoseShape),
  settings: Type.Optional(CoreSettings),
  depth: Type.Optional(Type.Array(DepthCommand, { maxItems: 16 })),
  orientation: Type.Optional(Iio),
  map: Type.Optional(
    exact({
      folder: Type.Optional(Folder),
      saveEvery: Type.Optional(seconds(60, 5, 86400, "between saves of a map that has changed")),
      load: Type.Optional(Type.Boolean({ default: true, description: "go on with the saved map at start" })),
    }),
  ),
  recordings: Type.Optional(
    exact(
      {
        folder: Type.Optional(Folder),
        most: Type.Optional(whole(4e9, 1, 1e12, "bytes of an uploaded recording at most")),
        labels: Type.Optional(
          Type.Boolean({
            default: false,
            description:
              "a page on this machine may write the labels file beside the recording that is played",
          }),
        ),
      },
      "for a head that plays a recording: where others lie that may be played, and uploaded ones go",
    ),
  ),
  pretrigger: Type.Optional(
    exact(
      {
        folder: Folder,
        ring: Type.Optional(whole(256e6, 1e6, 1e12, "bytes that the last minutes take at most")),
        kept: Type.Optional(
          whole(1e9, 1e6, 1e12, "bytes of kept stretches from which the oldest goes that nobody asked for"),
        ),
        segment: Type.Optional(seconds(10, 1, 600, "of one file of the ring")),
        before: Type.Optional(seconds(30, 1, 3600, "kept before what happened")),
        after: Type.Optional(seconds(10, 1, 600, "kept after it")),
      },
      "the last minutes are always recorded there, and kept when something happens; off without this",
    ),
  ),
  glance: Type.Optional(
    exact(
      {
        host: Type.String({ minLength: 1, maxLength: 255 }),
        port: Type.Integer({ minimum: 1, maximum: 65535 }),
      },
      "where the glance datagram goes; it is off without this",
    ),
  ),
  late: Type.Optional(seconds(LATE_AFTER, 0.02, 10, "evidence older than this is called late: a base stops")),
  blind: Type.Optional(
    seconds(BLIND_AFTER, 0.05, 60, "without a frame for so long, the head calls itself blind"),
  ),
  clients: Type.Optional(whole(64, 1, 1000, "connections that have said hello, at most")),
  discovery: Type.Optional(
    Type.Boolean({ default: false, description: "announce the head on the local network" }),
  ),
  viewer: Type.Optional(Folder),
});
type Given = Frozen<Static<typeof ConfigShape>>;

/** The settings file with its defaults filled in. */
export interface Config {
  readonly listen: {
    readonly host: string;
    readonly port: number;
    readonly names: readonly string[];
    readonly origins: readonly string[];
    readonly tls: { readonly certificate: string; readonly key: string } | null;
  };
  readonly tokens: NonNullable<Given["tokens"]>;
  readonly sensors: NonNullable<Given["sensors"]>;
  readonly baseFromHead: NonNullable<Given["baseFromHead"]>;
  readonly headFromImu: NonNullable<Given["headFromImu"]>;
  readonly settings: Readonly<Record<string, unknown>>;
  readonly depth: NonNullable<Given["depth"]>;
  readonly orientation: Given["orientation"] | null;
  readonly map: { readonly folder: string | null; readonly saveEvery: number; readonly load: boolean };
  readonly recordings: { readonly folder: string | null; readonly most: number; readonly labels: boolean };
  /** Null when it is off. Times in microseconds. */
  readonly pretrigger: PretriggerSettings | null;
  readonly glance: { readonly host: string; readonly port: number } | null;
  /** Microseconds. */
  readonly late: number;
  readonly blind: number;
  readonly clients: number;
  readonly discovery: boolean;
  readonly viewer: string | null;
}

/** The settings file is wrong; the message names the field and what would be right. */
export class ConfigError extends Error {
  override readonly name = "ConfigError";
}

const LOOPBACK = new Set(["127.0.0.1", "::1", "localhost"]);
export const isLoopback = (host: string): boolean => LOOPBACK.has(host);

/**
 * Checks and fills in.
 * @throws {ConfigError} naming the first field that is wrong
 */
export function resolveConfig(given: unknown): Config {
  // A core setting's own error tells bounds and near names better than the schema could.
  const core = (given as Given | null)?.settings;
  if (typeof core === "object" && core !== null) {
    try {
      resolveSettings(core as Record<string, unknown>);
    } catch (error) {
      if (error instanceof SettingError) throw new ConfigError(`settings: ${error.message}`);
      throw error;
    }
  }
  const why = misfit(ConfigShape, given);
  if (why !== null) throw new ConfigError(why);
  const file = given as Given;
  const { host = "127.0.0.1", port = 4917, names = [], origins = [], certificate, key } = file.listen ?? {};
  if ((certificate === undefined) !== (key === undefined)) {
    throw new ConfigError("listen.certificate and listen.key go together: give both, or neither");
  }
  const tokens = file.tokens ?? [];
  if (!isLoopback(host) && tokens.length === 0) {
    throw new ConfigError(
      `listen.host ${host} can be reached by other machines, so tokens are needed: make one with serve --new-token`,
    );
  }
  const sensors = file.sensors ?? [];
  const known = new Set(sensors.map(({ name }) => name));
  if (known.size !== sensors.length)
    throw new ConfigError("sensors: two have the same name; give each its own");
  file.depth?.forEach(({ sensor }, i) => {
    if (!known.has(sensor))
      throw new ConfigError(`depth.${i}.sensor: there is no sensor "${sensor}" in sensors`);
  });
  const late = Math.round(1e6 * (file.late ?? LATE_AFTER));
  const blind = Math.round(1e6 * (file.blind ?? BLIND_AFTER));
  if (blind < late) throw new ConfigError("blind must not be less than late");
  return {
    listen: {
      ...{ host, port, names, origins },
      tls: certificate !== undefined && key !== undefined ? { certificate, key } : null,
    },
    tokens,
    sensors,
    baseFromHead: file.baseFromHead ?? (STILL as unknown as Config["baseFromHead"]),
    headFromImu: file.headFromImu ?? (STILL as unknown as Config["headFromImu"]),
    settings: (file.settings ?? {}) as Readonly<Record<string, unknown>>,
    depth: file.depth ?? [],
    orientation: file.orientation ?? null,
    map: {
      folder: file.map?.folder ?? null,
      saveEvery: file.map?.saveEvery ?? 60,
      load: file.map?.load ?? true,
    },
    recordings: {
      folder: file.recordings?.folder ?? null,
      most: file.recordings?.most ?? 4e9,
      labels: file.recordings?.labels ?? false,
    },
    pretrigger:
      file.pretrigger === undefined
        ? null
        : {
            folder: file.pretrigger.folder,
            ring: file.pretrigger.ring ?? 256e6,
            kept: file.pretrigger.kept ?? 1e9,
            segment: 1e6 * (file.pretrigger.segment ?? 10),
            before: 1e6 * (file.pretrigger.before ?? 30),
            after: 1e6 * (file.pretrigger.after ?? 10),
          },
    glance: file.glance ?? null,
    late,
    blind,
    clients: file.clients ?? 64,
    discovery: file.discovery ?? false,
    viewer: file.viewer ?? null,
  };
}

/** @throws {ConfigError} if the file is not there, not JSON, or wrong */
export async function readConfig(path: string): Promise<Config> {
  let text: string;
  try {
    text = await readFile(path, "utf8");
  } catch (error) {
    throw new ConfigError(`${path}: ${(error as Error).message}`);
  }
  try {
    return resolveConfig(JSON.parse(text));
  } catch (error) {
    if (error instanceof SyntaxError) throw new ConfigError(`${path}: not JSON: ${error.message}`);
    if (error instanceof ConfigError) throw new ConfigError(`${path}: ${error.message}`);
    throw error;
  }
}

/** JSON Schema of the settings file, for editors. */
export const configSchema = (): object => ({
  $schema: "http://json-schema.org/draft-07/schema#",
  title: "Settings of a Brinkmap head",
  ...jsonSchema(ConfigShape),
});
