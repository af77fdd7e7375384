import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect } from "vitest";
import { Head } from "../../src/head/head.ts";
import type { ReachOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { OCCUPIED_FROM } from "../../src/map/grid.ts";
import { openRecording } from "../../src/record/file.ts";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import { recordScenario } from "../../src/simulate/record.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { keyX, keyY, keyZ } from "../../src/wire/blocks.ts";
import { labelsPath, parseLabels, readLabels } from "../../tools/tune/labels.ts";
import { browserNeed, startBrowser } from "../helpers/browser.ts";
import { LiveHead } from "../helpers/live.ts";
import { testWith } from "../helpers/needs.ts";

// The page of a head that plays a recording, worked as a user does: by keys, by pointer, by dropping a file.

const viewer = fileURLToPath(new URL("../../dist/viewer", import.meta.url));
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const ready = browserNeed() === null;
const folder = mkdtempSync(join(tmpdir(), "brinkmap-page-"));
const path = join(folder, "room.brk");
let browser: Browser;
let head: LiveHead;

beforeAll(async () => {
  if (!ready) return;
  const room = JSON.parse(readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"));
  await recordScenario(loadScenario({ ...room, duration: 3 }), path, {});
  browser = await startBrowser();
});
afterEach(async () => {
  if (!ready) return;
  await Promise.all(browser.contexts().map((context) => context.close()));
  await head.stop();
});
afterAll(async () => {
  rmSync(folder, { recursive: true });
  if (ready) await browser.close();
});

async function openPage(width = 900, labels = false): Promise<{ page: Page; faults: string[] }> {
  head = await LiveHead.start({ viewer, recordings: { folder, labels } }, { played: await readPlayed(path) });
  const page = await browser.newPage({ viewport: { width, height: 640 } });
  const faults: string[] = [];
  page.on("pageerror", (error) => faults.push(error.message));
  page.on("console", (message) => {
    if (message.type() === "error") faults.push(message.text());
  });
  await page.goto(head.service.url.replace("ws:", "http:").replace("/live", "/"));
  await page.waitForFunction(() => document.getElementById("empty")?.hidden === true);
  return { page, faults };
}

interface Truth {
  readonly truth: Head;
  readonly reach: ReachOutput;
}
/** A head of its own that took `count` frames of the recording, with these settings. */
async function headOf(count: number, changed: Readonly<Record<string, number>> = {}): Promise<Truth> {
  const recording = await openRecording(path);
  const { settings } = await readPlayed(path);
  const truth = new Head(recording.header.setup, resolveSettings({ ...settings, ...changed }));
  let reach: ReachOutput | null = null;
  let frames = 0;
  for (const event of recording.events()) {
    if (event.kind === "depth" && frames++ === count) break;
    for (const output of truth.take(event)) if (output.kind === "reach") reach = output;
  }
  recording.close();
  return { truth, reach: reach! };
}

/** What a head says of frame `count`, counted from 1, as the page writes it. */
const aheadBy = async (count: number): Promise<string> =>
  `${(await headOf(count)).reach.pace.forward.toFixed(2)} m/s`;

/**
 * What each column of a head's own grid is from above: what stands in the way (3), floor (2), or what hangs over (1).
 * @param cell metres: side of a column, the voxel size or a multiple of it
 */
function columnsOf({ grid, settings }: Head, cell = grid.voxelSize): Map<string, number> {
  const columns = new Map<string, number>();
  const low = Math.max(settings["body.groundClearance"] + 0.03, cell + 0.01);
  const inCell = (voxel: number): number => Math.floor(((voxel + 0.5) * grid.voxelSize) / cell);
  const values = new Uint8Array(512);
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, values);
    const key = grid.keyOf(id);
    values.forEach((value, n) => {
      if (value < OCCUPIED_FROM) return;
      const at = `${inCell(8 * keyX(key) + (n & 7))},${inCell(8 * keyY(key) + ((n >> 3) & 7))}`;
      const top = grid.voxelSize * (8 * keyZ(key) + (n >> 6) + 1);
      const kind = top <= low + 1e-6 ? 2 : top - grid.voxelSize < settings["body.height"] ? 3 : 1;
      columns.set(at, Math.max(kind, columns.get(at) ?? 0));
    });
  }
  return columns;
}

