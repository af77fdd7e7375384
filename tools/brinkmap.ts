#!/usr/bin/env node
import { mainOfFamily, runIfStarted } from "./frame/command.ts";

export const main = mainOfFamily({
  name: "brinkmap",
  noun: "command",
  usage: "brinkmap <command> [options]",
  members: {
    start: ["the demo with its page", () => import("./start.ts")],
    demo: ["the demo without a page: figures and pictures", () => import("./demo.ts")],
    serve: ["the live head as a network service, with its page", () => import("./serve.ts")],
    setup: ["sets up a head on a board, step by step", () => import("./setup.ts")],
    mount: ["calibration of the head's mount from a short drive", () => import("./mount.ts")],
    measure: ["this board's speed with its camera, and what to set", () => import("./measure.ts")],
    inspect: ["content and damage of a recording; repairs it", () => import("./inspect.ts")],
    replay: ["feeds a recording through the head, at full speed", () => import("./replay.ts")],
    export: ["voxels, layers and trajectory for other software", () => import("./export.ts")],
    import: ["converts open data sets into recordings", () => import("./import.ts")],
    simulate: ["renders a scenario into a recording with ground truth", () => import("./simulate.ts")],
    tune: ["compares many settings on recordings", () => import("./tune.ts")],
    lend: ["works for a tune on another machine", () => import("./lend.ts")],
    compare: ["compares two settings on the same recordings", () => import("./compare.ts")],
  },
  notes: `brinkmap <command> --help lists its options; brinkmap --version shows the version.
This is not a safety device: keep an independent hardware stop.`,
});

await runIfStarted(import.meta.url, main);
