import { existsSync } from "node:fs";
import { rename, rm } from "node:fs/promises";
import { join } from "node:path";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { openRecording } from "../../src/record/file.ts";
import { makeFolder } from "../../src/service/make-folder.ts";
import { recordScenario } from "../../src/simulate/record.ts";
import type { Scenario } from "../../src/simulate/scenario.ts";
import { Progress } from "../frame/progress.ts";

/**
 * Renders the demo unless a whole recording of this scenario is there.
 * @returns the recording's path
 * @throws file errors
 */
export async function provideDemo(scenario: Scenario, folder: string): Promise<string> {
  const found = await findDemo(scenario, folder);
  if (found !== null) return found;
  const path = demoPath(folder);
  await render(scenario, path);
  return path;
}

const demoPath = (folder: string): string => join(folder, "demo.brk");

/**
 * Makes the folder, and looks for a whole recording of this scenario in it.
 * @returns the recording's path, or null
 * @throws file errors
 */
export async function findDemo(scenario: Scenario, folder: string): Promise<string | null> {
  makeFolder(folder);
  const path = demoPath(folder);
  return (await isWhole(path, scenario)) ? path : null;
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
