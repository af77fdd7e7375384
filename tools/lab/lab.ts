import { mainOfFamily, runIfStarted } from "../frame/command.ts";

/** Scores, benches and makers of pictures: for developers, not in the package. */
export const main = mainOfFamily({
  name: "lab",
  noun: "program",
  usage: "npm run lab -- <program> [options]",
  members: {
    "score-floor": ["misses and false stops of a base that obeys the pace", () => import("./score-floor.ts")],
    obey: [
      "falls of a base that obeys, with random legal settings, in generated homes",
      () => import("./obey.ts"),
    ],
    "score-homes": [
      "pose errors, falls and standstills of a base in generated homes, in closed loop",
      () => import("./score-homes.ts"),
    ],
    explore: [
      "how much of generated homes a base maps by itself, in closed loop",
      () => import("./explore.ts"),
    ],
    "score-mount": [
      "errors and uncertainties of `mount` on simulated drives",
      () => import("./score-mount.ts"),
    ],
    "score-poses": ["pose errors over sets with known poses", () => import("./score-poses.ts")],
    trouble: [
      "pose errors with wrong or missing sensor data, or a head that is moved by hand",
      () => import("./trouble.ts"),
    ],
    "score-return": [
      "whether a head that starts again finds its place in the map of the run before",
      () => import("./score-return.ts"),
    ],
    "score-ranking": [
      "whether held-out scores rank settings as the true geometry does",
      () => import("./score-ranking.ts"),
    ],
    "score-recovery": [
      "whether tuning repairs settings that were set wrong on purpose",
      () => import("./score-recovery.ts"),
    ],
    "build-drawings": ["the drawings of docs/build-a-head.md", () => import("./build-drawings.ts")],
    integration: ["cost of mapping a frame, beside textbook methods", () => import("./integration.ts")],
    guard: ["cost of the guard's parts, beside the depth mask", () => import("./guard.ts")],
    tracking: ["cost of tracking a frame, part by part", () => import("./tracking.ts")],
    pipeline: ["cost of a frame, stage by stage, and growth of the heap", () => import("./pipeline.ts")],
    growth: ["cost of a frame and size of the map as the map grows", () => import("./growth.ts")],
    mask: ["cost of the depth mask", () => import("./mask.ts")],
    clearance: ["cost of the distance field, incremental and recomputed", () => import("./clearance.ts")],
    way: ["cost of finding a way over large floors", () => import("./way.ts")],
    simulate: ["cost of a simulated ray and frame", () => import("./simulate.ts")],
    homes: ["writes generated homes as scenarios and pictures", () => import("./homes.ts")],
    arm64: ["compares output bytes with an emulated arm64 machine", () => import("./arm64.ts")],
    layouts: ["writes the C header and the tables of the serial frames", () => import("./layouts.ts")],
    record: ["speed and size of the recording format", () => import("./record.ts")],
    service: ["age at the base, stalls, memory and bytes of a served head", () => import("./service.ts")],
    serial: ["the serial line to a motor board, under noise, cuts and floods", () => import("./serial.ts")],
    viewer: ["cost of the page with a large map, in Chromium", () => import("./viewer.ts")],
    pictures: ["makes the map pictures of docs/pictures", () => import("./pictures.ts")],
    "page-pictures": ["makes the pictures of the page, in Chromium", () => import("./page-pictures.ts")],
    "page-states": [
      "accessibility, width and a picture of each state of the page",
      () => import("./page-states.ts"),
    ],
  },
  notes: "npm run lab -- <program> --help lists its options.",
});

await runIfStarted(import.meta.url, main);
