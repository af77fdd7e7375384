import { execFileSync } from "node:child_process";
import { readdirSync, readFileSync } from "node:fs";
import { readFile } from "node:fs/promises";
import { cpus, loadavg } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { gzipSync } from "node:zlib";
import { pino } from "pino";
import type { CDPSession, Page } from "playwright-core";
import { resolveConfig } from "../../src/service/config.ts";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import { Service } from "../../src/service/service.ts";
import { startBrowser } from "../../tests/helpers/browser.ts";
import type { PageFigures, PatchFigures } from "../../tests/helpers/page-figures.ts";
import { UsageError } from "../frame/errors.ts";
import { numberOf } from "../frame/values.ts";
import { programOf } from "./program.ts";

const viewer = fileURLToPath(new URL("../../viewer", import.meta.url));
/** Least blocks of a patch that counts as large. */
const PATCH = 200;
/** The bench waits for this many large patches, at most this long, milliseconds. */
const ENOUGH = 40;
const PATCHES_WITHIN = 240_000;
/** Samples of the memory after the first. */
const SAMPLES = 10;
/** Requests to the page before its silence is a failure, and the time for each, milliseconds. */
const ATTEMPTS = 5;
const PATIENCE = 120_000;

const figures = (page: Page): Promise<PageFigures> =>
  page.evaluate("brinkmapFigures()") as Promise<PageFigures>;
const line = (what: string, value: string, aim = ""): void =>
  console.log(`${what.padEnd(44)} ${value.padStart(14)}  ${aim}`);

/** Waits until an expression holds in the page. The debugger asks, because the page's policy forbids text as code. */
async function until(page: Page, expression: string): Promise<void> {
  for (const end = Date.now() + 120_000; Date.now() < end; ) {
    if (await page.evaluate(`Boolean(${expression})`)) return;
    await page.waitForTimeout(50);
  }
  throw new Error(`the page: ${expression} did not hold within two minutes`);
}
const paused = (page: Page): Promise<void> =>
  until(page, '/paused/.test(document.getElementById("state-line").textContent)');

interface HeapUsage {
  readonly usedSize: number;
  readonly backingStorageSize?: number;
}
/** Bytes of a script: objects, and the arrays behind them. */
const heldBy = ({ usedSize, backingStorageSize = 0 }: HeapUsage): number => usedSize + backingStorageSize;

/** The page, and each worker of it, asked through the debugger. */
class Heaps {
  readonly #session: CDPSession;
  readonly #workers = new Map<string, string>();
  readonly #waiting = new Map<number, (result: unknown) => void>();
  #asked = 0;

