import { existsSync } from "node:fs";
import { readFile } from "node:fs/promises";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { gzipSync } from "node:zlib";
import { pino } from "pino";
import type { CDPSession, Page } from "playwright-core";
import { resolveConfig } from "../../src/service/config.ts";
import { Service } from "../../src/service/service.ts";
import { readPlayed } from "../../src/service/shelf.ts";
import { startBrowser } from "../helpers/browser.ts";
import type { PageFigures } from "../helpers/page-figures.ts";

const HELP = `Usage: viewer [options] [recording]    what the page costs, in Chromium without a graphics card (default out/hall.brk)
  -m, --minutes <n>   of recording that are played through the page while its heap is watched (default 30)
  -h, --help          show this text
Make the recording with: npm run simulate -- datasets/hall-1000.json out/hall.brk
Exit codes: 0 done, 2 wrong usage, 3 recording or browser missing`;
const options = { minutes: { type: "string", short: "m" }, help: { type: "boolean", short: "h" } } as const;

const viewer = fileURLToPath(new URL("../../viewer", import.meta.url));
/** Blocks of a patch whose cost is to be known. */
const PATCH = 200;
/** Memory is looked at so many times after the start. */
const SAMPLES = 10;

const figures = (page: Page): Promise<PageFigures> =>
  page.evaluate("brinkmapFigures()") as Promise<PageFigures>;
const line = (what: string, value: string, aim = ""): void =>
  console.log(`${what.padEnd(44)} ${value.padStart(14)}  ${aim}`);

/** Until an expression holds in the page; asked through the debugger, since the page's policy runs no text as code. */
async function until(page: Page, expression: string): Promise<void> {
  for (const end = Date.now() + 120_000; Date.now() < end; ) {
    if (await page.evaluate(`Boolean(${expression})`)) return;
    await page.waitForTimeout(50);
  }
  throw new Error(`the page: ${expression} did not hold within two minutes`);
}
const standing = (page: Page): Promise<void> =>
  until(page, '/standing/.test(document.getElementById("trust-line").textContent)');

async function heapOf(session: CDPSession): Promise<number> {
  await session.send("HeapProfiler.collectGarbage");
  const { metrics } = await session.send("Performance.getMetrics");
  return metrics.find(({ name }) => name === "JSHeapUsedSize")!.value;
}

/** What the page holds while the recording goes round and round, as fast as the head and the page get through it. */
async function watchMemory(page: Page, minutes: number): Promise<void> {
  const session = await page.context().newCDPSession(page);
  await session.send("Performance.enable");
  await page.click("#repeat");
  await page.selectOption("#speed", "8");
  const place = async (): Promise<number> => Number(await page.getAttribute("#course", "aria-valuenow"));
  const heaps: number[] = [];
  const buffers: number[] = [];
  let counts = "";
  const begun = Date.now();
  let last = await place();
  for (let played = 0, samples = 0; ; ) {
    // Counted is what was played, not what was asked for: a busy machine is slower.
    const now = await place();
    played += now >= last ? now - last : now;
    last = now;
    if (played >= (samples * 60 * minutes) / SAMPLES) {
      samples++;
      heaps.push(await heapOf(session));
      const seen = await figures(page);
      buffers.push(seen.buffers);
      counts = `${seen.geometries} geometries, ${seen.textures} textures`;
    }
    if (samples > SAMPLES || minutes === 0) break;
    await page.waitForTimeout(500);
  }
  const list = (sizes: number[]): string => sizes.map((bytes) => (bytes / 1e6).toFixed(1)).join(", ");
  const most = (sizes: number[]): string => `${(Math.max(...sizes) / 1e6).toFixed(1)} MB`;
  const took = `in ${((Date.now() - begun) / 60_000).toFixed(1)} min`;
  line(`heap over ${minutes} simulated minutes`, most(heaps), `flat; ${took}: ${list(heaps)}`);
  line("graphics memory: vertex buffers", most(buffers), `flat; ${counts}; ${list(buffers)}`);
}

