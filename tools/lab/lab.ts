import { mainOfFamily, runIfStarted } from "../frame/command.ts";

/** Scores, benches and makers of pictures: for developers, not in the package. */
export const main = mainOfFamily({
  name: "lab",
  noun: "program",
  usage: "npm run lab -- <program> [options]",
  members: {
    "score-floor": [
      "does a base that obeys the pace ever fall, or stop for nothing?",
      () => import("./score-floor.ts"),
    ],
    obey: [
      "does a base that obeys ever fall, with any legal settings, in generated homes?",
      () => import("./obey.ts"),
    ],
    "score-mount": ["errors and doubts of `mount` on simulated drives", () => import("./score-mount.ts")],
    "score-poses": ["how well poses are found, over sets with known poses", () => import("./score-poses.ts")],
    trouble: [
      "are poses right when sensors lie, see little, or somebody moves the head?",
      () => import("./trouble.ts"),
    ],
    "score-ranking": [
      "do settings rank by held-out frames as by the true geometry?",
      () => import("./score-ranking.ts"),
    ],
    "score-recovery": [
      "does tuning mend settings that were broken on purpose?",
      () => import("./score-recovery.ts"),
    ],
    integration: ["cost of mapping a frame, beside textbook methods", () => import("./integration.ts")],
    guard: ["cost of the guard's parts, beside the depth mask", () => import("./guard.ts")],
    tracking: ["cost of tracking a frame, part by part", () => import("./tracking.ts")],
    pipeline: ["cost of a frame, stage by stage, and growth of the heap", () => import("./pipeline.ts")],
    growth: ["cost of a frame and size of the map as the map grows", () => import("./growth.ts")],
    mask: ["cost of the depth mask", () => import("./mask.ts")],
    clearance: ["cost of the clearance field, drawn and recomputed", () => import("./clearance.ts")],
    simulate: ["cost of a simulated ray and frame", () => import("./simulate.ts")],
    homes: ["writes generated homes as scenarios and pictures", () => import("./homes.ts")],
    arm64: ["the same bytes on an emulated arm64 machine?", () => import("./arm64.ts")],
    record: ["speed and size of the recording format", () => import("./record.ts")],
    service: ["age at the base, stalls, memory and bytes of a served head", () => import("./service.ts")],
    viewer: ["cost of the page with a large map, in Chromium", () => import("./viewer.ts")],
    pictures: ["makes the map pictures of docs/pictures", () => import("./pictures.ts")],
    "page-pictures": ["makes the pictures of the page, in Chromium", () => import("./page-pictures.ts")],
  },
  notes: "npm run lab -- <program> --help lists its options.",
});

await runIfStarted(import.meta.url, main);
