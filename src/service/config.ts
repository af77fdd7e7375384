import { readFile } from "node:fs/promises";
import { resolveSettings, SettingError } from "../head/settings.ts";
import { misfit } from "../wire/check.ts";
import { RIGHTS } from "../wire/messages.ts";
import { RIGHT_OF, type TokenEntry } from "./access/tokens.ts";
import { type ConfigFile, ConfigShape, withDefaults } from "./config-file.ts";
import { fileTrouble } from "./file-trouble.ts";
import type { PretriggerSettings } from "./pretrigger/recorder.ts";

type Listen = ConfigFile["listen"];

/** The settings file as the service uses it. Features that are off are null. Times are in microseconds unless a unit is named. */
export interface Config
  extends Pick<
    ConfigFile,
    "sensors" | "baseFromHead" | "headFromImu" | "depth" | "clients" | "discovery" | "findHeads"
  > {
  readonly listen: Pick<Listen, "host" | "port" | "names" | "origins"> & {
    readonly tls: { readonly certificate: string; readonly key: string } | null;
  };
  readonly tokens: readonly TokenEntry[];
  /** Core settings in the file. */
  readonly settings: Readonly<Record<string, unknown>>;
  readonly orientation: ConfigFile["orientation"] | null;
  /** `saveEvery` is in seconds. */
  readonly map: { readonly folder: string | null; readonly saveEvery: number; readonly load: boolean | null };
  readonly recordings: { readonly folder: string | null; readonly most: number; readonly labels: boolean };
  readonly pretrigger: PretriggerSettings | null;
  readonly glance: NonNullable<ConfigFile["glance"]> | null;
  readonly base: NonNullable<ConfigFile["base"]> | null;
  /** The size to which large depth images are binned (`binningFactor`); 0: never. */
  readonly mostPixels: number;
  readonly blind: number;
  readonly viewer: string | null;
}

/** The settings file is not valid. The message names the field and what it must be. */
export class ConfigError extends Error {
  override readonly name = "ConfigError";
}

const LOOPBACK = new Set(["127.0.0.1", "::1", "localhost"]);
export const isLoopback = (host: string): boolean => LOOPBACK.has(host);

/**
 * Fills in defaults and checks the result.
 * @throws {ConfigError} naming the first invalid field
 */
export function resolveConfig(given: unknown): Config {
  checkSettings(given);
  const filled = withDefaults(given);
  const why = misfit(ConfigShape, filled);
  if (why !== null) throw new ConfigError(why);
  const file = filled as ConfigFile;
  checkTogether(file);
  const { host, port, names, origins, certificate, key } = file.listen;
  const { pretrigger } = file;
  return {
    listen: {
      host,
      port,
      names,
      origins,
      tls: certificate !== undefined && key !== undefined ? { certificate, key } : null,
    },
    tokens: file.tokens.map(({ name, rights = [], roles = [], hash }) => ({
      name,
      hash,
      rights: [...new Set([...rights, ...roles.map((role) => RIGHT_OF[role])])],
    })),
    sensors: file.sensors,
    mostPixels: file.mostPixels,
    baseFromHead: file.baseFromHead,
    headFromImu: file.headFromImu,
    settings: (file.settings ?? {}) as Readonly<Record<string, unknown>>,
    depth: file.depth,
    orientation: file.orientation ?? null,
    map: { ...file.map, folder: file.map.folder ?? null, load: file.map.load ?? null },
    recordings: { ...file.recordings, folder: file.recordings.folder ?? null },
    pretrigger:
      pretrigger === undefined
        ? null
        : {
            ...pretrigger,
            segment: 1e6 * pretrigger.segment,
            before: 1e6 * pretrigger.before,
            after: 1e6 * pretrigger.after,
          },
    glance: file.glance ?? null,
    base: file.base ?? null,
    blind: Math.round(1e6 * file.blind),
    clients: file.clients,
    discovery: file.discovery,
    findHeads: file.findHeads,
    viewer: file.viewer ?? null,
  };
}

/** Checks core settings by their own table, whose errors give bounds and similar names. @throws {ConfigError} */
function checkSettings(given: unknown): void {
  const settings = (given as { settings?: unknown } | null)?.settings;
  if (typeof settings !== "object" || settings === null) return;
  try {
    resolveSettings(settings as Record<string, unknown>);
  } catch (error) {
    if (error instanceof SettingError) throw new ConfigError(`settings: ${error.message}`);
    throw error;
  }
}

/** Checks constraints between fields, which a schema cannot express. @throws {ConfigError} */
function checkTogether({ listen, tokens, sensors, depth, base }: ConfigFile): void {
  if (base !== undefined && (base.serial.path === undefined) === (base.serial.usb === undefined)) {
    throw new ConfigError("base.serial: give either path or usb");
  }
  if ((listen.certificate === undefined) !== (listen.key === undefined)) {
    throw new ConfigError("listen.certificate and listen.key go together: give both, or neither");
  }
  if (!isLoopback(listen.host) && tokens.length === 0) {
    throw new ConfigError(
      `listen.host ${listen.host} can be reached by other machines, so tokens are needed: make one with serve --new-token`,
    );
  }
  tokens.forEach(({ rights, roles }, i) => {
    if (rights === undefined && roles === undefined)
      throw new ConfigError(`tokens.${i}: rights is missing: give one or more of ${RIGHTS.join(", ")}`);
  });
  const known = new Set(sensors.map(({ name }) => name));
  if (known.size !== sensors.length) {
    throw new ConfigError("sensors: two have the same name; give each its own");
  }
  depth.forEach(({ sensor }, i) => {
    if (!known.has(sensor))
      throw new ConfigError(`depth.${i}.sensor: there is no sensor "${sensor}" in sensors`);
  });
}

/** @throws {ConfigError} if the file is missing, not JSON, or not valid */
export async function readConfig(path: string): Promise<Config> {
  let text: string;
  try {
    text = await readFile(path, "utf8");
  } catch (error) {
    throw new ConfigError(fileTrouble(error, path) ?? `${path}: ${(error as Error).message}`);
  }
  try {
    return resolveConfig(JSON.parse(text));
  } catch (error) {
    if (error instanceof SyntaxError) throw new ConfigError(`${path}: not JSON: ${error.message}`);
    if (error instanceof ConfigError) throw new ConfigError(`${path}: ${error.message}`);
    throw error;
  }
}
