import type { Player } from "../../src/service/live-mode.ts";
import { readScenario } from "../scenario-file.ts";
import type { PlayData } from "./play-worker.ts";

// From the source and from dist/tools/serve alike.
const SCRIPT = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/tools/serve/play-worker.js", import.meta.url)
  : new URL("./play-worker.js", import.meta.url);

/** The simulator, live: a scenario rendered as it goes. @throws {ScenarioError} and file errors */
export async function playScenario(path: string): Promise<Player> {
  const { setup } = await readScenario(path);
  const data: PlayData = { path };
  return { setup, settings: {}, script: SCRIPT, data };
}
