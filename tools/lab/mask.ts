import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
import type { Optics } from "../../src/geometry/optics.ts";
import { DEFAULT_MASK_SETTINGS, DepthMask, type MaskResult, REASON } from "../../src/sense/mask.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { programOf } from "./program.ts";

interface Mask {
  apply(counts: Uint16Array, amplitude: Uint16Array | null): MaskResult;
}
type MaskModule = { DepthMask: new (optics: Optics, settings: typeof DEFAULT_MASK_SETTINGS) => Mask };
interface Frames {
  readonly optics: Optics;
  readonly frames: { readonly counts: Uint16Array; readonly amplitude: Uint16Array | null }[];
}

const SIZE = { width: 208, height: 156 } as const;
const FRAMES_A_SECOND = 1.2; // a few dozen views of every drive are enough

function simulated(name: string, exact: boolean, withAmplitude: boolean): Frames {
  // From dist/tools/lab, where this runs.
  const json = JSON.parse(readFileSync(new URL(`../../../datasets/${name}.json`, import.meta.url), "utf8"));
  const [sensor] = json.sensors;
  Object.assign(sensor.optics, SIZE);
  sensor.rate = FRAMES_A_SECOND;
  const scenario = loadScenario(json, { exact });
  const frames: Frames["frames"] = [];
  for (const event of simulateEvents(scenario)) {
    if (event.kind !== "depth" || event.sensor !== 0) continue;
    frames.push({ counts: event.counts, amplitude: withAmplitude ? event.amplitude : null });
  }
  return { optics: scenario.setup.sensors[0]!.optics, frames };
}

/** Each frame's fastest of `runs`, milliseconds, for each of the masks, which take turns. */
function fastest(masks: readonly Mask[], frames: Frames["frames"], runs: number): Float64Array[] {
  const best = masks.map(() => new Float64Array(frames.length).fill(Number.POSITIVE_INFINITY));
  for (let run = 0; run < runs; run++) {
    masks.forEach((mask, m) => {
      frames.forEach(({ counts, amplitude }, n) => {
        const before = performance.now();
        mask.apply(counts, amplitude);
        best[m]![n] = Math.min(best[m]![n]!, performance.now() - before);
      });
    });
  }
  return best;
}

const quantile = (values: Float64Array, share: number): number =>
  values.slice().sort()[Math.min(values.length - 1, Math.floor(share * values.length))]!;

/** Pixels on which the two do not agree, of all frames. */
function differences(one: Mask, other: Mask, frames: Frames["frames"]): number {
  let count = 0;
  for (const { counts, amplitude } of frames) {
    const { reason, depth } = one.apply(counts, amplitude);
    const theirs = other.apply(counts, amplitude);
    reason.forEach((why, i) => {
      if (why !== theirs.reason[i] || depth[i] !== theirs.depth[i]) count++;
    });
  }
  return count;
}

export const main = programOf({
  name: "mask",
  usage: "[options]",
  about: "Speed of the depth mask on simulated frames of 208 x 156, milliseconds.",
  options: {
    against: {
      type: "string",
      short: "a",
      value: "<mask.js>",
      help: "another build of the mask, to time on the same frames and compare",
    },
    runs: {
      type: "string",
      short: "r",
      value: "<n>",
      default: "15",
      help: "passes; each frame's fastest counts (default 15)",
    },
  },
  notes:
    "Bind it to one core (taskset -c 1) and compare figures of one run only: a busy machine moves them all.",
  exits: { 1: "the builds' verdicts differ, or an internal error" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    return measure(values.against ?? null, wholeOption(values, "runs", 1));
  },
});

async function measure(against: string | null, runs: number): Promise<number> {
  const builds: MaskModule[] = [{ DepthMask }];
  if (against !== null) builds.push((await import(pathToFileURL(against).href)) as MaskModule);
  let differing = 0;
  const sets = [
    ["yard room, exact z", simulated("yard-room", true, false)],
    ["yard room, noisy z", simulated("yard-room", false, false)],
    ["yard room, z and amplitude", simulated("yard-room", false, true)],
    ["studio, range and amplitude", simulated("pottery-studio", false, true)],
  ] as const;
  for (const [name, { optics, frames }] of sets) {
    const settings = { ...DEFAULT_MASK_SETTINGS, minAmplitude: 20 };
    const masks = builds.map((build) => new build.DepthMask(optics, settings));
    const best = fastest(masks, frames, runs);
    const ok = frames.reduce((sum, f) => sum + masks[0]!.apply(f.counts, f.amplitude).tally[REASON.ok]!, 0);
    const share = ok / (frames.length * SIZE.width * SIZE.height);
    let line = `${name.padEnd(28)} ${frames.length} frames, ${(100 * share).toFixed(0)} % usable:`;
    for (const times of best) {
      line += `  median ${quantile(times, 0.5).toFixed(3)}, p99 ${quantile(times, 0.99).toFixed(3)}`;
    }
    if (masks[1]) {
      const difference = differences(masks[0]!, masks[1], frames);
      differing += difference;
      line += `  ${(quantile(best[0]!, 0.5) / quantile(best[1]!, 0.5)).toFixed(2)} of its time, ${difference} pixels differ`;
    }
    console.log(line);
  }
  return differing === 0 ? 0 : 1;
}
