import { readFile } from "node:fs/promises";
import { SettingError } from "../src/head/settings.ts";
import { encodePlace, KEYFRAME_BYTES, verifyPlace } from "../src/place/place-file.ts";
import { mainOf, runIfStarted } from "./frame/command.ts";
import { checkFile, reading, writing } from "./frame/errors.ts";
import { Progress } from "./frame/progress.ts";
import { oneExpected } from "./frame/values.ts";
import { writeWholeFile } from "./output/whole-file.ts";
import { givenSettings, listSettings, SETTINGS_OPTIONS } from "./replay/given-settings.ts";
import { type Replay, replayRecording } from "./replay/run.ts";
import { describe } from "./replay/summary-text.ts";

/** @throws {DecodeError} and file errors, which name the file */
const readPlace = (path: string): Promise<Uint8Array> =>
  reading(path, async () => {
    const bytes = new Uint8Array(await readFile(path));
    verifyPlace(bytes);
    return bytes;
  });

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
    place: {
      type: "string",
      value: "<file>",
      help: "place of an earlier run (map.place of a head, or of --save-place): the head looks for itself in it",
    },
    "save-place": {
      type: "string",
      value: "<file>",
      help: "write what the head knows of the place at the end: map, floor with edges, and what poses are found by",
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
    const place = values.place === undefined ? undefined : await readPlace(values.place);
    const out = values["save-place"];
    if (out !== undefined) await checkFile(out);
    let replay: Replay;
    try {
      replay = await replayRecording(path, {
        settings,
        ...(place && { place }),
        holdOut: values["hold-out"] === true,
        isAhead: true,
        onProgress: (share) => progress.show(share),
      });
    } finally {
      progress.stop();
    }
    if (out !== undefined) {
      const parts = replay.head.memory(KEYFRAME_BYTES);
      if (parts === null)
        throw new SettingError(
          "no place to save: poses are not tracked with keyframes (pose.source, track.keyframes)",
        );
      await writing(out, () => writeWholeFile(out, encodePlace(parts)));
    }
    const { summary } = replay;
    console.log(values.json ? JSON.stringify(summary, null, 2) : describe(summary));
    return 0;
  },
});

await runIfStarted(import.meta.url, main);
