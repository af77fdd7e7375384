import { recordScenario } from "../src/simulate/record.ts";
import { mainOf, runIfStarted } from "./frame/command.ts";
import { UsageError, writing } from "./frame/errors.ts";
import { Progress } from "./frame/progress.ts";
import { wholeOption } from "./frame/values.ts";
import { parseScenario, readScenarioJson, setField } from "./scenario-file.ts";

export const main = mainOf({
  name: "simulate",
  usage: "[options] <scenario.json> <recording>",
  about: "Renders a scenario into a recording with ground truth.",
  options: {
    exact: {
      type: "boolean",
      short: "e",
      help: "no noise, errors or drift: exact depth, ideal inertial sensors and wheels",
    },
    repeat: {
      type: "string",
      short: "r",
      value: "<n>",
      help: "number of laps; overrides the scenario",
    },
    set: {
      type: "string",
      short: "s",
      multiple: true,
      value: "<field>=<value>",
      help: "set a field of the scenario to a JSON value; may be repeated. Fields are joined by dots, list entries by number: -s sensors.0.rate=15",
    },
    force: { type: "boolean", short: "f", help: "overwrite an existing recording" },
  },
  exits: { 3: "scenario missing or unfit", 4: "recording cannot be written" },
  async run({ values, positionals }) {
    const [from, to, ...rest] = positionals;
    if (!from || !to || rest.length > 0) {
      throw new UsageError("expected a scenario and a recording (see --help)");
    }
    const repeat = values.repeat === undefined ? {} : { repeat: wholeOption(values, "repeat", 1, 10_000) };
    const json = await readScenarioJson(from);
    for (const setting of values.set ?? []) setField(json, setting);
    const exact = values.exact === true;
    const scenario = parseScenario(from, json, { exact, ...repeat });
    const seconds = scenario.lap * scenario.repeat;
    const progress = new Progress("rendering");
    let frames = 0;
    try {
      frames = await writing(
        to,
        () =>
          recordScenario(scenario, to, {
            about: { exact, set: values.set ?? [] },
            overwrite: values.force === true,
            onProgress: (done) => progress.show(done / seconds),
          }),
        true,
      );
    } finally {
      progress.stop();
    }
    console.log(`${to}: ${frames} frames, ${seconds.toFixed(1)} s`);
    return 0;
  },
});

await runIfStarted(import.meta.url, main);
