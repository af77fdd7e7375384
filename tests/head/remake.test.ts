import { expect, test } from "vitest";
import type { Pose } from "../../src/geometry/optics.ts";
import { angleBetween, compose, fromYawPitchRoll } from "../../src/geometry/rigid.ts";
import { type MapParts, MapRemake } from "../../src/head/remake.ts";
import { evidenceTable } from "../../src/map/evidence.ts";
import { FloorLayer } from "../../src/map/floor.ts";
import { BlockGrid, TOP, UNKNOWN } from "../../src/map/grid.ts";
import { Integrator } from "../../src/map/integrate.ts";
import { WallHits } from "../../src/map/wall-hits.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { Straightener } from "../../src/sense/straighten.ts";
import { KeyframeStore } from "../../src/track/keyframes.ts";
import { placement, setPlacement } from "../../src/track/placement.ts";
import { KEYFRAME_STEP, KEYFRAME_TURN } from "../../src/track/revisits.ts";
import { emptySamples } from "../../src/track/samples.ts";
import { scoreOf } from "../helpers/grids.ts";
import { furnishedRoom } from "../helpers/pose-sets.ts";

const EVERY = 2;
const room = furnishedRoom(1, 5);
const mask = new DepthMask(room.optics);
const model = { sigma0: 0.01, sigma2: 0.0015, outlierShare: 0.02, independence: 0.7, framesToClear: 14 };
const evidence = evidenceTable(model, 0.05, 6, EVERY);
const straight = new Straightener(room.optics);
const { unitsPerMetre } = mask;

const emptyPlace = (): MapParts => ({
  grid: new BlockGrid(0.05),
  floor: new FloorLayer(0.05, { band: 0.35, slope: 0.26 }),
  walls: new WallHits(0.6),
});

/** Integrators are made once a grid. */
function writer() {
  const made = new Map<BlockGrid, Integrator>();
  const at = placement();
  return (depth: Uint16Array, pose: Pose, { grid, floor }: MapParts) => {
    const view = { ...straight.view, unitsPerMetre, maxRange: 6 };
    const integrator = made.get(grid) ?? new Integrator(grid, view, evidence, EVERY);
    made.set(grid, integrator);
    setPlacement(at, pose);
    grid.frame++;
    floor.addFrame({
      ...at,
      depth,
      rays: mask.rays,
      unitsPerMetre,
      floorHeight: 0,
      frame: grid.frame,
      step: 4,
      stride: 4,
    });
    integrator.integrate(straight.apply(depth), at.rotation, at.position);
  };
}

function remade() {
  const write = writer();
  const exact = emptyPlace();
  const bent = emptyPlace();
  const store = new KeyframeStore(1e9);
  const truth: Pose[] = [];
  let last: Pose | null = null;
  for (const [n, { counts, time, worldFromLens }] of room.frames.entries()) {
    const { depth } = mask.apply(counts, null);
    // A heading that drifts away by 6 degrees over the way.
    const drift: Pose = {
      rotation: fromYawPitchRoll((0.1 * n) / room.frames.length, 0, 0),
      position: [0, 0, 0],
    };
    const pose = compose(drift, worldFromLens);
    write(depth, worldFromLens, exact);
    write(depth, pose, bent);
    const isFar =
      last === null ||
      Math.hypot(...last.position.map((v, i) => v - worldFromLens.position[i]!)) > KEYFRAME_STEP ||
      angleBetween(last.rotation, worldFromLens.rotation) > KEYFRAME_TURN;
    if (!isFar) continue;
    last = worldFromLens;
    truth.push(worldFromLens);
    store.add({
      time,
      sensor: 0,
      worldFromLens: pose,
      floorHeight: 0,
      way: n,
      doubt: { drifted: 0, built: 0 },
      sigma: 0.01,
      yawSigma: 0.01,
      depth,
      unitsPerMetre,
      samples: emptySamples(1),
    });
  }
  const before = scoreOf(bent.grid, exact.grid);
  const revision = bent.grid.frame;
  store.frames.forEach((frame, n) => {
    frame.worldFromLens = truth[n]!;
  });
  const work: number[] = [];
  const remake = new MapRemake(store.read(), { ...bent, hasOlderParts: false }, (depth, keyframe, into) => {
    work[work.length - 1]!++;
    write(depth, keyframe.worldFromLens, into);
  });
  let isDone = false;
  for (let n = 0; !isDone && n < 1000; n++) {
    work.push(0);
    isDone = remake.step();
  }
  return { exact, bent, before, revision, work, isDone, frames: store.frames.length };
}

test("a map bent by drift is rebuilt from keyframes, step by step, and is then nearly that of exact poses", () => {
  const { exact, bent, before, revision, work, isDone, frames } = remade();
  expect(isDone).toBe(true);
  // A step writes one keyframe, or compares blocks.
  expect(Math.max(...work)).toBeLessThanOrEqual(2);
  expect(work.length).toBeLessThan(frames + 30);
  const after = scoreOf(bent.grid, exact.grid);
  console.log(
    `score ${before.toFixed(3)} before, ${after.toFixed(3)} after; ${frames} keyframes of ${room.frames.length} frames`,
  );
  expect(before).toBeLessThan(0.9);
  expect(after).toBeGreaterThan(0.97);
  // Who follows the map by revisions sees every block that changed.
  const changed = Array.from({ length: bent.grid.count }, (_, id) => bent.grid.revision[id]!).filter(
    (r) => r > revision,
  );
  expect(changed.length).toBeGreaterThan(0.5 * bent.grid.count);
});

test("parts of the map that no keyframe shows stay when it has older parts, and go when it has none", () => {
  for (const hasOlderParts of [true, false]) {
    const place = emptyPlace();
    const { grid } = place;
    grid.setValue(0, 0, 0, TOP);
    const remake = new MapRemake({ next: () => null }, { ...place, hasOlderParts }, () => {});
    for (let n = 0; !remake.step() && n < 10; n++);
    expect(grid.valueAt(0, 0, 0)).toBe(hasOlderParts ? TOP : UNKNOWN);
  }
});

test("the same keyframes make the same map, bit for bit", () => {
  const bytes = ({ bent: { grid } }: ReturnType<typeof remade>) => {
    const voxels = new Uint8Array(512);
    return Array.from({ length: grid.count }, (_, id) => {
      grid.copyBlock(id, voxels);
      return `${grid.keys[id]} ${grid.revision[id]} ${Buffer.from(voxels).toString("hex")}`;
    }).join("\n");
  };
  expect(bytes(remade())).toBe(bytes(remade()));
});
