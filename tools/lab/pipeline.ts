import { setFlagsFromString } from "node:v8";
import { runInNewContext } from "node:vm";
import type { Pose } from "../../src/geometry/optics.ts";
import { toMatrix } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings, type Settings } from "../../src/head/settings.ts";
import { evidenceTable } from "../../src/map/evidence.ts";
import { FloorLayer } from "../../src/map/floor.ts";
import { BlockGrid } from "../../src/map/grid.ts";
import { Integrator } from "../../src/map/integrate.ts";
import { BodyLayers } from "../../src/map/layers.ts";
import { openRecording } from "../../src/record/file.ts";
import type { DepthEvent, HeadEvent, Setup } from "../../src/sense/events.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { Straightener } from "../../src/sense/straighten.ts";
import { oneExpected, wholeOption } from "../frame/values.ts";
import { settingsOf } from "../replay/run.ts";
import { programOf } from "./program.ts";

const RUNS = 7;
const LONG = 10_000;

interface Frame {
  readonly depth: DepthEvent;
  /** Everything that came since the frame before, without it. */
  readonly before: readonly HeadEvent[];
}

export const main = programOf({
  name: "pipeline",
  usage: "[options] <recording>",
  about:
    "Cost of a frame by stage, and heap growth over 10,000 frames. Uses the first frames of the recording's first sensor, a camera, with reference poses.",
  options: {
    frames: {
      type: "string",
      short: "n",
      value: "<n>",
      default: "200",
      help: "number of frames (default 200)",
    },
  },
  exits: { 3: "recording missing or unreadable" },
  run: ({ values, positionals }) =>
    measure(oneExpected(positionals, "one recording"), wholeOption(values, "frames", 1)),
});

async function measure(path: string, count: number): Promise<number> {
  const recording = await openRecording(path);
  const { setup } = recording.header;
  const settings = resolveSettings(settingsOf(recording.header));
  const frames: Frame[] = [];
  let before: HeadEvent[] = [];
  for (const event of recording.events()) {
    if (event.kind !== "depth") before.push(event);
    else if (event.sensor === 0) {
      const depth = { ...event, counts: event.counts.slice(), amplitude: event.amplitude?.slice() ?? null };
      frames.push({ depth, before });
      before = [];
    }
    if (frames.length === count) break;
  }
  recording.close();

  const stages = measureStages(setup, settings, frames);
  const integration = stages.get("integration")!;
  console.log(`${frames.length} frames, ${RUNS} runs; per frame the fastest run, then over frames, ms`);
  for (const [name, times] of stages) {
    const sorted = times.slice().sort();
    const median = sorted[sorted.length >> 1]!;
    const ratio = median / integration.slice().sort()[integration.length >> 1]!;
    const p99 = sorted[Math.floor(sorted.length * 0.99)]!;
    const mean = sorted.reduce((sum, time) => sum + time, 0) / sorted.length;
    const cells = [median, mean, p99].map((ms) => ms.toFixed(3).padStart(8)).join("");
    console.log(`${name.padEnd(28)} median mean p99 ${cells}   ${ratio.toFixed(2)} x integration`);
  }
  measureHeap(setup, settings, frames);
  return 0;
}

function measureStages(
  setup: Setup,
  settings: Settings,
  frames: readonly Frame[],
): Map<string, Float64Array> {
  const fresh = () => new Float64Array(frames.length).fill(Number.POSITIVE_INFINITY);
  const stages = new Map([
    ["mask", fresh()],
    ["integration", fresh()],
    ["mask to map and layers", fresh()],
    ["whole head, guard and all", fresh()],
  ]);
  const keep = (name: string, n: number, start: number) => {
    const times = stages.get(name)!;
    times[n] = Math.min(times[n]!, performance.now() - start);
  };
  for (let run = 0; run <= RUNS; run++) {
    const bench = new Bench(setup, settings);
    const head = new Head(setup, settings);
    const lean = new Lean(setup, settings);
    frames.forEach(({ depth, before }, n) => {
      for (const event of before) head.take(event);
      let start = performance.now();
      const [output] = head.take(depth).filter(({ kind }) => kind === "frame");
      if (run > 0) keep("whole head, guard and all", n, start);
      if (output?.kind !== "frame") return;
      start = performance.now();
      bench.mask(depth);
      if (run > 0) keep("mask", n, start);
      bench.place(toMatrix(output.worldFromLens));
      start = performance.now();
      bench.integrate();
      if (run > 0) keep("integration", n, start);
      start = performance.now();
      lean.take(depth, output.worldFromLens, output.worldFromBase.position[2]);
      if (run > 0) keep("mask to map and layers", n, start);
    });
  }
  return stages;
}

/** Only the stages that make the map and its layers, as in the head. */
class Lean {
  readonly #bench: Bench;
  readonly #floor: FloorLayer;
  readonly #layers: BodyLayers;
  readonly #settings: Settings;
  #since = 0;