const place = (page: Page): Promise<number> =>
  page.evaluate(() =>
    Number(/frame ([\d,]+) of/.exec(document.getElementById("playback-at")!.textContent!)?.[1]),
  );
const settled = (page: Page, frame?: number) =>
  page.waitForFunction(
    (wanted) =>
      /paused$/.test(document.getElementById("state-line")?.textContent ?? "") &&
      (wanted === undefined ||
        document.getElementById("playback-at")?.textContent?.includes(`frame ${wanted} of`)),
    frame,
  );
/** The map follows a little after the numbers: waits until its size has stayed the same for a second. */
async function mapFollowed(page: Page): Promise<void> {
  await page.waitForFunction(
    () => {
      const { dataset } = document.documentElement;
      const text = document.getElementById("map-size")!.textContent!;
      const now = performance.now();
      if (dataset["testSize"] !== text || text.includes("loading")) {
        dataset["testSize"] = text;
        dataset["testSince"] = String(now);
      }
      return now - Number(dataset["testSince"]) > 1000;
    },
    undefined,
    { polling: 100 },
  );
}
async function goToEnd(page: Page): Promise<void> {
  await page.focus("#timeline");
  await page.keyboard.press("End");
  await page.waitForFunction(() => {
    const found = /frame ([\d,]+) of ([\d,]+)/.exec(document.getElementById("playback-at")!.textContent!);
    return found !== null && found[1] === found[2];
  });
  await settled(page);
}
const pace = (page: Page) => page.textContent("#pace-forward");

/** Pixels of a canvas that are drawn on. */
const inked = (page: Page, id: string): Promise<number> =>
  page.evaluate((one) => {
    const canvas = document.getElementById(one) as HTMLCanvasElement;
    const { data } = canvas.getContext("2d")!.getImageData(0, 0, canvas.width, canvas.height);
    return data.filter((value, n) => n % 4 === 3 && value > 0).length;
  }, id);

