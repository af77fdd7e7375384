import { WireError } from "../../wire/codec.ts";
import type { Config } from "../config.ts";
import type { Service, Source } from "../service.ts";
import { headTime } from "../time.ts";
import { DepthCommandSource } from "./depth-command.ts";
import { IioSource } from "./iio.ts";

const SILENCE = 3000; // milliseconds

/** Starts the sources in the settings file. */
export function startSources({ depth, orientation }: Config, service: Service): readonly Source[] {
  const sources: Source[] = [];
  for (const { sensor, command, skip, lateness } of depth) {
    // The index stays valid: drivers may add sensors, but only behind these.
    const index = service.setup.sensors.findIndex(({ name }) => name === sensor);
    const target = {
      counts: () => service.intake.countsOf(index),
      publish: (sequence: number) => {
        const time = headTime() - Math.round(1e6 * lateness);
        service.intake.publish(index, { time, sequence, hasAmplitude: false });
      },
      say: (why: string) => service.say(sensor, why),
    };
    sources.push(new DepthCommandSource({ command, skip, silence: SILENCE }, target));
  }
  if (orientation !== null && orientation !== undefined) {
    const { device = null, ...plan } = orientation;
    const take = (observation: Parameters<typeof service.intake.take>[0]): void => {
      try {
        service.intake.take(observation);
      } catch (error) {
        if (!(error instanceof WireError)) throw error; // a sample stamped by another clock is left out
      }
    };
    const target = {
      orientation: (time: number | null, rotation: readonly [number, number, number, number]) =>
        take({ kind: "orientation", ...(time !== null && { time }), rotation }),
      inertial: (
        time: number | null,
        gyro: readonly [number, number, number],
        accel: readonly [number, number, number],
      ) => take({ kind: "inertial", ...(time !== null && { time }), gyro, accel, mag: null }),
      say: (why: string) => service.log.info({ source: "orientation" }, why),
    };
    sources.push(new IioSource({ device, ...plan }, target));
  }
  return sources;
}
