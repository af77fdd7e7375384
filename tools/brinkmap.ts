#!/usr/bin/env node
import { mainOfFamily, runIfStarted } from "./frame/command.ts";

export const main = mainOfFamily({
  name: "brinkmap",
  noun: "command",
  usage: "brinkmap <command> [options]",
  members: {
    start: ["the demo with its page", () => import("./start.ts")],
    demo: ["the demo without a page: figures and pictures", () => import("./demo.ts")],
    serve: ["the head, live, on a socket", () => import("./serve.ts")],
    mount: ["how the head sits on its base, from a short drive", () => import("./mount.ts")],
    inspect: ["what is in a recording; repairs it", () => import("./inspect.ts")],
    replay: ["a recording through the head, as fast as it goes", () => import("./replay.ts")],
    export: ["voxels, layers and trajectory for other software", () => import("./export.ts")],
    import: ["open data sets into recordings", () => import("./import.ts")],
    simulate: ["a scenario into a recording with truth", () => import("./simulate.ts")],
    tune: ["settings tried on recordings", () => import("./tune.ts")],
    lend: ["this machine's cores for a tune elsewhere", () => import("./lend.ts")],
    compare: ["two settings on the same recordings", () => import("./compare.ts")],
  },
  notes: `brinkmap <command> --help lists its options; brinkmap --version shows the version.
This is not a safety device: keep an independent hardware stop.`,
});

await runIfStarted(import.meta.url, main);
