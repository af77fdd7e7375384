import { readFile } from "node:fs/promises";
import { openRecording } from "../../src/record/file.ts";
import type { Player } from "../../src/service/service.ts";
import { settingsOf } from "../replay/run.ts";
import { loadScenario } from "../simulate/scenario.ts";
import type { PlayData } from "./play-worker.ts";

// From the source and from dist/tools/serve alike.
const SCRIPT = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/tools/serve/play-worker.js", import.meta.url)
  : new URL("./play-worker.js", import.meta.url);

/** A recording, round and round in real time. @throws as from opening it */
export async function playRecording(path: string): Promise<Player> {
  const recording = await openRecording(path);
  const { header } = recording;
  recording.close();
  const data: PlayData = { kind: "recording", path };
  return { setup: header.setup, settings: settingsOf(header), script: SCRIPT, data };
}

/** The simulator, live: a scenario rendered as it goes. @throws {ScenarioError} and file errors */
export async function playScenario(path: string): Promise<Player> {
  const { setup } = loadScenario(JSON.parse(await readFile(path, "utf8")));
  const data: PlayData = { kind: "scenario", path };
  return { setup, settings: {}, script: SCRIPT, data };
}