describe("the page of a recording", () => {
  testWith(
    browserNeed,
    "moves through the recording by keys; its numbers are the head's of that frame",
    async () => {
      const { page, faults } = await openPage();
      expect(await page.textContent("#state-word")).toBe("Recording");
      await page.keyboard.press("p");
      await settled(page);
      await goToEnd(page);
      const last = await place(page);
      expect(await pace(page)).toBe(await aheadBy(last));
      await page.keyboard.press("ArrowLeft");
      await page.waitForFunction(
        (then) => !document.getElementById("playback-at")!.textContent!.includes(`frame ${then} of`),
        last,
      );
      await settled(page);
      const second = await place(page);
      expect(second).toBeLessThan(last - 5);
      expect(await pace(page)).toBe(await aheadBy(second));
      await page.keyboard.press("n");
      await settled(page, second + 1);
      await page.keyboard.press("b");
      await page.keyboard.press("b");
      await settled(page, second - 1);
      expect(await pace(page)).toBe(await aheadBy(second - 1));
      // The timeline says the same to a screen reader.
      expect(await page.getAttribute("#timeline", "aria-valuetext")).toContain(`frame ${second - 1} of`);
      // A mark is an event that is found again.
      await page.keyboard.press("e");
      await page.keyboard.type("here it is");
      await page.keyboard.press("Enter");
      await page.waitForFunction(() =>
        document.getElementById("events")!.textContent!.includes("here it is"),
      );
      await page.focus("#timeline");
      await page.keyboard.press("Home");
      await settled(page, 1);
      for (let n = 0; n < 9 && (await place(page)) !== second - 1; n++) {
        await page.keyboard.press("Shift+N");
        await page.waitForTimeout(300);
      }
      await settled(page, second - 1);
      await page.keyboard.press("p");
      await page.waitForFunction(() => document.getElementById("play")!.textContent === "Pause");
      expect(faults).toEqual([]);
    },
  );

  testWith(
    browserNeed,
    "shows the depth image, reads pixels out by keys, and says why others are not used",
    async () => {
      const { page, faults } = await openPage();
      await page.keyboard.press("p");
      await page.keyboard.press("i");
      await page.waitForFunction(() => /\d/.test(document.getElementById("depth-at")!.textContent!));
      const shares = await page.evaluate(() =>
        [0, 1, 2, 3, 4, 5].map((why) =>
          Number.parseInt(document.getElementById(`share-${why}`)!.textContent!, 10),
        ),
      );
      expect(Math.abs(shares.reduce((sum, share) => sum + share, 0) - 100)).toBeLessThanOrEqual(3);
      const read = () => page.textContent("#depth-at");
      const before = await read();
      await page.focus("#depth-image");
      await page.keyboard.press("ArrowDown");
      expect(await read()).not.toBe(before);
      expect(await read()).toMatch(
        /column \d+, row \d+: (\d+ cm|[\d.]+ m|no return|weak|flying|out of range), /,
      );
      const colours = () =>
        page.evaluate(() => {
          const canvas = document.getElementById("depth-image") as HTMLCanvasElement;
          const { data } = canvas.getContext("2d")!.getImageData(0, 0, canvas.width, canvas.height);
          return new Set(new Uint32Array(data.buffer)).size;
        });
      expect(await colours()).toBeGreaterThan(10);
      expect(faults).toEqual([]);
    },
  );

  testWith(
    browserNeed,
    "says of a damaged recording what is missing, until another one is played",
    async () => {
      const bytes = readFileSync(path);
      // A single wrong byte in the images of one frame.
      bytes[bytes.length >> 1]! ^= 0xff;
      const damaged = join(folder, "damaged.brk");
      writeFileSync(damaged, bytes);
      head = await LiveHead.start({ viewer, recordings: { folder } }, { played: await readPlayed(damaged) });
      const page = await browser.newPage({ viewport: { width: 390, height: 844 } });
      await page.goto(head.service.url.replace("ws:", "http:").replace("/live", "/"));
      await page.waitForFunction(() => document.getElementById("damage")!.textContent !== "");
      expect(await page.textContent("#damage")).toMatch(
        /^This recording is damaged\. A part cannot be read: (between [\d.]+ s and|at) [\d.]+ s, \d+ kB \(checksum of the record is wrong\)\.$/,
      );
      await page.selectOption("#recordings", "room.brk");
      await page.waitForFunction(() => document.getElementById("damage")!.textContent === "");
      await page.waitForFunction(() => document.getElementById("state-word")?.textContent === "Recording");
      rmSync(damaged);
    },
  );

  testWith(browserNeed, "compares changed settings with the baseline, until they are reverted", async () => {
    const { page, faults } = await openPage();
    await page.keyboard.press("p");
    await goToEnd(page);
    const count = await place(page);
    const before = await aheadBy(count);
    await page.evaluate(() => (document.activeElement as HTMLElement).blur());
    await page.keyboard.press("s");
    const top = page.locator('input[name="guard.topSpeed"]');
    await top.waitFor();
    const usual = await top.inputValue();
    await top.fill("0.5");
    await top.press("Tab");
    await page.waitForFunction(() => /topSpeed is now 0.5/.test(document.body.textContent ?? ""));
    await page.keyboard.press("Escape");
    const row = (name: string) =>
      page.evaluate(
        (wanted) =>
          [...document.querySelectorAll("#comparison-rows tr")]
            .map((one) => [...one.children].map(({ textContent }) => textContent))
            .find(([head]) => head === wanted)
            ?.slice(1),
        name,
      );
    await page.waitForFunction(
      (was) => document.querySelector("#comparison-rows")?.textContent?.includes(was),
      before,
    );
    await settled(page, count);
    const [was, now] = (await row("Pace forward"))!;
    expect(was).toBe(before);
    expect(now).toBe(await pace(page));
    expect(Number.parseFloat(now!)).toBeLessThan(Number.parseFloat(was!));
    expect(await page.textContent("#comparison-changes")).toBe(`Changed: guard.topSpeed ${usual} → 0.5`);
    // Over the whole run: with half the pace, in figures, as a curve, and as a list that leads there.
    await page.waitForFunction(() =>
      /^baseline → changed: stops \d+ → \d+; .*mean pace [\d.]+ → [\d.]+ m\/s; .*same places\. ?$/.test(
        document.getElementById("run-say")!.textContent!,
      ),
    );
    const [, meanWas, meanNow] = /mean pace ([\d.]+) → ([\d.]+)/.exec((await page.textContent("#run-say"))!)!;
    expect(Number(meanNow)).toBeLessThan(Number(meanWas));
    expect(await inked(page, "run-curve")).toBeGreaterThan(500);
    const stretch = page.locator("#differences button").first();
    expect(await stretch.textContent()).toMatch(
      /^1\. [\d.]+ s to [\d.]+ s: [\d.]+ m\/s.* → (0\.\d+ m\/s|stop)/,
    );
    // How fast the base may go changes nothing in the map: both are shown, and equal.
    await page.waitForFunction(() =>
      /: 0 of [\d,]+ columns differ/.test(document.getElementById("plans-say")!.textContent!),
    );
    expect(await inked(page, "plan-baseline")).toBeGreaterThan(100);
    expect(await inked(page, "plan-now")).toBe(await inked(page, "plan-baseline"));
    // At another frame there is no map with the baseline settings to compare.
    await page.keyboard.press("b");
    await page.waitForFunction(() => document.getElementById("plans")!.hidden);
    await page.keyboard.press("n");
    await page.waitForSelector("#plans:not([hidden])");
    await settled(page, count);
    await page.keyboard.press("u");
    await page.waitForFunction(() => document.getElementById("comparison")!.hidden);
    await settled(page, count);
    expect(await pace(page)).toBe(before);
    expect(faults).toEqual([]);
  });

  testWith(
    browserNeed,
    "compares another recording of the same place over the whole run, side by side and as a swipe",
    async () => {
      const room = JSON.parse(
        readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"),
      );
      const second = join(folder, "second.brk");
      await recordScenario(loadScenario({ ...room, seed: 5, duration: 2 }), second, {});
      const { page, faults } = await openPage(1200);
      await page.selectOption("#compare-with", "second.brk");
      await page.waitForFunction(() => document.documentElement.classList.contains("is-two-recordings"));
      await settled(page);
      expect(await page.inputValue("#recordings")).toBe("second.brk");
      await page.waitForFunction(() =>
        /^room.brk → second.brk: .* Compared at the same places of the floor\. ?$/.test(
          document.getElementById("run-say")!.textContent!,
        ),
      );
      await page.waitForFunction(() =>
        /world of the reference poses of both; second.brk up to [\d.]+ s\. .* [\d,]+ of [\d,]+ differ/.test(
          document.getElementById("plans-say")!.textContent!,
        ),
      );
      expect(await inked(page, "plan-baseline")).toBeGreaterThan(100);
      await page.click("#swipe-open");
      const picture = () =>
        page.evaluate(() => (document.getElementById("swipe-plan") as HTMLCanvasElement).toDataURL());
      const before = await picture();
      for (let n = 0; n < 20; n++) await page.keyboard.press("ArrowRight");
      expect(await page.inputValue("#swipe")).toBe("70");
      expect(await picture()).not.toBe(before);
      await page.evaluate(axe);
      const found = await page.evaluate(async () => {
        const { axe: checker } = globalThis as unknown as {
          axe: { run: () => Promise<{ violations: { id: string; nodes: { html: string }[] }[] }> };
        };
        return (await checker.run()).violations.map(({ id, nodes }) => `${id}: ${nodes[0]?.html}`);
      });
      expect(found).toEqual([]);
      await page.keyboard.press("Escape");
      expect(await page.isVisible("#swipe-box")).toBe(false);
      await page.click("#comparison-end");
      expect(await page.isVisible("#comparison")).toBe(false);
      expect(faults).toEqual([]);
      rmSync(second);
    },
  );

  testWith(browserNeed, "a click on the plan shows the way there, until Escape", async () => {
    const { page, faults } = await openPage(1440);
    await page.keyboard.press("p");
    await goToEnd(page);
    await page.evaluate(() => (document.activeElement as HTMLElement).blur());
    await page.keyboard.press("j");
    await page.waitForFunction(() => /Choose a place/.test(document.getElementById("found")!.textContent!));
    const box = (await page.locator("#map").boundingBox())!;
    await page.mouse.click(box.x + 0.5 * box.width, box.y + 0.5 * box.height);
    await page.waitForFunction(() =>
      /^([\d.]+ c?m to .+; (no gap|narrowest gap) .+ It is shown only|No way to .+: .+)/.test(
        document.getElementById("found")!.textContent!,
      ),
    );
    await page.keyboard.press("Escape");
    await page.waitForFunction(() => document.getElementById("found")!.textContent === "");
    expect(await page.getAttribute("#way-to", "aria-pressed")).toBe("false");
    expect(faults).toEqual([]);
  });

  testWith(
    browserNeed,
    "the maps of baseline and changed settings differ as those of two heads do",
    async () => {
      const { page, faults } = await openPage();
      await page.keyboard.press("p");
      await goToEnd(page);
      const count = await place(page);
      const change = { "map.maxRange": 2 };
      const [before, now] = [
        columnsOf((await headOf(count)).truth),
        columnsOf((await headOf(count, change)).truth),
      ];
      const all = new Set([...before.keys(), ...now.keys()]);
      const unlike = [...all].filter((at) => before.get(at) !== now.get(at)).length;
      expect(unlike).toBeGreaterThan(50);
      // At once, while patches of the map are still on their way.
      await page.evaluate(() => (document.activeElement as HTMLElement).blur());
      await page.keyboard.press("s");
      const range = page.locator('input[name="map.maxRange"]');
      await range.fill("2");
      await range.press("Tab");
      await page.keyboard.press("Escape");
      const counted = (value: number): string => value.toLocaleString("en-GB");
      await page.waitForFunction(
        (said) => document.getElementById("plans-say")!.textContent!.includes(said),
        `${counted(unlike)} of ${counted(all.size)} columns differ`,
      );
      expect(await inked(page, "plan-now")).toBeGreaterThan(100);
      expect(faults).toEqual([]);
    },
  );

  testWith(
    browserNeed,
    "a voxel size is changed while the recording plays, and both maps are compared",
    async () => {
      const { page, faults } = await openPage();
      await page.keyboard.press("s");
      const size = page.locator('input[name="map.voxelSize"]');
      await size.waitFor();
      await size.fill("0.1");
      await size.press("Tab");
      await page.waitForFunction(() => /voxelSize is now 0.1/.test(document.body.textContent ?? ""));
      await page.keyboard.press("Escape");
      // It plays on, on a new connection.
      await page.waitForFunction(
        () =>
          document.documentElement.dataset["values"] === "played" &&
          document.getElementById("play")!.textContent === "Pause",
      );
      expect(await page.textContent("#comparison-changes")).toBe("Changed: map.voxelSize 0.05 → 0.1");
      const said = await page.waitForFunction(
        () => /of frame ([\d,]+): go/.exec(document.getElementById("plans-say")!.textContent!)?.[1],
      );
      const frame = Number(((await said.jsonValue()) as string).replace(",", ""));
      await page.keyboard.press("p");
      await page.waitForFunction(() => /paused$/.test(document.getElementById("state-line")!.textContent!));
      for (let n = 0; n < 200 && (await place(page)) !== frame; n++) {
        const here = await place(page);
        await page.keyboard.press(here > frame ? "b" : "n");
        await settled(page, here + (here > frame ? -1 : 1));
      }
      const [before, now] = [
        columnsOf((await headOf(frame)).truth, 0.1),
        columnsOf((await headOf(frame, { "map.voxelSize": 0.1 })).truth),
      ];
      const all = new Set([...before.keys(), ...now.keys()]);
      const unlike = [...all].filter((at) => before.get(at) !== now.get(at)).length;
      const counted = (value: number): string => value.toLocaleString("en-GB");
      await page.waitForFunction(
        (wanted) => document.getElementById("plans-say")!.textContent!.includes(wanted),
        `${counted(unlike)} of ${counted(all.size)} columns differ`,
      );
      expect(faults).toEqual([]);
    },
  );

  testWith(
    browserNeed,
    "says why it stopped in one click on an event, and an address leads to the moment",
    async () => {
      const { page, faults } = await openPage(1200);
      await page.keyboard.press("p");
      await settled(page);
      // So fast that the room is too small for it: the robot is slowed, and the list has it before it was played.
      await page.keyboard.press("s");
      const top = page.locator('input[name="guard.topSpeed"]');
      await top.waitFor();
      await top.fill("4");
      await top.press("Tab");
      await page.waitForFunction(() => /topSpeed is now 4/.test(document.body.textContent ?? ""));
      await page.keyboard.press("Escape");
      const event = page.locator("#events button", { hasText: /below half speed|stop/ }).first();
      await event.waitFor();
      expect(await event.textContent()).toMatch(
        /(drop|obstacle|floor|overhang|looked at).* (ahead|from the body)/,
      );
      await event.click();
      await settled(page);
      expect(await page.textContent("#state-why")).toMatch(/^(Up to|Stop)/);
      expect(await event.getAttribute("aria-current")).toBe("true");
      await page.waitForFunction(() => /^#view=|^#at=/.test(location.hash) && /at=/.test(location.hash));
      const { hash } = new URL(page.url());
      const at = await place(page);
      await page.focus("#timeline");
      await page.keyboard.press("End");
      await settled(page);
      await page.goto(`${page.url().replace(/#.*/, "")}?${hash}`);
      await settled(page, at);
      expect(faults).toEqual([]);
    },
  );

  testWith(browserNeed, "on a phone the answer about a place lies below the buttons of the map", async () => {
    const { page } = await openPage(390);
    await page.keyboard.press("p");
    await settled(page);
    await page.locator("#map").click({ position: { x: 190, y: 250 } });
    await page.waitForFunction(() => document.getElementById("found")!.textContent !== "");
    const [buttons, text] = [page.locator("#map-tools"), page.locator("#found")];
    const { y, height } = (await buttons.boundingBox())!;
    expect((await text.boundingBox())!.y).toBeGreaterThanOrEqual(y + height);
  });

  testWith(
    browserNeed,
    "the map keeps its size while the recording plays, whatever the state says",
    async () => {
      for (const width of [820, 1440]) {
        const { page } = await openPage(width);
        await page.waitForTimeout(500);
        const changes = await page.evaluate(
          () =>
            new Promise<number>((resolve) => {
              let count = -1; // the first call is at the beginning
              new ResizeObserver(() => count++).observe(document.getElementById("map")!);
              setTimeout(() => resolve(count), 4000);
            }),
        );
        expect(changes, `${width} px wide`).toBe(0);
        await page.close();
        if (width === 820) await head.stop();
      }
    },
  );

  testWith(browserNeed, "a click on the path leads to the moment at which the robot was there", async () => {
    const { page, faults } = await openPage(1200);
    await page.keyboard.press("p");
    await goToEnd(page);
    await mapFollowed(page);
    await page.evaluate(() => (document.activeElement as HTMLElement).blur());
    await page.keyboard.press("1");
    await page.keyboard.press("k");
    await page.waitForTimeout(500);
    // The view follows the robot, so the middle is the end of the path.
    await page.locator("#map").focus();
    await page.keyboard.press("Enter");
    await page.waitForFunction(() => !document.getElementById("path-moment")!.hidden);
    const said = /^Go to ([\d.]+) s, when the robot was here$/.exec(
      (await page.textContent("#path-moment"))!,
    );
    await page.click("#path-moment");
    await page.waitForFunction(
      (at) => document.getElementById("playback-at")!.textContent!.startsWith(`${at} s of`),
      said![1],
    );
    expect(await page.isVisible("#path-moment")).toBe(false);
    // The pace along the path is a layer with its own signs.
    await page.keyboard.press("h");
    expect(await page.isVisible(".for-pace")).toBe(false);
    const before = await page.evaluate(() =>
      (document.getElementById("map") as HTMLCanvasElement).toDataURL(),
    );
    await page.check("#layer-pace");
    expect(await page.isVisible(".for-pace")).toBe(true);
    await page.waitForFunction(
      (was) => (document.getElementById("map") as HTMLCanvasElement).toDataURL() !== was,
      before,
    );
    expect(faults).toEqual([]);
  });

  testWith(browserNeed, "names the client that moved the playback, unless it was this page", async () => {
    const { page } = await openPage();
    await page.keyboard.press("p");
    await settled(page);
    expect(await page.textContent("#moved-by")).toBe("");
    const other = head.client({ name: "tablet" });
    await expect.poll(() => other.isOpen).toBe(true);
    await other.play({ to: 1_000_000, speed: 0 });
    await page.waitForFunction(() =>
      /^Moved by tablet \(\d+\), 127\.0\.0\.1$/.test(document.getElementById("moved-by")!.textContent!),
    );
    await page.keyboard.press("n");
    await page.waitForFunction(() => document.getElementById("moved-by")!.textContent === "");
  });

  testWith(browserNeed, "a click on the timeline goes there", async () => {
    const { page } = await openPage();
    await page.keyboard.press("p");
    await settled(page);
    const strip = page.locator("#timeline");
    const { width } = (await strip.boundingBox())!;
    // The values under the pointer stay while the recording plays.
    await page.keyboard.press("p");
    await strip.hover({ position: { x: 0.8 * width, y: 20 } });
    await page.waitForFunction(() =>
      /^2\.[\d.]+ s: [\d.]+ m\/s, .* free ahead.*; load \d+ %$/.test(
        document.getElementById("playback-at")!.textContent!,
      ),
    );
    await page.waitForTimeout(400);
    expect(await page.textContent("#playback-at")).toMatch(/; load \d+ %$/);
    await page.keyboard.press("p");
    await settled(page);
    await page.mouse.move(10, 10);
    await strip.click({ position: { x: 0.5 * width, y: 20 } });
    await page.mouse.move(10, 10);
    await page.waitForFunction(() => {
      const at = Number(/^[\d.]+/.exec(document.getElementById("playback-at")!.textContent!)?.[0]);
      return at > 1.3 && at < 1.7;
    });
  });

  testWith(browserNeed, "a recording dropped on the page is played by the head", async () => {
    const { page, faults } = await openPage();
    const bytes = [...readFileSync(path)];
    await page.evaluate((all) => {
      const data = new DataTransfer();
      data.items.add(new File([new Uint8Array(all)], "my kitchen (2).brk"));
      document.dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
    }, bytes);
    const name = () => (document.getElementById("recordings") as HTMLSelectElement).value;
    await page.waitForFunction(() =>
      (document.getElementById("recordings") as HTMLSelectElement).value.startsWith("my kitchen"),
    );
    expect(await page.evaluate(name)).toBe("my kitchen -2-.brk");
    await page.waitForFunction(() => document.getElementById("state-word")?.textContent === "Recording");
    // What is no recording is refused in words.
    await page.evaluate(() => {
      const data = new DataTransfer();
      data.items.add(new File(["nothing"], "bad.brk"));
      document.dispatchEvent(new DragEvent("drop", { dataTransfer: data, bubbles: true, cancelable: true }));
    });
    await page.waitForFunction(() =>
      document.getElementById("playback-say")!.textContent!.includes("not a readable recording"),
    );
    expect(faults.filter((fault) => !fault.includes("422"))).toEqual([]);
  });

  testWith(
    browserNeed,
    "labels are drawn on its map, listed, removed, and saved beside the recording",
    async () => {
      const { page, faults } = await openPage(1200, true);
      await page.keyboard.press("p");
      await goToEnd(page);
      await page.evaluate(() => {
        (document.activeElement as HTMLElement).blur();
        // Of one size, whatever stands around it: a place of the picture is then the same place of the map.
        document.querySelector<HTMLElement>("#map-section .stage")!.style.cssText =
          "width: 560px; height: 320px";
      });
      await mapFollowed(page);
      await page.keyboard.press("1");
      const map = page.locator("#map");
      type Share = readonly [number, number];
      const click = async ([x, y]: Share) => {
        const { width, height } = (await map.boundingBox())!;
        await map.click({ position: { x: x * width, y: y * height } });
      };
      /** Where a place of the picture is, as the page says when it is asked about it; null where nothing is known. */
      const placeAt = async (share: Share): Promise<readonly [number, number] | null> => {
        await page.evaluate(() => {
          document.getElementById("found")!.textContent = "";
        });
        await click(share);
        await page.waitForFunction(() => document.getElementById("found")!.textContent !== "");
        const found = /^(-?[\d.]+), (-?[\d.]+), /.exec((await page.textContent("#found"))!);
        return found === null ? null : [Number(found[1]), Number(found[2])];
      };
      const shares: Share[] = [];
      const places: (readonly [number, number])[] = [];
      for (let n = 0; n < 49 && shares.length < 3; n++) {
        const share = [0.35 + 0.05 * (n % 7), 0.3 + 0.06 * ((3 * n) % 7)] as const;
        const at = await placeAt(share);
        const isApart = ([x, y]: Share) =>
          at !== null && Math.abs(x - at[0]) > 0.05 && Math.abs(y - at[1]) > 0.05;
        if (at === null || !places.every(isApart)) continue;
        shares.push(share);
        places.push(at);
      }
      expect(shares).toHaveLength(3);
      const [first, second, third] = shares as [Share, Share, Share];
      const picture = () =>
        page.evaluate(() => (document.getElementById("map") as HTMLCanvasElement).toDataURL());
      const says = (text: string) =>
        page.waitForFunction(
          (want) => document.getElementById("label-say")!.textContent!.startsWith(want),
          text,
        );
      const rows = () => page.locator("#labels li").allTextContents();
      const before = await picture();

      // By keys: to the labels, begin an edge, a corner at the middle of the map, and back.
      await page.keyboard.press("l");
      await page.keyboard.press("Enter");
      await says("0 corners.");
      await page.waitForTimeout(300); // the map is turned to be seen from above
      await page.keyboard.press("Enter");
      await says("1 corner.");
      await page.keyboard.press("Backspace");
      await says("0 corners.");
      await click(first);
      await says("1 corner.");
      await click(second);
      await says("2 corners,");
      await page.fill("#label-name", "sunken square");
      await page.fill("#label-drop", "0.2");
      await page.keyboard.press("Enter");
      expect(await rows()).toEqual([expect.stringMatching(/^E1 sunken square: floor edge, .* drop 20 cm/)]);
      await page.waitForFunction(
        (was) => (document.getElementById("map") as HTMLCanvasElement).toDataURL() !== was,
        before,
      );

      // Two corners of an obstacle are a box.
      await page.click("#label-obstacle");
      await says("0 corners.");
      await page.waitForTimeout(300);
      await click(first);
      await says("1 corner.");
      await click(third);
      await says("2 corners,");
      await page.click('#label-form [type="submit"]');
      expect(await rows()).toHaveLength(2);

      const [saved] = await Promise.all([page.waitForEvent("download"), page.click("#labels-save")]);
      expect(saved.suggestedFilename()).toBe("room.brk.labels.json");
      const labels = parseLabels(JSON.parse(readFileSync(await saved.path(), "utf8")));
      const near = (...place: number[]) => place.map((value) => expect.closeTo(value, 1));
      const [[ax, ay], [bx, by], [cx, cy]] = places as [Share, Share, Share];
      expect(labels.edges).toEqual([
        { name: "sunken square", drop: 0.2, line: [near(ax, ay), near(bx, by)] },
      ]);
      expect(labels.obstacles).toEqual([
        { name: "obstacle 1", outline: [near(ax, ay), near(cx, ay), near(cx, cy), near(ax, cy)] },
      ]);

      await page.click("#labels-save-beside");
      await page.waitForFunction(() =>
        document.getElementById("labels-say")!.textContent!.startsWith("Saved"),
      );
      expect(readLabels(path)!.labels).toEqual(labels);
      await page.reload();
      await page.waitForFunction(() => document.querySelectorAll("#labels li").length === 2);
      await page.keyboard.press("l");
      await page.getByRole("button", { name: "Remove E1 sunken square" }).click();
      expect(await rows()).toEqual([expect.stringMatching(/^O1 obstacle 1: obstacle, /)]);
      // The file has both until it is saved again; this browser remembers the change.
      await page.reload();
      await page.waitForFunction(() => document.querySelectorAll("#labels li").length === 1);
      expect(readLabels(path)!.labels).toEqual(labels);
      rmSync(labelsPath(path));
      expect(faults).toEqual([]);
    },
  );

  testWith(browserNeed, "has no serious fault of accessibility, on a phone and on a desk", async () => {
    for (const width of [360, 1200]) {
      const { page } = await openPage(width, true);
      // With all that labels add to it.
      await page.keyboard.press("l");
      await page.keyboard.press("Enter");
      await page.evaluate(axe);
      const found = await page.evaluate(async () => {
        const { axe: checker } = globalThis as unknown as {
          axe: {
            run: () => Promise<{ violations: { id: string; impact: string; nodes: { html: string }[] }[] }>;
          };
        };
        return (await checker.run()).violations
          .filter(({ impact }) => impact === "serious" || impact === "critical")
          .map(({ id, nodes }) => `${id}: ${nodes[0]?.html}`);
      });
      expect(found).toEqual([]);
      expect(
        await page.evaluate(() => document.documentElement.scrollWidth - innerWidth),
      ).toBeLessThanOrEqual(0);
      await page.close();
      if (width === 360) await head.stop();
    }
  });
});
