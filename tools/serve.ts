import { existsSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { pino } from "pino";
import { DecodeError } from "../src/coding/decode-error.ts";
import { SettingError } from "../src/head/settings.ts";
import { newToken } from "../src/service/access/tokens.ts";
import { type Config, ConfigError, readConfig, resolveConfig } from "../src/service/config.ts";
import type { Player } from "../src/service/live-mode.ts";
import { readPlayed } from "../src/service/playing/recordings-folder.ts";
import { Service } from "../src/service/service.ts";
import { startSources } from "../src/service/sources/built-in.ts";
import { superviseBySystemd } from "../src/service/supervisor.ts";
import { ScenarioError } from "../src/simulate/fields.ts";
import { ROLES, type Role } from "../src/wire/messages.ts";
import { pageAddress, VIEWER } from "./serve/page.ts";
import { playScenario } from "./serve/player.ts";

const HELP = `Usage: serve [options]    the head, live, on a socket
  -c, --config <file>       settings file (its schema: --schema)
  -r, --recording <file>    play a recording round and round instead of live sensors
  -s, --scenario <file>     render a scenario live instead of live sensors
  -p, --port <n>            instead of the settings file's (default 4917; 0 takes any that is free)
      --recordings <folder> others that the page may play, and where uploaded ones go (with --recording only)
      --labels              the page, on this machine, may write <recording>.labels.json (with --recording only)
      --map <folder>        keep the map there; overrides the settings file
      --new-token <name>    print a new token and its entry for the settings file, and end
      --roles <a,b>         what the token is for: ${ROLES.join(", ")} (default all)
      --schema              print the JSON Schema of the settings file, and end
  -q, --quiet               log warnings and worse only
  -h, --help                show this text
Without --config, --recording or --scenario it waits for sensors on the socket.
The log goes to standard error, one JSON object a line.
This is not a safety device: keep an independent hardware stop.
Exit codes: 0 stopped by a signal, 1 failed, 2 wrong usage, 3 a file is missing or unfit, 4 the address cannot be had`;
const options = {
  config: { type: "string", short: "c" },
  recording: { type: "string", short: "r" },
  scenario: { type: "string", short: "s" },
  port: { type: "string", short: "p" },
  map: { type: "string" },
  recordings: { type: "string" },
  labels: { type: "boolean" },
  "new-token": { type: "string" },
  roles: { type: "string" },
  schema: { type: "boolean" },
  quiet: { type: "boolean", short: "q" },
  help: { type: "boolean", short: "h" },
} as const;

function makeToken(name: string, list: string | undefined): string {
  const roles = (list?.split(",") ?? [...ROLES]) as Role[];
  const unknown = roles.find((role) => !ROLES.includes(role));
  if (unknown !== undefined) throw new ConfigError(`--roles: "${unknown}" is none of ${ROLES.join(", ")}`);
  const { token, entry } = newToken(name, roles);
  return `The token, shown this once; give it to the client:
  ${token}
Its entry under "tokens" in the settings file:
  ${JSON.stringify(entry)}`;
}

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`serve: ${why}`);
    return code;
  };
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (positionals.length > 0) return fail(2, `"${positionals[0]}" is not expected (see --help)`);
    if (values.schema) {
      const { configSchema } = await import("../src/service/config-file.ts");
      console.log(JSON.stringify(configSchema(), null, 2));
      return 0;
    }
    if (values["new-token"] !== undefined) {
      console.log(makeToken(values["new-token"], values.roles));
      return 0;
    }
    if (values.recording !== undefined && values.scenario !== undefined) {
      return fail(2, "give --recording or --scenario, not both");
    }
    const port = values.port === undefined ? undefined : Number(values.port);
    if (port !== undefined && !(Number.isInteger(port) && port >= 0 && port <= 65535)) {
      return fail(2, `--port must be a whole number from 0 to 65535, got "${values.port}"`);
    }
    let config: Config = values.config === undefined ? resolveConfig({}) : await readConfig(values.config);
    if (port !== undefined) config = { ...config, listen: { ...config.listen, port } };
    if (values.map !== undefined) config = { ...config, map: { ...config.map, folder: values.map } };
    if (config.viewer === null && VIEWER !== undefined) config = { ...config, viewer: VIEWER };
    if (values.recordings !== undefined) {
      config = { ...config, recordings: { ...config.recordings, folder: values.recordings } };
    }
    if (values.labels) {
      if (values.recording === undefined) return fail(2, "--labels needs --recording");
      config = { ...config, recordings: { ...config.recordings, labels: true } };
    }
    let player: Player | undefined;
    const played = values.recording ?? values.scenario;
    if (played !== undefined && !existsSync(played)) return fail(3, `${played}: there is no such file`);
    const recording = values.recording === undefined ? undefined : await readPlayed(values.recording);
    if (values.scenario !== undefined) player = await playScenario(values.scenario);
    const log = pino({ level: values.quiet ? "warn" : "info" }, pino.destination({ fd: 2, sync: true }));
    const service = await Service.start({
      ...{ config, log, ...(player && { player }), ...(recording && { played: recording }) },
      sources: (head) => (played === undefined ? startSources(config, head) : []),
    });
    console.log(`The head is at ${service.url}`);
    if (config.viewer !== null) console.log(`See it at ${pageAddress(service.url)}`);
    let isSignalled = false;
    for (const signal of ["SIGINT", "SIGTERM"] as const) {
      process.once(signal, () => {
        isSignalled = true;
        void service.stop(signal);
      });
    }
    const endSupervision = superviseBySystemd(process.env, () => service.isAlive);
    await service.stopped;
    endSupervision();
    return isSignalled ? 0 : 1;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    const isUnfit = [ConfigError, SettingError, DecodeError, ScenarioError].some(
      (type) => error instanceof type,
    );
    if (isUnfit || code === "ENOENT" || code === "EISDIR") return fail(3, message);
    if (["EADDRINUSE", "EADDRNOTAVAIL", "EACCES"].includes(code)) return fail(4, message);
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
