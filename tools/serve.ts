import { pino } from "pino";
import { newToken } from "../src/service/access/tokens.ts";
import { type Config, readConfig, resolveConfig } from "../src/service/config.ts";
import { readPlayed } from "../src/service/playing/recordings-folder.ts";
import { Service } from "../src/service/service.ts";
import { startSources } from "../src/service/sources/built-in.ts";
import { superviseBySystemd } from "../src/service/supervisor.ts";
import { RIGHTS, type Right } from "../src/wire/messages.ts";
import { CAUTION, mainOf, type Options, runIfStarted } from "./frame/command.ts";
import { reading, UsageError } from "./frame/errors.ts";
import { noneExpected, wholeOption } from "./frame/values.ts";
import { pageAddress, VIEWER } from "./serve/page.ts";
import { playScenario } from "./serve/player.ts";
import { untilSignalled } from "./serve/until-signalled.ts";

const OPTIONS = {
  config: { type: "string", short: "c", value: "<file>", help: "settings file (its schema: --schema)" },
  recording: {
    type: "string",
    short: "r",
    value: "<file>",
    help: "play a recording repeatedly instead of live sensors",
  },
  scenario: {
    type: "string",
    short: "s",
    value: "<file>",
    help: "render a scenario live instead of live sensors",
  },
  port: {
    type: "string",
    short: "p",
    value: "<n>",
    help: "port; overrides the settings file (default 4917; 0: any free port)",
  },
  recordings: {
    type: "string",
    value: "<folder>",
    help: "folder of other recordings that the page may play, and of uploads (with --recording only)",
  },
  labels: {
    type: "boolean",
    help: "the page, on this machine, may write <recording>.labels.json (with --recording only)",
  },
  map: { type: "string", value: "<folder>", help: "folder of the map; overrides the settings file" },
  "new-token": {
    type: "string",
    value: "<name>",
    help: "print a new token and its entry for the settings file, and exit",
  },
  rights: {
    type: "string",
    value: "<a,b>",
    default: "watch",
    help: `rights of the token: ${RIGHTS.join(", ")} (default watch)`,
  },
  schema: { type: "boolean", help: "print the JSON Schema of the settings file, and exit" },
  quiet: { type: "boolean", short: "q", help: "log warnings and errors only" },
} as const satisfies Options;

export const main = mainOf({
  name: "serve",
  usage: "[options]",
  about:
    "Runs the head as a network service, with its page. Without --config, --recording or --scenario it waits for sensors to connect.",
  options: OPTIONS,
  notes: `The log goes to standard error, one JSON object a line.
${CAUTION}`,
  exits: {
    0: "stopped by a signal",
    1: "failed",
    3: "a file is missing or invalid",
    4: "the address is in use or not available",
  },
  async run({ values, positionals }) {
    noneExpected(positionals);
    if (values.schema) {
      const { configSchema } = await import("../src/service/config-file.ts");
      console.log(JSON.stringify(configSchema(), null, 2));
      return 0;
    }
    if (values["new-token"] !== undefined) {
      console.log(makeToken(values["new-token"], values.rights));
      return 0;
    }
    const { recording, scenario } = values;
    if (recording !== undefined && scenario !== undefined) {
      throw new UsageError("give --recording or --scenario, not both");
    }
    const config = await configOf(values);
    const played =
      recording === undefined ? undefined : await reading(recording, () => readPlayed(recording));
    const player = scenario === undefined ? undefined : await reading(scenario, () => playScenario(scenario));
    const isLive = played === undefined && player === undefined;
    const service = await Service.start({
      config,
      log: pino({ level: values.quiet ? "warn" : "info" }, pino.destination({ fd: 2, sync: true })),
      ...(player !== undefined && { player }),
      ...(played !== undefined && { played }),
      sources: (head) => (isLive ? startSources(config, head) : []),
    });
    console.log(`The head is at ${service.url}`);
    if (config.viewer !== null) console.log(`See it at ${pageAddress(service.url)}`);
    console.log(CAUTION);
    const endSupervision = superviseBySystemd(process.env, () => service.isAlive);
    const isSignalled = await untilSignalled(service);
    endSupervision();
    return isSignalled ? 0 : 1;
  },
});

/** The settings file with the overrides of the command line. */
async function configOf(values: {
  readonly config?: string | undefined;
  readonly port?: string | undefined;
  readonly map?: string | undefined;
  readonly recording?: string | undefined;
  readonly recordings?: string | undefined;
  readonly labels?: boolean | undefined;
}): Promise<Config> {
  const { config: file } = values;
  let config = file === undefined ? resolveConfig({}) : await reading(file, () => readConfig(file));
  if (values.port !== undefined) {
    config = { ...config, listen: { ...config.listen, port: wholeOption(values, "port", 0, 65_535) } };
  }
  if (values.map !== undefined) config = { ...config, map: { ...config.map, folder: values.map } };
  if (config.viewer === null && VIEWER !== undefined) config = { ...config, viewer: VIEWER };
  if (values.recordings !== undefined) {
    config = { ...config, recordings: { ...config.recordings, folder: values.recordings } };
  }
  if (values.labels) {
    if (values.recording === undefined) throw new UsageError("--labels needs --recording");
    config = { ...config, recordings: { ...config.recordings, labels: true } };
  }
  return config;
}

function makeToken(name: string, list: string): string {
  const rights = list.split(",") as Right[];
  const unknown = rights.find((right) => !RIGHTS.includes(right));
  if (unknown !== undefined) throw new UsageError(`--rights: "${unknown}" is none of ${RIGHTS.join(", ")}`);
  const { token, entry } = newToken(name, rights);
  return `The token, shown this once; give it to the client:
  ${token}
Its entry under "tokens" in the settings file:
  ${JSON.stringify(entry)}`;
}

await runIfStarted(import.meta.url, main);
