/**
 * The simulator: a scenario, one JSON object (docs/simulator.md), becomes the events that a head takes in, with the true
 * poses among them. The same scenario and seed give the same events.
 *
 * ```ts
 * import { loadScenario, simulateEvents } from "brinkmap/simulate";
 *
 * const scenario = loadScenario(JSON.parse(text), { exact: true });
 * for (const event of simulateEvents(scenario)) head.take(event);
 * ```
 *
 * @module simulate
 */
export { Drive, DriveError } from "./drive.ts";
export { simulateEvents } from "./events.ts";
export { ScenarioError } from "./fields.ts";
export { type Edge, generateHome, type Home, ReachableGround, type Rect, type Start } from "./home.ts";
export { Random } from "./random.ts";
export { type RecordScenarioOptions, recordScenario } from "./record.ts";
export { renderDepth, renderRanges, type SensorNoise, type SunPatch } from "./render.ts";
export {
  type Bumper,
  type FloorSensors,
  loadScenario,
  type Scenario,
  type SensorPlan,
} from "./scenario.ts";
export { Scene } from "./scene.ts";
export type { Block, Material, Mover, Round, Solid } from "./solids.ts";
