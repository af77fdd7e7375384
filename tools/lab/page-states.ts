import { mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { pino } from "pino";
import type { Browser, Page } from "playwright-core";
import { resolveConfig } from "../../src/service/config.ts";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import { Service } from "../../src/service/service.ts";
import { startBrowser } from "../../tests/helpers/browser.ts";
import { UsageError } from "../frame/errors.ts";
import { programOf } from "./program.ts";

const viewer = fileURLToPath(new URL("../../viewer", import.meta.url));
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
/** Sizes of a small phone, a tablet, a desk and a large screen. */
const SIZES = [
  [360, 740],
  [820, 1100],
  [1440, 900],
  [2560, 1440],
] as const;
/** Milliseconds for everything that waits, as on a busy machine. */
const PATIENCE = 120_000;
/** Quality of the pictures: they are for looking at, and many. */
const QUALITY = 70;

interface State {
  readonly name: string;
  /** The head that the page shows: it plays the recording, or has no sensor. */
  readonly head: "played" | "empty";
  /** Pressed one after the other. */
  readonly keys?: readonly string[];
  /** Elements whose control is chosen. */
  readonly clicks?: readonly string[];
  /** Whether the guided look is open, as on a first visit. */
  readonly isFirst?: boolean;
  /** Whether the head has gone. */
  readonly isGone?: boolean;
}
const STATES: readonly State[] = [
  { name: "map", head: "played" },
  { name: "plan", head: "played", keys: ["1"] },
  { name: "ride", head: "played", keys: ["3"] },
  { name: "layers", head: "played", keys: ["1"], clicks: ["#layers summary", "#layer-age", "#layer-cloud"] },
  { name: "certainty", head: "played", clicks: ["#layers summary", "#layer-certainty"] },
  { name: "measure", head: "played", keys: ["1", "d"] },
  { name: "depth-image", head: "played", keys: ["i"] },
  { name: "labels", head: "played", keys: ["l", "Enter"] },
  { name: "settings", head: "played", keys: ["s"] },
  { name: "help", head: "played", keys: ["?"] },
  { name: "first-look", head: "empty", isFirst: true },
  { name: "no-sensor", head: "empty" },
  { name: "gone", head: "empty", isGone: true },
];

/** What is wrong with the page as it is: rules of axe-core, and what is wider than the window. */
async function faultsOf(page: Page): Promise<string[]> {
  await page.evaluate(axe);
  const faults = (await page.evaluate(`axe.run().then(({ violations }) =>
    violations.map(({ id, nodes }) => id + ": " + nodes[0]?.html.slice(0, 120)))`)) as string[];
  const over = (await page.evaluate("document.documentElement.scrollWidth - innerWidth")) as number;
  return over > 0 ? [...faults, `${over} pixels wider than the window`] : faults;
}

/** A page in a state. Controls are chosen by script, because some are below others on a small screen. */
async function open(
  browser: Browser,
  url: string,
  state: State,
  [width, height]: readonly [number, number],
): Promise<Page> {
  const page = await browser.newPage({ viewport: { width, height }, colorScheme: "light" });
  page.setDefaultTimeout(PATIENCE);
  if (!state.isFirst) await page.addInitScript('localStorage.setItem("look closed", "true")');
  await page.goto(`${url}#view=orbit`);
  if (state.head === "played") await page.waitForSelector("#empty[hidden]", { state: "attached" });
  else await page.locator("#state-word", { hasText: "No sensor" }).waitFor();
  for (const key of state.keys ?? []) await page.keyboard.press(key);
  for (const id of state.clicks ?? [])
    await page.evaluate(`document.querySelector(${JSON.stringify(id)}).click()`);
  return page;
}

export const main = programOf({
  name: "page-states",
  usage: "[options] <recording> <folder>",
  about:
    "Opens the page in each of its states, at four widths, light and dark: counts faults of accessibility (axe-core) and what is wider than the window, and writes a picture of each, <state>-<width>.jpg. Needs Debian's Chromium.",
  options: {
    only: {
      type: "string",
      value: "<states>",
      help: `some of the states, separated by commas: ${STATES.map(({ name }) => name).join(", ")}`,
    },
  },
  exits: { 3: "recording missing or unreadable", 5: "the page has faults" },
  run: async ({ values, positionals: [path, folder, ...more] }) => {
    if (path === undefined || folder === undefined || more.length > 0) {
      throw new UsageError("expected a recording and a folder (see --help)");
    }
    const names = values.only?.split(",") ?? STATES.map(({ name }) => name);
    return await visitAll(
      path,
      folder,
      STATES.filter(({ name }) => names.includes(name)),
    );
  },
});

async function visitAll(path: string, folder: string, states: readonly State[]): Promise<number> {
  mkdirSync(folder, { recursive: true });
  const start = async (head: State["head"]): Promise<Service> =>
    Service.start({
      config: resolveConfig({ listen: { port: 0 }, viewer }),
      log: pino({ level: "silent" }),
      ...(head === "played" && { played: await readPlayed(path) }),
    });
  const browser = await startBrowser();
  let faults = 0;
  for (const head of ["played", "empty"] as const) {
    let service = await start(head);
    for (const state of states.filter((one) => one.head === head)) {
      for (const size of SIZES) {
        const url = service.url.replace("ws:", "http:").replace("/live", "/");
        const page = await open(browser, url, state, size);
        if (state.isGone) {
          await service.stop();
          await page.locator("#state-word", { hasText: "No connection" }).waitFor();
          service = await start(head);
        }
        await page.waitForTimeout(2500);
        const file = join(folder, `${state.name}-${size[0]}.jpg`);
        await page.screenshot({ path: file, type: "jpeg", quality: QUALITY });
        const found = await faultsOf(page);
        await page.evaluate('document.getElementById("theme").click()');
        const dark = await faultsOf(page);
        for (const fault of [...found, ...dark.map((one) => `dark: ${one}`)]) console.log(`  ${fault}`);
        faults += found.length + dark.length;
        console.log(`${file}: ${found.length} faults light, ${dark.length} dark`);
        await page.close();
      }
    }
    await service.stop();
  }
  await browser.close();
  console.log(`${faults} faults in ${states.length} states at ${SIZES.length} widths, light and dark`);
  return faults > 0 ? 5 : 0;
}
