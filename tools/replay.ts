import { mainOf, runIfStarted } from "./frame/command.ts";
import { Progress } from "./frame/progress.ts";
import { oneExpected } from "./frame/values.ts";
import { givenSettings, listSettings, SETTINGS_OPTIONS } from "./replay/given-settings.ts";
import { type ReplaySummary, replayRecording } from "./replay/run.ts";
import { describe } from "./replay/summary-text.ts";

export const main = mainOf({
  name: "replay",
  usage: "[options] <recording>",
  about: "Feeds a recording through the head, at full speed, and prints a summary of the output.",
  options: {
    ...SETTINGS_OPTIONS,
    "hold-out": {
      type: "boolean",
      help: "hold every second frame out of the map, and print how well the map predicts it",
    },
    json: { type: "boolean", help: "print the summary as JSON" },
  },
  exits: { 3: "recording missing or unreadable, or without what poses are made of" },
  async run({ values, positionals }) {
    if (values.set?.includes("help")) {
      console.log(listSettings());
      return 0;
    }
    const path = oneExpected(positionals, "one recording");
    const settings = await givenSettings(values);
    const progress = new Progress("replaying");
    let summary: ReplaySummary;
    try {
      ({ summary } = await replayRecording(path, {
        settings,
        holdOut: values["hold-out"] === true,
        isAhead: true,
        onProgress: (share) => progress.show(share),
      }));
    } finally {
      progress.stop();
    }
    console.log(values.json ? JSON.stringify(summary, null, 2) : describe(summary));
    return 0;
  },
});

await runIfStarted(import.meta.url, main);