  private constructor(session: CDPSession) {
    this.#session = session;
    session.on("Target.attachedToTarget", ({ sessionId, targetInfo }) => {
      if (targetInfo.type === "worker") this.#workers.set(sessionId, targetInfo.url);
    });
    session.on("Target.detachedFromTarget", ({ sessionId }) => this.#workers.delete(sessionId));
    session.on("Target.receivedMessageFromTarget", ({ message }) => {
      const { id, result } = JSON.parse(message) as { id?: number; result?: unknown };
      if (id === undefined) return;
      this.#waiting.get(id)?.(result);
      this.#waiting.delete(id);
    });
  }

  static async of(page: Page): Promise<Heaps> {
    const session = await page.context().newCDPSession(page);
    const heaps = new Heaps(session);
    // Not flat: messages to the workers then pass through this session.
    await session.send("Target.setAutoAttach", {
      autoAttach: true,
      waitForDebuggerOnStart: false,
      flatten: false,
    });
    return heaps;
  }

  get workers(): number {
    return this.#workers.size;
  }

  /** Bytes of the page and of all its workers together, each after a collection. */
  async held(): Promise<{ page: number; workers: number }> {
    await this.#session.send("HeapProfiler.collectGarbage");
    const page = heldBy((await this.#session.send("Runtime.getHeapUsage")) as HeapUsage);
    let workers = 0;
    for (const sessionId of this.#workers.keys()) {
      await this.#askWorker(sessionId, "HeapProfiler.collectGarbage");
      workers += heldBy((await this.#askWorker(sessionId, "Runtime.getHeapUsage")) as HeapUsage);
    }
    return { page, workers };
  }

  #askWorker(sessionId: string, method: string): Promise<unknown> {
    const id = ++this.#asked;
    return new Promise((resolve, reject) => {
      this.#waiting.set(id, resolve);
      const message = JSON.stringify({ id, method });
      this.#session.send("Target.sendMessageToTarget", { sessionId, message }).catch(reject);
    });
  }
}

/** Asks again a few times: on a busy machine an answer may be late. */
async function patiently<T>(ask: () => Promise<T>): Promise<T> {
  for (let n = 1; ; n++) {
    try {
      return await ask();
    } catch (error) {
      if (n >= ATTEMPTS) throw error;
      console.error(`viewer: asked again: ${(error as Error).message.split("\n")[0]}`);
    }
  }
}

/** Time in the recording, seconds. */
const placeOf = async (page: Page): Promise<number> =>
  Number(await page.evaluate('document.getElementById("timeline").getAttribute("aria-valuenow")'));

/** Memory of the page while the recording is played in a loop, as fast as head and page can. */
async function watchMemory(page: Page, minutes: number): Promise<void> {
  const heaps = await Heaps.of(page);
  // Memory does not depend on the size of the picture; without a graphics card, the speed does.
  await page.setViewportSize({ width: 480, height: 480 });
  await page.selectOption("#speed", "8");
  const samples: Record<"page" | "workers" | "buffers", number[]> = { page: [], workers: [], buffers: [] };
  let counts = "";
  const begun = Date.now();
  let last = await placeOf(page);
  for (let played = 0; minutes > 0 && samples.page.length <= SAMPLES; await page.waitForTimeout(500)) {
    // A busy machine plays slower than was asked for.
    const now = await patiently(() => placeOf(page));
    played += now >= last ? now - last : now;
    last = now;
    if (played < (samples.page.length * 60 * minutes) / SAMPLES) continue;
    const held = await patiently(() => heaps.held());
    const seen = await patiently(() => figures(page));
    samples.page.push(held.page);
    samples.workers.push(held.workers);
    samples.buffers.push(seen.buffers);
    console.error(`viewer: ${(played / 60).toFixed(1)} minutes were played`);
    counts = `${seen.geometries} geometries, ${seen.textures} textures`;
  }
  if (minutes === 0) return;
  const took = `${minutes} simulated minutes in ${((Date.now() - begun) / 60_000).toFixed(1)} min`;
  const report = (what: string, sizes: readonly number[], more: string): void => {
    const list = sizes.map((bytes) => (bytes / 1e6).toFixed(1)).join(", ");
    line(what, `${(Math.max(...sizes) / 1e6).toFixed(1)} MB`, `flat; ${more}: ${list}`);
  };
  report("script memory of the page: most", samples.page, took);
  report(`script memory of its workers (${heaps.workers}): most`, samples.workers, took);
  report("graphics memory, vertices and quads: most", samples.buffers, counts);
}

/** Quantile of a sorted list. */
const quantile = (sorted: readonly number[], share: number): number =>
  sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? 0;

/** Cost of patches while the recording is played from its start, until enough of them were large. */
async function measurePatches(page: Page): Promise<void> {
  const played: PatchFigures[] = [];
  await page.focus("#timeline");
  await page.keyboard.press("Home");
  await page.waitForTimeout(500);
  await paused(page);
  await page.waitForTimeout(2000);
  await page.evaluate("brinkmapFigures().patches.splice(0)");
  await page.click("#loop");
  await page.selectOption("#speed", "4");
  await page.evaluate("document.activeElement.blur()");
  await page.keyboard.press("p");
  const isEnough = (): boolean => largeOf(played).length >= ENOUGH;
  for (const end = Date.now() + PATCHES_WITHIN; Date.now() < end && !isEnough(); ) {
    await page.waitForTimeout(1000);
    played.push(...((await page.evaluate("brinkmapFigures().patches.splice(0)")) as PatchFigures[]));
  }
  const say = (what: string, list: readonly number[], aim: string): void => {
    const sorted = [...list].sort((a, b) => a - b);
    const [median, most] = [quantile(sorted, 0.5), quantile(sorted, 0.95)].map((ms) => ms.toFixed(2));
    line(
      what,
      `${(sorted.at(-1) ?? Number.NaN).toFixed(2)} ms`,
      `${aim}median ${median}, 95 % within ${most}`,
    );
  };
  const large = largeOf(played);
  const blocks = large.map((patch) => patch.blocks).sort((a, b) => a - b);
  line(
    `patches of ${PATCH} blocks or more`,
    `${large.length}`,
    `of ${played.length}; ${blocks.join(", ")} blocks`,
  );
  const times = (of: (patch: PatchFigures) => number): number[] => large.map(of);
  say(
    "  on the main thread in all: worst",
    times(({ ms }) => ms),
    "at most 8; ",
  );
  say(
    "  longest piece of one at once: worst",
    times(({ longest }) => longest),
    "",
  );
  say(
    "  picture that shows it: worst",
    times(({ picture }) => picture),
    "",
  );
  say(
    "  taken over and drawn: worst",
    times(({ ms, picture }) => ms + picture),
    "",
  );
  say(
    "all patches in all: worst",
    played.map(({ ms }) => ms),
    "",
  );
}

/** Large changes of one map: a change to another map is no patch. */
const largeOf = (patches: readonly PatchFigures[]): PatchFigures[] =>
  patches.filter(({ blocks, isOther }) => blocks >= PATCH && !isOther);

/** Milliseconds of an orbit, and between two movements of the pointer. */
const ORBIT = 6000;
const POINTER = 16;

/** Pictures a second while a person turns the whole map in three dimensions, and how soon it is sharp afterwards. */
async function measureOrbit(page: Page, where: string): Promise<void> {
  await page.keyboard.press("2");
  await page.keyboard.press("f");
  await page.waitForTimeout(3000);
  const box = (await page.locator("#map").boundingBox())!;
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  const rates: number[] = [];
  const sharp: number[] = [];
  for (let n = 0; n < 3; n++) {
    await page.mouse.move(x, y);
    await page.mouse.down();
    const begun = performance.now();
    const before = (await figures(page)).drawn;
    for (let k = 0; performance.now() - begun < ORBIT; k++) {
      await page.mouse.move(x + 120 * Math.sin(k / 20), y + 40 * Math.cos(k / 20));
      await page.waitForTimeout(POINTER);
    }
    rates.push(((await figures(page)).drawn - before) / ((performance.now() - begun) / 1000));
    await page.mouse.up();
    await until(page, "brinkmapFigures().sharpAfter !== null");
    sharp.push((await figures(page)).sharpAfter!);
  }
  const all = (list: readonly number[], digits: number) => list.map((v) => v.toFixed(digits)).join(", ");
  const median = (list: readonly number[]) =>
    quantile(
      [...list].sort((a, b) => a - b),
      0.5,
    );
  line("orbit: pictures a second", median(rates).toFixed(1), `at least 10 ${where}; all: ${all(rates, 1)}`);
  line(
    "sharp after it",
    `${median(sharp).toFixed(0)} ms`,
    `at most 100 with a graphics card; all: ${all(sharp, 0)}`,
  );
}

/** Keeps the browser on one core: its processes are those of this one that are named so. */
function pinBrowser(): void {
  const parents = new Map<number, number>();
  const named: number[] = [];
  for (const pid of readdirSync("/proc").map(Number).filter(Boolean)) {
    try {
      const [, name, rest] = /\((.*)\) (.*)/.exec(readFileSync(`/proc/${pid}/stat`, "utf8"))!;
      parents.set(pid, Number(rest!.split(" ")[1]));
      if (/chrom/.test(name!)) named.push(pid);
    } catch {} // the process has ended
  }
  const isOwn = (pid: number): boolean => {
    for (let at: number | undefined = pid; at !== undefined; at = parents.get(at))
      if (at === process.pid) return true;
    return false;
  };
  const core = String(cpus().length - 1);
  for (const pid of named.filter(isOwn))
    execFileSync("taskset", ["-acp", core, String(pid)], { stdio: "ignore" });
}

/** Size of what a browser loads. */
async function measureSize(): Promise<void> {
  let size = 0;
  for (const file of ["index.html", "page.css", "main.js", "worker.js"]) {
    size += gzipSync(await readFile(join(viewer, file))).length;
  }
  line("bundle, gzipped", `${(size / 1000).toFixed(0)} kB`, "at most 350");
}

/** The map's first picture, its draw calls, and pictures without a change. */
async function measurePictures(page: Page, url: string): Promise<void> {
  const npy = Buffer.from(await (await fetch(`${url}map.npy`)).arrayBuffer());
  const voxels = Number(/\((\d+), 3\)/.exec(npy.subarray(0, 200).toString("latin1"))?.[1]);
  line("occupied voxels", `${voxels}`, "a map of 1,000 m2: at least 400,000");

  const times: number[] = [];
  for (let n = 0; n < 5; n++) {
    await page.reload();
    await until(page, "globalThis.brinkmapFigures && brinkmapFigures().complete !== null");
    times.push((await figures(page)).complete!);
  }
  line(
    "first whole picture after connecting",
    `${quantile(
      [...times].sort((a, b) => a - b),
      0.5,
    ).toFixed(0)} ms`,
    `at most 2000, median; all: ${times.map((t) => t.toFixed(0)).join(", ")}`,
  );
  await page.waitForTimeout(3000);
  const { chunks, quads, calls } = await figures(page);
  line("draw calls", `${calls}`, `at most 200; ${chunks} chunks, ${quads} rectangles`);

  // Without a change nothing is drawn once the picture is sharp.
  for (let n = 0, drawn = -1; n < 20 && drawn !== (await figures(page)).drawn; n++) {
    ({ drawn } = await figures(page));
    await page.waitForTimeout(3000);
  }
  const before = (await figures(page)).drawn;
  await page.waitForTimeout(5000);
  line("pictures drawn in 5 s without a change", `${(await figures(page)).drawn - before}`, "0");
}

export const main = programOf({
  name: "viewer",
  usage: "[options] [recording]",
  about: "Cost of the page, in Chromium without a graphics card (default out/hall.brk).",
  options: {
    minutes: {
      type: "string",
      short: "m",
      value: "<n>",
      default: "30",
      help: "minutes of recording that are played while the page's heap is measured (default 30)",
    },
    "one-core": { type: "boolean", help: "the browser has one core while the map is turned, and afterwards" },
  },
  notes: "Make the recording with: brinkmap simulate datasets/hall-1000.json out/hall.brk",
  exits: { 3: "recording or browser missing" },
  run: async ({ values, positionals: [path = "out/hall.brk"] }) => {
    const minutes = numberOf("minutes", values.minutes);
    if (minutes < 0) throw new UsageError("--minutes must be 0 or more");
    return await measure(path, minutes, values["one-core"] === true);
  },
});

async function measure(path: string, minutes: number, isOneCore: boolean): Promise<number> {
  await measureSize();
  const service = await Service.start({
    config: resolveConfig({ listen: { port: 0 }, viewer }),
    log: pino({ level: "silent" }),
    played: await readPlayed(path),
  });
  const url = service.url.replace("ws:", "http:").replace("/live", "/");
  const browser = await startBrowser();
  const page = await browser.newPage({ viewport: { width: 1280, height: 800 } });
  page.setDefaultTimeout(PATIENCE);
  await page.goto(url);
  // At the end of the recording the map is whole.
  await page.waitForSelector('html[data-mode="played"]', { state: "attached" });
  await page.click("#loop");
  await page.click("#play");
  await page.focus("#timeline");
  await page.keyboard.press("End");
  await page.waitForTimeout(500);
  await paused(page);
  await page.waitForTimeout(3000);
  line(
    "load of this machine, one minute",
    loadavg()[0]!.toFixed(1),
    "figures count with less than 1 beside this program",
  );
  await measurePictures(page, url);
  if (isOneCore) pinBrowser();
  await measureOrbit(page, isOneCore ? "on one core" : `on ${cpus().length} cores`);
  await measurePatches(page);
  await watchMemory(page, minutes);
  await browser.close();
  await service.stop();
  return 0;
}
