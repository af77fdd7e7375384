import { Counter, Gauge, Histogram, Registry } from "prom-client";

/** Seconds; ages and costs of a frame. */
const BUCKETS = [0.001, 0.002, 0.004, 0.008, 0.012, 0.02, 0.033, 0.06, 0.1, 0.25, 1];

/** What a monitoring system reads. OpenMetrics 1.0 text, by prom-client. */
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

  /** @param reads gauges by name: what they are, and where they are read from */
  constructor(reads: Readonly<Record<string, readonly [help: string, read: () => number]>>) {
    this.#registry.setContentType(Registry.OPENMETRICS_CONTENT_TYPE as never);
    const registers = [this.#registry];
    const counter = <T extends string>(name: string, help: string, labelNames: T[]) =>
      new Counter<T>({ name: `brinkmap_${name}`, help, labelNames, registers });
    this.frames = counter("frames", "Depth frames that went through the head", ["sensor"]);
    this.missed = counter("frames_missed", "Depth frames that never arrived, by their numbers", ["sensor"]);
    this.skipped = counter("frames_skipped", "Depth frames that were left out", ["sensor", "why"]);
    this.events = counter("events", "Events taken in, depth frames aside", ["kind"]);
    this.refused = counter("messages_refused", "Messages of clients that could not be taken", ["code"]);
    this.saves = counter("map_saves", "Saves of the map", ["result"]);
    const histogram = (name: string, help: string) =>
      new Histogram({ name: `brinkmap_${name}`, help, buckets: BUCKETS, registers });
    this.age = histogram("reach_age_seconds", "From a frame's capture to its reach being sent");
    this.cost = histogram("frame_cost_seconds", "What a frame takes the sensing thread");
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
