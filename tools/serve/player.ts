import type { Player } from "../../src/service/live-mode.ts";
import { readScenario } from "../scenario-file.ts";
import type { PlayData } from "./play-worker.ts";

// From the source and from dist/tools/serve alike.
const SCRIPT = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/tools/serve/play-worker.js", import.meta.url)
  : new URL("./play-worker.js", import.meta.url);

/**
 * The simulator, live: a scenario rendered as it goes.
 * @param slower by this factor the sensors send fewer frames
 * @throws {ScenarioError} and file errors
 */
export async function playScenario(path: string, slower = 1): Promise<Player> {
  const { setup } = await readScenario(path);
  const data: PlayData = { path, slower };
  return { setup, settings: {}, script: SCRIPT, data };
}
