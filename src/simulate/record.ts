import { createRecording } from "../record/file.ts";
import { simulateEvents } from "./events.ts";
import type { Scenario } from "./scenario.ts";

export interface RecordScenarioOptions {
  /** Further entries of the header about how the recording was made. */
  readonly about?: Readonly<Record<string, unknown>>;
  readonly overwrite?: boolean;
  /** Called now and then with the seconds of the drive that are rendered. */
  readonly onProgress?: (done: number) => void;
}

/**
 * Renders a scenario into a recording with truth.
 * @returns the number of depth frames
 * @throws file errors; one with code "EEXIST" if the recording is there and `overwrite` is false
 */
export async function recordScenario(
  scenario: Scenario,
  path: string,
  { about = {}, overwrite = false, onProgress }: RecordScenarioOptions = {},
): Promise<number> {
  const header = {
    setup: scenario.setup,
    settings: {
      scenario: scenario.name,
      seed: scenario.seed,
      repeat: scenario.repeat,
      ...about,
      // Values as in a sensor's data sheet: amplitude gate, modulation frequency and the like.
      noise: scenario.sensors.map(({ noise }) => noise),
    },
    about: `simulated: ${scenario.name}`,
    software: "brinkmap simulate",
  };
  const recording = await createRecording(path, header, { overwrite });
  let frames = 0;
  try {
    for (const event of simulateEvents(scenario, onProgress)) {
      if (event.kind === "depth") frames++;
      recording.write(event);
    }
  } finally {
    await recording.close();
  }
  return frames;
}
