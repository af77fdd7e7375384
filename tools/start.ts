import { pino } from "pino";
import { resolveConfig } from "../src/service/config.ts";
import { readPlayed } from "../src/service/playing/recordings-folder.ts";
import { Service } from "../src/service/service.ts";
import { findDemo, provideDemo } from "./demo/recording.ts";
import { RenderApart } from "./demo/render-apart.ts";
import { CAUTION, mainOf, runIfStarted } from "./frame/command.ts";
import { writing } from "./frame/errors.ts";
import { noneExpected, wholeOption } from "./frame/values.ts";
import { readScenario, STUDIO } from "./scenario-file.ts";
import { pageAddress, VIEWER } from "./serve/page.ts";
import { playScenario } from "./serve/player.ts";
import { untilSignalled } from "./serve/until-signalled.ts";

/**
 * While the demo is rendered, its sensors send one frame out of this many: two processors have to simulate, render, map and show the page.
 * Found by hand: with every frame the head was late beside a page without graphics card.
 */
const SLOWER = 2;

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
  notes: `The first time the demo is simulated as it goes, and rendered as a recording meanwhile. Ctrl-C ends it.
Without a page: brinkmap demo. A head of your own: brinkmap serve.`,
  exits: {
    1: "failed",
    3: "scenario missing or unfit",
    4: "the folder cannot be written, or the port is taken",
  },
  async run({ values, positionals }) {
    noneExpected(positionals);
    let port = wholeOption(values, "port", 0, 65_535);
    const { out: folder } = values;
    const scenario = await readScenario(values.scenario);
    const log = pino({ level: "warn" }, pino.destination({ fd: 2, sync: true }));
    const configAt = (port: number) =>
      resolveConfig({
        listen: { port },
        recordings: { folder },
        ...(VIEWER !== undefined && { viewer: VIEWER }),
      });
    let path = await writing(folder, () => findDemo(scenario, folder));
    if (path === null) {
      const head = await Service.start({
        config: configAt(port),
        log,
        player: await playScenario(values.scenario, SLOWER),
      });
      port = head.port;
      const code = await driveUntilRendered(head, () => new RenderApart(values.scenario, folder));
      if (code !== null) return code;
      path = await provideDemo(scenario, folder);
    }
    const service = await Service.start({ config: configAt(port), log, played: await readPlayed(path) });
    console.log(`The demo drives. See it at ${pageAddress(service.url)} (Ctrl-C ends it)\n${CAUTION}`);
    return (await untilSignalled(service)) ? 0 : 1;
  },
});

/** Runs a head until the demo is rendered. @returns the exit code when it ended before; null when the demo is there */
async function driveUntilRendered(head: Service, render: () => RenderApart): Promise<number | null> {
  // Signals are handled before anything that they have to end.
  const signalled = untilSignalled(head);
  const rendering = render();
  console.log(
    `The demo drives, simulated as it goes. See it at ${pageAddress(head.url)} (Ctrl-C ends it)\n${CAUTION}\n` +
      "Meanwhile it is rendered as a recording. Then the page continues with that, and has its timeline.",
  );
  const rendered = rendering.ended.then(async (code) => {
    await head.stop("the demo is rendered");
    return code;
  });
  const isSignalled = await signalled;
  rendering.end();
  const code = await rendered;
  if (isSignalled) return 0;
  return code === 0 ? null : (code ?? 1);
}

await runIfStarted(import.meta.url, main);
