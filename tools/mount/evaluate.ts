import type { MountReport } from "../../src/mount/findings.ts";
import { MountEstimator } from "../../src/mount/mount.ts";
import { openRecording, type Recording } from "../../src/record/file.ts";
import { UsageError } from "../frame/errors.ts";
import { Progress } from "../frame/progress.ts";

export interface EvaluatedDrive {
  readonly report: MountReport;
  /** Index of the sensor in the recording's setup. */
  readonly sensor: number;
}

/**
 * Estimates the mount from the recording of a drive.
 * @param name the sensor; undefined: the first camera
 * @param tape distance of the wall at the start, metres; null: not measured
 */
export async function evaluateDrive(
  path: string,
  name: string | undefined,
  tape: number | null,
): Promise<EvaluatedDrive> {
  const recording = await openRecording(path);
  const bar = new Progress("mount");
  try {
    const sensor = sensorOf(recording, name);
    const estimator = new MountEstimator(recording.header.setup, { sensor, tape });
    let count = 0;
    for (const event of recording.events()) {
      estimator.take(event);
      if (++count % 256 === 0) bar.show(recording.position.offset / recording.size);
    }
    return { report: estimator.solve(), sensor };
  } finally {
    bar.stop();
    recording.close();
  }
}

/** The sensor of that name, or the first that is a camera. */
function sensorOf({ header }: Recording, name: string | undefined): number {
  const { sensors } = header.setup;
  const names = sensors.map((sensor) => `"${sensor.name}"`).join(", ");
  const found = sensors.findIndex((sensor) =>
    name === undefined ? sensor.optics.model !== "scan" : sensor.name === name,
  );
  if (found >= 0) return found;
  if (name === undefined) throw new UsageError(`the recording has no depth camera (its sensors: ${names})`);
  throw new UsageError(`--sensor "${name}" is none of the recording's: ${names}`);
}
