import { mainOf, runIfStarted } from "../frame/command.ts";
import { writing } from "../frame/errors.ts";
import { readScenario } from "../scenario-file.ts";
import { provideDemo } from "./recording.ts";

// Renders the demo for `start`, in a process of its own. Its arguments are the scenario's path and the folder of the recording.

export const main = mainOf({
  name: "start",
  usage: "<scenario> <folder>",
  about: "Renders the demo.",
  options: {},
  async run({ positionals }) {
    const [scenario = "", folder = ""] = positionals;
    const read = await readScenario(scenario);
    await writing(folder, () => provideDemo(read, folder));
    return 0;
  },
});

await runIfStarted(import.meta.url, main);
