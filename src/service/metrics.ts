import { Counter, Gauge, Histogram, Registry } from "prom-client";

/** Bucket bounds in seconds, for ages and costs of frames. */
const BUCKETS = [0.001, 0.002, 0.004, 0.008, 0.012, 0.02, 0.033, 0.06, 0.1, 0.25, 1];

/** Metrics for a monitoring system: OpenMetrics 1.0 text, by prom-client. */
export class Metrics {
  readonly #registry = new Registry();
  readonly frames: Counter<"sensor">;
  readonly missed: Counter<"sensor">;
  readonly skipped: Counter<"sensor" | "why">;
  readonly events: Counter<"kind">;
  readonly refused: Counter<"code">;
  readonly saves: Counter<"result">;
  readonly age: Histogram;
  readonly cost: Histogram;
  readonly #gauges: readonly { readonly gauge: Gauge; readonly read: () => number }[];

  /** @param reads gauges by name, with their help text and their reader */
  constructor(reads: Readonly<Record<string, readonly [help: string, read: () => number]>>) {
    this.#registry.setContentType(Registry.OPENMETRICS_CONTENT_TYPE as never);
    const registers = [this.#registry];
    const counter = <T extends string>(name: string, help: string, labelNames: T[]) =>
      new Counter<T>({ name: `brinkmap_${name}`, help, labelNames, registers });
    this.frames = counter("frames", "Depth frames processed by the head", ["sensor"]);
    this.missed = counter("frames_missed", "Depth frames that never arrived, by gaps in their numbers", [
      "sensor",
    ]);
    this.skipped = counter("frames_skipped", "Depth frames that were left out", ["sensor", "why"]);
    this.events = counter("events", "Events received, except depth frames", ["kind"]);
    this.refused = counter("messages_refused", "Refused messages of clients", ["code"]);
    this.saves = counter("map_saves", "Saves of the map", ["result"]);
    const histogram = (name: string, help: string) =>
      new Histogram({ name: `brinkmap_${name}`, help, buckets: BUCKETS, registers });
    this.age = histogram("reach_age_seconds", "Time from a frame's capture until its reach is sent");
    this.cost = histogram("frame_cost_seconds", "Time of the sensing thread per frame");
    this.#gauges = Object.entries(reads).map(([name, [help, read]]) => ({
      gauge: new Gauge({ name: `brinkmap_${name}`, help, registers }),
      read,
    }));
  }

  get type(): string {
    return this.#registry.contentType;
  }

  text(): Promise<string> {
    for (const { gauge, read } of this.#gauges) gauge.set(read());
    return this.#registry.metrics();
  }
}
