import { readFileSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { lensPose } from "../../src/simulate/attitude.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { renderRanges } from "../../src/simulate/render.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { programOf } from "./program.ts";

/** Fastest of `runs`, microseconds of processor time per item; `work` returns how many items it did. */
function fastest(runs: number, work: () => number): number {
  let best = Number.POSITIVE_INFINITY;
  for (let run = 0; run < runs; run++) {
    const before = process.cpuUsage();
    const items = work();
    const { user, system } = process.cpuUsage(before);
    best = Math.min(best, (user + system) / items);
  }
  return best;
}

/** From dist/tools/lab, where this runs. */
const STUDIO = fileURLToPath(new URL("../../../datasets/pottery-studio.json", import.meta.url));

export const main = programOf({
  name: "simulate",
  usage: "[scenario.json]",
  about: "Speed of the simulator, processor time of one core (default: the pottery studio).",
  options: {},
  exits: { 3: "scenario missing or unfit" },
  run: ({ positionals: [path = STUDIO] }) => measure(path),
});

function measure(path: string): number {
  const json = JSON.parse(readFileSync(path, "utf8"));
  const scenario = loadScenario(json);
  const { scene, setup, drive, lap } = scenario;
  const { optics } = setup.sensors[0]!;
  const ranges = new Float64Array(optics.width * optics.height);
  const perRay = fastest(5, () => {
    let rays = 0;
    for (let time = 0; time < lap; time += 1) {
      const worldFromLens = lensPose(setup, 0, drive.poseAt(time));
      renderRanges(scene, optics, { worldFromLens, time }, ranges);
      rays += ranges.length;
    }
    return rays;
  });
  console.log(`${scene.solids.length} solids, ${optics.width}x${optics.height}`);
  console.log(`exact ray                      ${perRay.toFixed(3)} us`);
  const perPixel = fastest(1, () => {
    let pixels = 0;
    for (const event of simulateEvents(scenario)) {
      if (event.kind === "depth") pixels += event.counts.length;
    }
    return pixels;
  });
  const total = (perPixel * ranges.length * lap * scenario.sensors[0]!.rate) / 1e6;
  console.log(
    `pixel of a run, all in         ${perPixel.toFixed(3)} us; a lap of ${lap.toFixed(0)} s takes ${total.toFixed(1)} s`,
  );
  const voxel = 0.1;
  const [x0 = 0, y0 = 0, z0 = 0, x1 = 0, y1 = 0, z1 = 0] = scene.extent;
  const perVoxel = fastest(3, () => {
    let voxels = 0;
    for (let x = x0; x < x1; x += voxel) {
      for (let y = y0; y < y1; y += voxel) {
        for (let z = z0; z < z1; z += voxel) {
          scene.overlapsBox([x, y, z], [x + voxel, y + voxel, z + voxel], 0);
          voxels++;
        }
      }
    }
    return voxels;
  });
  console.log(`voxel asked whether it is solid ${perVoxel.toFixed(3)} us`);
  return 0;
}
