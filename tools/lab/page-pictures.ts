import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { basename, dirname, join } from "node:path";
import { fileURLToPath } from "node:url";
import { pino } from "pino";
import type { Browser, Page } from "playwright-core";
import { HeadClient } from "../../src/client/client.ts";
import { SETTINGS } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { OF_THIS_BASE } from "../../src/service/body-settings.ts";
import { resolveConfig } from "../../src/service/config.ts";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import { Service } from "../../src/service/service.ts";
import { startBrowser } from "../../tests/helpers/browser.ts";
import { feed } from "../../tests/helpers/feed.ts";
import { makeSocket } from "../../tests/helpers/live.ts";
import { UsageError } from "../frame/errors.ts";
import { programOf } from "./program.ts";

const viewer = fileURLToPath(new URL("../../viewer", import.meta.url));
/** Labels of the demo. */
const LABELS = fileURLToPath(new URL("../../../datasets/pottery-studio.labels.json", import.meta.url));
/** Seconds from the start: a moment before a drop, and one when the whole map is there. */
const MOMENT = 21.5;
const LATE = 60;
/** The guided look was closed before, as in the browser of everyone but a new user. */
const WITHOUT_LOOK = 'localStorage.setItem("look closed", "true")';
/** When the live head's lens is covered, seconds. */
const BLIND: readonly [from: number, to: number] = [12, 13.5];

/** A picture: how the page is opened, and what is done before it is taken. */
interface Shot {
  readonly name: string;
  readonly width: number;
  readonly height: number;
  readonly theme: "light" | "dark";
  readonly at: number;
  readonly keys: readonly string[];
  /** Changed through the page, which then has a map with the baseline's settings. */
  readonly settings?: Readonly<Record<string, number>>;
  /** The browser has the demo's labels. */
  readonly isLabelled?: boolean;
}
const SHOTS: readonly Shot[] = [
  { name: "desk", width: 1440, height: 900, theme: "light", at: LATE, keys: ["i"] },
  { name: "night", width: 1440, height: 900, theme: "dark", at: MOMENT, keys: ["1"] },
  { name: "tablet", width: 820, height: 1100, theme: "light", at: MOMENT, keys: ["3"] },
  { name: "phone", width: 390, height: 844, theme: "light", at: MOMENT, keys: ["i"] },
  { name: "settings", width: 1000, height: 720, theme: "light", at: MOMENT, keys: ["s"] },
  { name: "keys", width: 1000, height: 720, theme: "dark", at: MOMENT, keys: ["?"] },
  {
    name: "labels",
    width: 1000,
    height: 900,
    theme: "light",
    at: LATE,
    keys: ["l", "Enter"],
    isLabelled: true,
  },
  {
    name: "compare",
    width: 1440,
    height: 900,
    theme: "light",
    at: MOMENT,
    keys: [],
    settings: { "map.maxRange": 2, "guard.topSpeed": 0.6 },
  },
];
/** Waits until all that the head said is drawn; the sharp picture of the map comes last. */
async function settle(page: Page): Promise<void> {
  await page.waitForSelector("#empty[hidden]", { state: "attached" });
  await page.waitForSelector("html:not(.is-map-stale)", { state: "attached" });
  await page.waitForTimeout(2000);
  const isSharp = '((map) => map.width >= map.clientWidth)(document.getElementById("map"))';
  for (let n = 0; n < 30 && !(await page.evaluate(isSharp)); n++) await page.waitForTimeout(1000);
}

async function changeSettings(page: Page, settings: Readonly<Record<string, number>>): Promise<void> {
  await page.keyboard.press("s");
  for (const [name, value] of Object.entries(settings)) {
    const input = page.locator(`[name="${name}"]`);
    await input.fill(String(value));
    await input.press("Tab");
    await page.getByText(`${name} is now ${value}`).first().waitFor({ state: "attached" });
  }
  await page.keyboard.press("Escape");
}

/**
 * A live head that sensors and a base feed the recording: its lens is covered for a while, so that the pose is carried there; the
 * base reports a knock and waives a stop.
 */
async function takeLive(browser: Browser, path: string, folder: string): Promise<void> {
  const kept = mkdtempSync(join(tmpdir(), "brinkmap-pictures-"));
  const recording = await openRecording(path);
  const { sensors, baseFromHead, headFromImu } = recording.header.setup;
  recording.close();
  const service = await Service.start({
    config: resolveConfig({
      listen: { port: 0 },
      viewer,
      sensors,
      baseFromHead,
      headFromImu,
      pretrigger: { folder: kept, before: 5, after: 1 },
      settings: {
        "pose.source": "tracked",
        "guard.waiverLimit": 30,
        ...Object.fromEntries(OF_THIS_BASE.map((name) => [name, SETTINGS[name].default])),
      },
    }),
    log: pino({ level: "silent" }),
  });
  const url = service.url.replace("ws:", "http:").replace("/live", "/");
  const open = async (width: number, height: number, colorScheme: "light" | "dark"): Promise<Page> => {
    const page = await browser.newPage({ viewport: { width, height }, colorScheme });
    await page.addInitScript(WITHOUT_LOOK);
    return page;
  };
  const shoot = async (page: Page, name: string): Promise<void> => {
    await page.screenshot({ path: `${folder}/page-${name}.png`, fullPage: name === "live" });
    console.log(`${folder}/page-${name}.png`);
  };
  const desk = await open(1000, 820, "light");
  await desk.goto(url);
  const told = feed(service.url, path, {
    until: 36,
    blind: BLIND,
    says: [
      { at: 8, what: { kind: "knock", point: [0.2, 0.1, 0.1] } },
      {
        at: 21,
        what: { kind: "waiver", direction: "forward", seconds: 30, reason: "pulled off the step by hand" },
      },
    ],
  });
  const phone = await open(390, 844, "dark");
  await phone.goto(url);
  await phone.locator("#state-word", { hasText: "Blind" }).waitFor({ timeout: 60_000 });
  await shoot(phone, "blind");
  await phone.close();
  await desk.keyboard.press("1");
  await desk.locator("#waiver", { hasText: "pulled off" }).waitFor({ timeout: 60_000 });
  await desk.keyboard.press("r");
  await desk.keyboard.type("the kiln pit's step was seen late");
  await desk.keyboard.press("Enter");
  await desk.locator("#kept button", { hasText: "asked" }).waitFor({ timeout: 60_000 });
  await desk.waitForTimeout(200);
  await shoot(desk, "live");
  await told;
  await desk.close();
  await service.stop();
  rmSync(kept, { recursive: true });
}

