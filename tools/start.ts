import { pino } from "pino";
import { resolveConfig } from "../src/service/config.ts";
import { readPlayed } from "../src/service/playing/recordings-folder.ts";
import { Service } from "../src/service/service.ts";
import { provideDemo } from "./demo/recording.ts";
import { CAUTION, mainOf, runIfStarted } from "./frame/command.ts";
import { writing } from "./frame/errors.ts";
import { noneExpected, wholeOption } from "./frame/values.ts";
import { readScenario, STUDIO } from "./scenario-file.ts";
import { pageAddress, VIEWER } from "./serve/page.ts";
import { untilSignalled } from "./serve/until-signalled.ts";

export const main = mainOf({
  name: "start",
  usage: "[options]",
  about: "Plays the demo through the head, and serves its page.",
  options: {
    port: {
      type: "string",
      short: "p",
      value: "<n>",
      default: "4917",
      help: "port, on this machine only (default 4917; 0: any free port)",
    },
    out: {
      type: "string",
      short: "o",
      value: "<folder>",
      default: "out",
      help: "folder for the recording of the demo (default out)",
    },
    scenario: {
      type: "string",
      value: "<file>",
      default: STUDIO,
      help: "drive through another scenario (default: the pottery studio)",
    },
  },
  notes: `The first time it renders the demo, which takes under a minute. Ctrl-C ends it.
Without a page: brinkmap demo. A head of your own: brinkmap serve.`,
  exits: {
    1: "failed",
    3: "scenario missing or unfit",
    4: "the folder cannot be written, or the port is taken",
  },
  async run({ values, positionals }) {
    noneExpected(positionals);
    const port = wholeOption(values, "port", 0, 65_535);
    const { out: folder } = values;
    const scenario = await readScenario(values.scenario);
    const path = await writing(folder, () => provideDemo(scenario, folder));
    const service = await Service.start({
      config: resolveConfig({
        listen: { port },
        recordings: { folder },
        ...(VIEWER !== undefined && { viewer: VIEWER }),
      }),
      log: pino({ level: "warn" }, pino.destination({ fd: 2, sync: true })),
      played: await readPlayed(path),
    });
    console.log(`The demo drives. See it at ${pageAddress(service.url)} (Ctrl-C ends it)\n${CAUTION}`);
    return (await untilSignalled(service)) ? 0 : 1;
  },
});

await runIfStarted(import.meta.url, main);
