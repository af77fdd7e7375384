import { readFileSync } from "node:fs";
import { performance } from "node:perf_hooks";
import type { Optics } from "../../src/geometry/optics.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { binnedOptics, binningFactor, ImageBinning } from "../../src/sense/binning.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";

/** Frames that are rendered; rounds repeat them. */
const FRAMES = 40;
/** Frames at the start of a round that are not counted: the map is empty then, and code is not compiled yet. */
const WARM_UP = 10;

/** Milliseconds of one frame, by stage. */
export interface FrameCost {
  /** From the camera's image to the one that the head works on. */
  readonly binning: number;
  /** From the image to its reach and pace: mask, glance, pose, guard. What a base waits for. */
  readonly reach: number;
  /** Floor, map and layers, after the reach. */
  readonly map: number;
}

export interface Measured {
  /** In the order in which they were taken, over all rounds. */
  readonly costs: readonly FrameCost[];
  readonly camera: Optics;
  readonly worked: Optics;
  /** Processor time of this program over the time that passed: below 1, other programs had the processor. */
  readonly held: number;
}

export interface Plan {
  /** A camera. */
  readonly optics: Exclude<Optics, { model: "scan" }>;
  readonly mostPixels: number;
  /** Frames a second. */
  readonly rate: number;
  /** Of the head, as in the settings file. */
  readonly settings: Readonly<Record<string, unknown>>;
  readonly seconds: number;
  /** Path of the scenario whose room is seen. */
  readonly scenario: string;
}

/** Runs heads over simulated frames of this camera for some seconds, without a pause: the board gets as warm as it can. */
export function measureFrames(plan: Plan, onProgress: (share: number) => void): Measured {
  const { optics, mostPixels, seconds } = plan;
  const factor = binningFactor(optics, mostPixels);
  const worked = binnedOptics(optics, factor);
  const { setup, events } = render(plan, worked);
  const binning = factor === 1 ? null : new Binning(optics, factor);
  const settings = resolveSettings(plan.settings);
  const costs: FrameCost[] = [];
  const start = performance.now();
  const spent = process.cpuUsage();
  let share = 0;
  while (share < 1) {
    let answered = 0;
    const head = new Head(setup, settings, {
      onReach: () => {
        answered = performance.now();
      },
    });
    let n = 0;
    for (const event of events) {
      if (event.kind !== "depth") {
        head.take(event);
        continue;
      }
      const begin = performance.now();
      binning?.run();
      const from = performance.now();
      answered = 0;
      head.take(event);
      const end = performance.now();
      const reach = (answered === 0 ? end : answered) - from;
      if (n++ >= WARM_UP) costs.push({ binning: from - begin, reach, map: end - from - reach });
      share = (end - start) / (1000 * seconds);
      if (share >= 1 && costs.length > 0) break;
    }
    onProgress(Math.min(1, share));
  }
  const { user, system } = process.cpuUsage(spent);
  const held = Math.min(1, (user + system) / 1000 / (performance.now() - start));
  return { costs, camera: optics, worked, held };
}

/** Events of a short drive with a camera of the worked size. */
function render({ scenario, rate }: Plan, worked: Optics): { setup: Head["setup"]; events: HeadEvent[] } {
  const json = JSON.parse(readFileSync(scenario, "utf8"));
  const { width, height, fx, fy } = worked as Plan["optics"];
  const view = (size: number, focal: number) => (Math.atan(size / 2 / focal) * 360) / Math.PI;
  const [sensor] = json.sensors;
  sensor.optics = { ...sensor.optics, width, height, fieldOfView: [view(width, fx), view(height, fy)] };
  sensor.rate = rate;
  const loaded = loadScenario({ ...json, sensors: [sensor] });
  const events: HeadEvent[] = [];
  let frames = 0;
  for (const event of simulateEvents(loaded)) {
    // The simulator uses its images again.
    if (event.kind === "depth") {
      const { counts, amplitude } = event;
      events.push({ ...event, counts: counts.slice(), amplitude: amplitude?.slice() ?? null });
      if (++frames === FRAMES) break;
    } else events.push(event);
  }
  return { setup: loaded.setup, events };
}

/** Binning of a full-sized image with steps of depth, some of them inside squares. */
class Binning {
  readonly #image: ImageBinning;
  readonly #counts: Uint16Array;
  readonly #out: Uint16Array;

  constructor(optics: Plan["optics"], factor: number) {
    this.#image = new ImageBinning(optics, factor);
    const { width, height } = optics;
    this.#counts = Uint16Array.from(
      { length: width * height },
      (_, i) => 1000 + 400 * (((i % width) >> 4) % 3),
    );
    this.#out = new Uint16Array(this.#image.binned.width * this.#image.binned.height);
  }

  run(): void {
    this.#image.apply(this.#out, this.#counts, null, null);
  }
}