export const main = programOf({
  name: "page-pictures",
  usage: "[options] <recording> <folder>",
  about:
    "Pictures of the page, with a head that plays the recording and with a live head that is fed from it. Needs Debian's Chromium. Writes page-<name>.png, one for each state and size.",
  options: {
    live: { type: "boolean", help: "pictures of the live head only" },
    second: {
      type: "string",
      value: "<recording>",
      help: "only the picture of a comparison with this recording, in the same folder",
    },
  },
  exits: { 3: "recording missing or unreadable" },
  run: async ({ values, positionals: [path, folder, ...more] }) => {
    if (path === undefined || folder === undefined || more.length > 0) {
      throw new UsageError("expected a recording and a folder (see --help)");
    }
    if (values.second === undefined) await take(path, folder, values.live ?? false);
    else await takeSwipe(path, values.second, folder);
    return 0;
  },
});

async function take(path: string, folder: string, isLive: boolean): Promise<void> {
  const browser = await startBrowser();
  if (!isLive) await takePlayed(browser, path, folder);
  await takeLive(browser, path, folder);
  await browser.close();
}

/** The maps of two recordings as one plan, with a bar between them. */
async function takeSwipe(path: string, second: string, folder: string): Promise<void> {
  const browser = await startBrowser();
  const service = await Service.start({
    config: resolveConfig({ listen: { port: 0 }, viewer, recordings: { folder: dirname(second) } }),
    log: pino({ level: "silent" }),
    played: await readPlayed(path),
  });
  const page = await browser.newPage({ viewport: { width: 1440, height: 900 }, colorScheme: "light" });
  await page.addInitScript(WITHOUT_LOOK);
  page.setDefaultTimeout(300_000); // both recordings are run to their ends
  await page.goto(service.url.replace("ws:", "http:").replace("/live", "/"));
  await page.selectOption("#compare-with", basename(second));
  await page.locator("#run-say", { hasText: "Compared at" }).waitFor({ state: "attached" });
  await page.locator("#run-say", { hasText: "looked at" }).waitFor({ state: "detached" });
  await page.locator("#state-line", { hasText: "paused" }).waitFor();
  await page.click("#swipe-open");
  await settle(page);
  await page.screenshot({ path: `${folder}/page-swipe.png` });
  console.log(`${folder}/page-swipe.png`);
  await service.stop();
  await browser.close();
}

/** A head that plays the recording, and stops at the end. */
async function takePlayed(browser: Browser, path: string, folder: string): Promise<void> {
  const service = await Service.start({
    config: resolveConfig({ listen: { port: 0 }, viewer }),
    log: pino({ level: "silent" }),
    played: await readPlayed(path),
  });
  const client = new HeadClient({ url: service.url, role: "watcher", makeSocket, topics: { playing: 20 } });
  await new Promise<void>((resolve) => client.on("open", () => resolve()));
  const goTo = (seconds: number): Promise<void> =>
    new Promise((resolve, reject) => {
      let isAsked = false;
      const stop = client.on("playing", ({ goal, speed }) => {
        if (!isAsked || goal !== null || speed !== 0) return;
        stop();
        resolve();
      });
      client.play({ to: 1e6 * seconds, speed: 0 }).then(() => {
        isAsked = true;
      }, reject);
    });
  const url = service.url.replace("ws:", "http:").replace("/live", "/");
  for (const { name, width, height, theme, keys, at, settings, isLabelled } of SHOTS) {
    await goTo(at);
    const before = await client.settings();
    const page = await browser.newPage({ viewport: { width, height }, colorScheme: theme });
    await page.addInitScript(WITHOUT_LOOK);
    if (isLabelled) {
      const marked = [`labels ${basename(path)}`, readFileSync(LABELS, "utf8")];
      await page.addInitScript(`localStorage.setItem(...${JSON.stringify(marked)})`);
    }
    await page.goto(url);
    await page.waitForSelector("#empty[hidden]", { state: "attached" });
    for (const key of keys) await page.keyboard.press(key);
    if (settings !== undefined) {
      await settle(page);
      await changeSettings(page, settings);
    }
    await settle(page);
    await page.screenshot({ path: `${folder}/page-${name}.png`, fullPage: width < 700 });
    console.log(`${folder}/page-${name}.png`);
    await page.close();
    const back = Object.keys(settings ?? {}).map((one) => [one, before[one]!]);
    if (back.length > 0) await client.settings(Object.fromEntries(back));
  }
  await goTo(LATE);
  const page = await browser.newPage({ viewport: { width: 1000, height: 700 } });
  await page.addInitScript(WITHOUT_LOOK);
  await page.goto(url);
  await settle(page);
  client.close();
  await service.stop();
  await page.waitForTimeout(1500);
  await page.screenshot({ path: `${folder}/page-gone.png` });
  console.log(`${folder}/page-gone.png`);
  await page.close();
}
