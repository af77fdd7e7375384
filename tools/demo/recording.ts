import { existsSync } from "node:fs";
import { mkdir, readFile, rename, rm } from "node:fs/promises";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { openRecording } from "../../src/record/file.ts";
import { ScenarioError } from "../../src/simulate/fields.ts";
import { loadScenario, type Scenario } from "../../src/simulate/scenario.ts";
import { Progress } from "../frame/progress.ts";
import { recordScenario } from "../simulate.ts";

/** The demo's scenario, from here and from dist/tools alike. */
export const STUDIO = ["../../datasets/pottery-studio.json", "../../../datasets/pottery-studio.json"]
  .map((path) => fileURLToPath(new URL(path, import.meta.url)))
  .find(existsSync)!;

/**
 * Renders the demo unless a whole recording of this scenario is there.
 * @returns the recording's path
 * @throws file errors
 */
export async function provideDemo(scenario: Scenario, folder: string): Promise<string> {
  await mkdir(folder, { recursive: true });
  const path = join(folder, "demo.brk");
  if (!(await isWhole(path, scenario))) await render(scenario, path);
  return path;
}

/** @throws {ScenarioError} naming the field, and file errors */
export async function readScenario(path: string): Promise<Scenario> {
  try {
    return loadScenario(JSON.parse(await readFile(path, "utf8")));
  } catch (error) {
    if (error instanceof SyntaxError) throw new ScenarioError(`not JSON: ${error.message}`);
    throw error;
  }
}

/** Whether a recording of this scenario is there, closed by its writer: its index is the last thing written. */
async function isWhole(path: string, { name, seed }: Scenario): Promise<boolean> {
  if (!existsSync(path)) return false;
  try {
    const recording = await openRecording(path);
    const { settings } = recording.header;
    const isOurs = settings["scenario"] === name && settings["seed"] === seed;
    const whole = isOurs && recording.hasIndex();
    recording.close();
    return whole;
  } catch (error) {
    if (error instanceof DecodeError) return false;
    throw error;
  }
}

/** Under another name until it is whole, so that a run that was stopped leaves nothing that looks finished. */
async function render(scenario: Scenario, path: string): Promise<void> {
  const seconds = scenario.lap * scenario.repeat;
  console.log(`Rendering the demo, ${scenario.name}, a drive of ${seconds.toFixed(0)} s ...`);
  const part = `${path}.part`;
  const progress = new Progress("rendering", "lines");
  try {
    const onProgress = (done: number) => progress.show(done / seconds);
    await recordScenario(scenario, part, { overwrite: true, onProgress });
    progress.show(1);
  } catch (error) {
    await rm(part, { force: true });
    throw error;
  } finally {
    progress.stop();
  }
  await rename(part, path);
}
