#!/usr/bin/env node
import { realpathSync } from "node:fs";
import { fileURLToPath } from "node:url";

type Tool = () => Promise<{ main(args: string[]): Promise<number> }>;

/** What the installed package offers as one command; in the repository, `npm run` does the same. */
const TOOLS: Readonly<Record<string, readonly [help: string, load: Tool]>> = {
  start: ["the demo with its page", () => import("./start.ts")],
  serve: ["the head, live, on a socket", () => import("./serve.ts")],
  mount: ["how the head sits on its base, from a short drive", () => import("./mount.ts")],
  inspect: ["what is in a recording; repairs it", () => import("./inspect.ts")],
  replay: ["a recording through the head, as fast as it goes", () => import("./replay.ts")],
  export: ["voxels, layers and trajectory for other software", () => import("./export.ts")],
  import: ["open data sets into recordings", () => import("./import.ts")],
  simulate: ["a scenario into a recording with truth", () => import("./simulate.ts")],
  tune: ["settings tried on recordings", () => import("./tune.ts")],
  lend: ["this machine's cores to a tune elsewhere", () => import("./lend.ts")],
  compare: ["two settings on the same recordings", () => import("./compare.ts")],
};

const HELP = `Usage: brinkmap <tool> [options]
${Object.entries(TOOLS)
  .map(([name, [help]]) => `  ${name.padEnd(10)}${help}`)
  .join("\n")}
brinkmap <tool> --help tells the rest.
This is not a safety device: keep an independent hardware stop.`;

export async function main([name, ...args]: string[]): Promise<number> {
  if (name === undefined || name === "-h" || name === "--help") {
    console.log(HELP);
    return name === undefined ? 2 : 0;
  }
  const tool = Object.hasOwn(TOOLS, name) ? TOOLS[name] : undefined;
  if (tool === undefined) {
    console.error(`brinkmap: there is no tool "${name}"; there is ${Object.keys(TOOLS).join(", ")}`);
    return 2;
  }
  return (await tool[1]()).main(args);
}

// Installed, it is started by a link.
if (process.argv[1] !== undefined && realpathSync(process.argv[1]) === fileURLToPath(import.meta.url)) {
  process.exitCode = await main(process.argv.slice(2));
}