  constructor(setup: Setup, settings: Settings) {
    this.#settings = settings;
    this.#bench = new Bench(setup, settings);
    const { grid } = this.#bench;
    const slope = (settings["floor.slope"] * Math.PI) / 180;
    this.#floor = new FloorLayer(grid.voxelSize, { band: settings["floor.band"], slope });
    const body = { height: settings["body.height"], groundClearance: settings["body.groundClearance"] };
    this.#layers = new BodyLayers(grid, this.#floor, body, settings["body.clearanceLimit"]);
  }

  take(depth: DepthEvent, worldFromLens: Pose, floorHeight: number): void {
    this.#bench.mask(depth);
    this.#bench.place(toMatrix(worldFromLens));
    this.#bench.seeFloor(this.#floor, floorHeight, this.#settings["floor.stride"]);
    this.#bench.integrate();
    if (++this.#since < this.#settings["map.layersEvery"]) return;
    this.#since = 0;
    this.#layers.update(floorHeight);
  }
}

/** Mask and integration apart, on a map of their own. */
class Bench {
  readonly grid: BlockGrid;
  readonly #mask: DepthMask;
  readonly #straight: Straightener;
  readonly #integrator: Integrator;
  readonly #rotation = new Float64Array(9);
  readonly #position = new Float64Array(3);
  #depth = new Uint16Array(0);

  constructor(setup: Setup, settings: Settings) {
    const { optics } = setup.sensors[0]!;
    if (optics.model === "scan") throw new RangeError("the first sensor is no camera");
    const maxRange = Math.min(optics.maxRange, settings["map.maxRange"]);
    this.grid = new BlockGrid(settings["map.voxelSize"]);
    this.#mask = new DepthMask({ ...optics, maxRange });
    this.#straight = new Straightener(optics);
    const every = settings["map.carveEvery"];
    const model = {
      sigma0: settings["evidence.sigma0"],
      sigma2: settings["evidence.sigma2"],
      outlierShare: settings["evidence.outlierShare"],
      independence: settings["evidence.independence"],
      framesToClear: settings["evidence.framesToClear"],
    };
    const evidence = evidenceTable(model, this.grid.voxelSize, maxRange, every);
    const view = { ...this.#straight.view, unitsPerMetre: this.#mask.unitsPerMetre, maxRange };
    this.#integrator = new Integrator(this.grid, view, evidence, every);
  }

  mask(event: DepthEvent): void {
    this.#depth = this.#mask.apply(event.counts, event.amplitude).depth as Uint16Array<ArrayBuffer>;
  }

  place(m: Float64Array): void {
    for (let row = 0; row < 3; row++) {
      for (let col = 0; col < 3; col++) this.#rotation[3 * row + col] = m[4 * col + row]!;
      this.#position[row] = m[12 + row]!;
    }
  }

  seeFloor(floor: FloorLayer, height: number, stride: number): void {
    const { rays, unitsPerMetre } = this.#mask;
    floor.addFrame({
      depth: this.#depth,
      rays,
      unitsPerMetre,
      rotation: this.#rotation,
      position: this.#position,
      floorHeight: height,
      frame: this.grid.frame + 1,
      step: stride,
      stride,
    });
  }

  integrate(): void {
    this.grid.frame++;
    this.#integrator.integrate(this.#straight.apply(this.#depth), this.#rotation, this.#position);
  }
}

/** Replays the same frames forward and backward, so that the map is in its steady state, and measures the heap. */
function measureHeap(setup: Setup, settings: Settings, frames: readonly Frame[]): void {
  setFlagsFromString("--expose-gc");
  const collect = runInNewContext("gc") as () => void;
  const heap = () => {
    collect();
    return process.memoryUsage().heapUsed;
  };
  const bench = new Bench(setup, settings);
  const poses = new Head(setup, settings);
  const matrices = frames.flatMap(({ depth, before }) => {
    for (const event of before) poses.take(event);
    const output = poses.take(depth).find(({ kind }) => kind === "frame");
    return output?.kind === "frame" ? [{ depth, matrix: toMatrix(output.worldFromLens) }] : [];
  });
  const drive = (count: number) => {
    for (let n = 0; n < count; n++) {
      const lap = n % (2 * matrices.length);
      const { depth, matrix } = matrices[lap < matrices.length ? lap : 2 * matrices.length - 1 - lap]!;
      bench.mask(depth);
      bench.place(matrix);
      bench.integrate();
    }
  };
  drive(2 * matrices.length);
  const start = heap();
  const map = bench.grid.byteSize;
  // What is allocated shows between two looks a few frames apart, unless it is swept up just then: such steps are left out.
  let dirty = 0;
  let looked = 0;
  const few = 50;
  for (let n = 0; n < LONG; n += few) {
    const before = process.memoryUsage().heapUsed;
    drive(few);
    const more = process.memoryUsage().heapUsed - before;
    if (more < 0) continue;
    dirty += more;
    looked += few;
  }
  const grown = heap() - start;
  console.log(
    `${LONG} more frames, mask and integration: ${(dirty / looked).toFixed(1)} bytes of garbage a frame, heap grown by ` +
      `${(grown / LONG).toFixed(2)} bytes a frame; map ${(map / 1000).toFixed(0)} kB before, ${(bench.grid.byteSize / 1000).toFixed(0)} kB after`,
  );
}