export async function main(args: string[]): Promise<number> {
  const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
  const [path = "out/hall.brk"] = positionals;
  const minutes = Number(values.minutes ?? 30);
  if (values.help || !(minutes >= 0)) {
    console.log(HELP);
    return values.help ? 0 : 2;
  }
  if (!existsSync(path)) {
    console.error(`viewer: ${path} is missing\n${HELP}`);
    return 3;
  }
  let size = 0;
  for (const file of ["index.html", "page.css", "main.js", "link.js"]) {
    size += gzipSync(await readFile(join(viewer, file))).length;
  }
  line("bundle, gzipped", `${(size / 1000).toFixed(0)} kB`, "at most 250");
  const service = await Service.start({
    config: resolveConfig({ listen: { port: 0 }, viewer }),
    log: pino({ level: "silent" }),
    played: await readPlayed(path),
  });
  const url = service.url.replace("ws:", "http:").replace("/live", "/");
  const browser = await startBrowser();
  const page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
  await page.goto(url);
  // To the end of the recording, where the map is whole.
  await page.waitForSelector('html[data-mode="played"]', { state: "attached" });
  await page.click("#repeat");
  await page.click("#play");
  await page.focus("#course");
  await page.keyboard.press("End");
  await page.waitForTimeout(500);
  await standing(page);
  await page.waitForTimeout(3000);
  const npy = Buffer.from(await (await fetch(`${url}map.npy`)).arrayBuffer());
  const voxels = Number(/\((\d+), 3\)/.exec(npy.subarray(0, 200).toString("latin1"))?.[1]);
  line("occupied voxels", `${voxels}`, "a map of 1,000 m2: at least 400,000");

  const times: number[] = [];
  for (let n = 0; n < 3; n++) {
    await page.reload();
    await until(page, "globalThis.brinkmapFigures && brinkmapFigures().complete !== null");
    times.push((await figures(page)).complete!);
  }
  line(
    "first whole picture after connecting",
    `${Math.min(...times).toFixed(0)} ms`,
    `at most 2000; all: ${times.map((t) => t.toFixed(0)).join(", ")}`,
  );
  await page.waitForTimeout(3000);
  const { chunks, quads, calls } = await figures(page);
  line("draw calls", `${calls}`, `at most 200; ${chunks} chunks, ${quads} rectangles`);

  // Standing still, nothing is drawn.
  const before = (await figures(page)).drawn;
  await page.waitForTimeout(5000);
  line("pictures drawn in 5 s standing still", `${(await figures(page)).drawn - before}`, "0");

  // Patches as they come while the recording is played on from its middle.
  await page.focus("#course");
  for (let n = 0; n < 3; n++) await page.keyboard.press("PageDown");
  await page.waitForTimeout(500);
  await standing(page);
  await page.waitForTimeout(2000);
  await page.evaluate("brinkmapFigures().patches.splice(0)");
  await page.keyboard.press("Space");
  await page.waitForTimeout(15_000);
  const { patches } = await figures(page);
  const cost = (list: PageFigures["patches"]) => list.map(({ ms }) => ms).sort((a, b) => a - b);
  const all = cost(patches);
  const big = cost(patches.filter(({ blocks }) => blocks >= PATCH));
  line(
    "patches: median on the main thread",
    `${(all[all.length >> 1] ?? 0).toFixed(2)} ms`,
    `${all.length} of them`,
  );
  line(
    `patches of ${PATCH} blocks or more: worst`,
    big.length === 0 ? "none" : `${big.at(-1)!.toFixed(2)} ms`,
    `at most 8; ${big.length} of them, median ${(big[big.length >> 1] ?? 0).toFixed(2)}`,
  );

  await watchMemory(page, minutes);
  await browser.close();
  await service.stop();
  return 0;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
