import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect } from "vitest";
import { openRecording } from "../../src/record/file.ts";
import { newToken } from "../../src/service/access/tokens.ts";
import { browserNeed, startBrowser } from "../helpers/browser.ts";
import { LiveHead, until } from "../helpers/live.ts";
import { testWith } from "../helpers/needs.ts";

// The page in a real browser, served by a real head that is fed frames by hand. Rules of accessibility: axe-core, which
// checks WCAG 2.1 A and AA.

const viewer = fileURLToPath(new URL("../../dist/viewer", import.meta.url));
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const ready = browserNeed() === null;

let browser: Browser;
let head: LiveHead;
let feeding: ReturnType<typeof setInterval>;

beforeAll(async () => {
  if (!ready) return;
  browser = await startBrowser();
  head = await LiveHead.start({ viewer });
  const sensor = await head.open({ role: "sensor" });
  let frames = 0;
  feeding = setInterval(() => head.look(sensor, 0, 1.5 + (frames++ % 10) / 20), 100);
});
afterEach(async () => {
  // Also after a failure: a page that keeps drawing slows the other tests down.
  if (ready) await Promise.all(browser.contexts().map((context) => context.close()));
});
afterAll(async () => {
  if (!ready) return;
  clearInterval(feeding);
  await browser.close();
  await head.stop();
});

/** Opens the page, and collects everything that a user should never cause: errors, and what the policy forbids. */
async function openPage(
  theme: "light" | "dark" = "light",
  width = 900,
): Promise<{ page: Page; faults: string[] }> {
  // Small: this is drawn by the processor.
  const page = await browser.newPage({ viewport: { width, height: 640 }, colorScheme: theme });
  const faults: string[] = [];
  page.on("pageerror", (error) => faults.push(error.message));
  page.on("console", (message) => {
    if (message.type() === "error") faults.push(message.text());
  });
  page.on("request", (request) => {
    const { hostname } = new URL(request.url());
    if (hostname !== "127.0.0.1" && !request.url().startsWith("blob:"))
      faults.push(`asked for ${request.url()}`);
  });
  await page.goto(head.service.url.replace("ws:", "http:").replace("/live", "/"));
  return { page, faults };
}

const word = (page: Page) => page.textContent("#state-word");
/** The map is there; generous, because this is drawn by a processor that tests share. */
const mapShown = (page: Page) =>
  page.waitForFunction(() => document.getElementById("empty")?.hidden === true, null, { timeout: 60_000 });

describe("the page", () => {
  testWith(
    browserNeed,
    "shows the map and the numbers of the head's own frames, without a fault",
    async () => {
      const { page, faults } = await openPage();
      await mapShown(page);
      await page.waitForFunction(() => Number(document.getElementById("frame")?.textContent) > 0);
      const watcher = await head.open();
      watcher.subscribe({ reach: 100 });
      const frames = new Map<number, string>();
      watcher.on("reach", ({ frame, distanceMm }) => {
        // Straight ahead is the first bearing.
        const metres = distanceMm[0]! / 1000;
        frames.set(frame, metres < 1 ? `${Math.round(100 * metres)} cm` : `${metres.toFixed(2)} m`);
      });
      await until(() => frames.size >= 10, "ten frames");
      const [frame, ahead] = await page.evaluate(() =>
        ["frame", "ahead"].map((id) => document.getElementById(id)?.textContent ?? ""),
      );
      // The page may have it a little before the watcher here has.
      await until(() => frames.has(Number(frame)), `frame ${frame}`);
      expect(ahead).toContain(frames.get(Number(frame)));
      expect(faults).toEqual([]);
      await page.close();
    },
  );

  testWith(browserNeed, "gives the map most of a desk, and scrolls nowhere", async () => {
    for (const [width, height] of [
      [1440, 900],
      [1920, 1080],
    ] as const) {
      const page = await browser.newPage({ viewport: { width, height } });
      await page.goto(head.service.url.replace("ws:", "http:").replace("/live", "/"));
      await mapShown(page);
      const [share, high] = await page.evaluate(() => {
        const { clientWidth, clientHeight } = document.getElementById("map")!;
        const root = document.documentElement;
        return [(clientWidth * clientHeight) / (innerWidth * innerHeight), root.scrollHeight - innerHeight];
      });
      expect(share).toBeGreaterThanOrEqual(0.6);
      expect(high).toBeLessThanOrEqual(0);
      // Alone, it takes nearly all.
      await page.keyboard.press("m");
      await page.waitForFunction(() => document.getElementById("map")!.clientHeight > 0.9 * innerHeight);
      await page.close();
    }
  });

  testWith(
    browserNeed,
    "on a phone shows state, age, why and Keep without scrolling; Keep takes two taps",
    async () => {
      const folder = mkdtempSync(join(tmpdir(), "brinkmap-page-phone-"));
      const other = await LiveHead.start({ viewer, pretrigger: { folder, before: 2, after: 1 } });
      const sensor = await other.open({ role: "sensor" });
      const timer = setInterval(() => other.look(sensor), 100);
      const page = await browser.newPage({ viewport: { width: 390, height: 844 }, hasTouch: true });
      await page.goto(other.service.url.replace("ws:", "http:").replace("/live", "/"));
      await mapShown(page);
      await page.waitForFunction(() => document.getElementById("state-why")!.textContent !== "");
      for (const id of ["state-word", "state-line", "state-why", "keep"]) {
        const box = (await page.locator(`#${id}`).boundingBox())!;
        expect(box.y + box.height, id).toBeLessThanOrEqual(844);
      }
      // Fingers need 44 pixels.
      const small = await page.evaluate(() =>
        [...document.querySelectorAll<HTMLElement>("button, select, summary")]
          .filter((one) => one.offsetParent !== null && one.offsetHeight < 44)
          .map((one) => one.id || one.textContent),
      );
      expect(small).toEqual([]);
      await page.tap("#keep");
      await page.tap("#keep-dialog button[value=ok]");
      await page.locator("#kept button", { hasText: "no reason given" }).waitFor();
      clearInterval(timer);
      await other.stop();
      rmSync(folder, { recursive: true });
    },
  );

  testWith(browserNeed, "is worked by keys alone", async () => {
    const { page, faults } = await openPage();
    await mapShown(page);
    const checked = () =>
      page.evaluate(() => document.querySelector<HTMLInputElement>("input[name=view]:checked")?.value);
    await page.keyboard.press("1");
    expect(await checked()).toBe("plan");
    await page.keyboard.press("3");
    expect(await checked()).toBe("ride");
    await page.keyboard.press("p");
    expect(await word(page)).toBe("Paused");
    expect(await page.textContent("#pause")).toBe("Resume");
    await page.keyboard.press("p");
    await page.keyboard.press("t");
    expect(await page.evaluate(() => document.documentElement.dataset["theme"])).toBe("night");
    await page.keyboard.press("c");
    expect(await page.evaluate(() => document.activeElement?.id)).toBe("cut");
    await page.keyboard.press("Home");
    expect(await page.textContent("#cut-text")).toBe("0 cm");
    await page.keyboard.press("e");
    await page.keyboard.type("a knock at the door");
    await page.keyboard.press("Enter");
    await page.waitForFunction(() =>
      document.getElementById("notes")?.textContent?.includes("a knock at the door"),
    );
    await page.keyboard.press("s");
    expect(await page.evaluate(() => document.querySelector("dialog[open]")?.id)).toBe("settings-dialog");
    // A setting says what it is for and allows; a change reaches the head, one out of bounds is refused in words.
    const height = page.locator('input[name="body.height"]');
    await height.waitFor();
    expect(await height.getAttribute("max")).toBe("3");
    const row = page.locator("label.setting", { has: height });
    expect(await row.textContent()).toMatch(/height, m.*highest point.*0\.05 to 3 m/);
    await height.fill("0.7");
    await height.press("Tab");
    await page.waitForFunction(() => /body.height is now 0.7/.test(document.body.textContent ?? ""));
    expect(await row.textContent()).toContain("default 0.6");
    await height.fill("9");
    // Enter enters the value, and leaves the dialog and what the head answers on the screen.
    await height.press("Enter");
    await page.waitForFunction(() => /from 0.05 to 3 m, got 9/.test(document.body.textContent ?? ""));
    expect(await height.inputValue()).toBe("0.7");
    expect(await row.textContent()).toContain("from 0.05 to 3 m, got 9");
    expect(await page.isVisible("#settings-say")).toBe(true);
    // Of all settings those that have the words, or those that were changed.
    const visible = () => page.locator(".setting:visible").count();
    const all = await visible();
    await page.fill("#settings-search", "highest point");
    expect(await visible()).toBe(1);
    await page.fill("#settings-search", "");
    await page.check("#settings-changed");
    expect(await visible()).toBeGreaterThan(0);
    expect(await visible()).toBeLessThan(all);
    await page.uncheck("#settings-changed");
    // Clearing the map asks first, and Enter keeps it.
    await page.click("#map-clear");
    expect(await page.evaluate(() => [...document.querySelectorAll("dialog[open]")].at(-1)?.id)).toBe(
      "clear-dialog",
    );
    await page.keyboard.press("Enter");
    expect(await page.locator("#clear-dialog[open]").count()).toBe(0);
    expect(await page.textContent("#settings-say")).not.toMatch(/clear/);
    await page.keyboard.press("Escape");
    // Every control is reached by Tab.
    const reached = new Set<string>();
    for (let n = 0; n < 50; n++) {
      await page.keyboard.press("Tab");
      reached.add(
        await page.evaluate(
          () => document.activeElement?.id || (document.activeElement as HTMLInputElement)?.name || "",
        ),
      );
    }
    for (const id of [
      "pause",
      "mark",
      "settings",
      "theme",
      "help",
      "map",
      "view",
      "fit",
      "cut",
      "measure-distance",
      "measure-area",
      "picture",
      "follow",
      "map-only",
      "fold-side",
      "fold-time",
      "keep",
    ]) {
      expect(reached, `Tab reaches ${id}`).toContain(id);
    }
    expect(faults).toEqual([]);
    await page.close();
  });

  testWith(
    browserNeed,
    "reads pace, age and load of the last minutes under the pointer and by keys",
    async () => {
      const { page } = await openPage();
      await mapShown(page);
      const read = (pattern: RegExp) =>
        page.waitForFunction(
          (source) => new RegExp(source).test(document.getElementById("history-at")!.textContent!),
          pattern.source,
        );
      await read(/^line: pace/);
      await page.focus("#history");
      await page.keyboard.press("ArrowLeft");
      await read(/^1 s ago: .*(speed|m\/s|Stop|no pace).*; answer \d+ ms old; load \d+ %$/);
      await page.keyboard.press("Tab");
      await read(/^line: pace/);
      await page.hover("#history", { position: { x: 5, y: 20 } });
      await read(/^119 s ago: nothing received$/);
    },
  );

  testWith(browserNeed, "asks, measures, looks and saves by keys alone", async () => {
    const { page, faults } = await openPage();
    await mapShown(page);
    const found = (pattern: RegExp) =>
      page.waitForFunction(
        (source) => new RegExp(source).test(document.getElementById("found")!.textContent!),
        pattern.source,
      );
    const saved = async (key: string): Promise<string> => {
      const [file] = await Promise.all([page.waitForEvent("download"), page.keyboard.press(key)]);
      return file.suggestedFilename();
    };
    // What is known of the middle of the map, then the distance from there to a place beside it.
    await page.keyboard.press("1");
    await page.focus("#map");
    await page.keyboard.press("+");
    // Between the robot and the nearest floor that it sees, nothing is known: the map is moved to there.
    await page.keyboard.press("Enter");
    await found(/Nothing is known there|Floor there: /);
    for (let n = 0; n < 16; n++) await page.keyboard.press("ArrowRight");
    await page.keyboard.press("Enter");
    await found(/log-odds .* %\).*Floor there: /);
    await page.keyboard.press("d");
    await found(/Choose two places/);
    await page.keyboard.press("Enter");
    await found(/Choose the second/);
    await page.keyboard.press("ArrowRight");
    await page.keyboard.press("Enter");
    await found(/ apart; .* along the floor/);
    // Another one beside it, which is taken back; the first one stays until measuring ends.
    await page.keyboard.press("Enter");
    await found(/Choose the second/);
    await page.keyboard.press("Backspace");
    await found(/ apart; .* along the floor/);
    await page.keyboard.press("Escape");
    expect(await page.getAttribute("#measure-distance", "aria-pressed")).toBe("false");
    await page.keyboard.press("f");
    const isChecked = (id: string) =>
      page.evaluate((one) => (document.getElementById(one) as HTMLInputElement).checked, id);
    for (const [key, id] of [
      ["g", "floor"],
      ["a", "amplitude"],
    ] as const) {
      const before = await isChecked(id);
      await page.keyboard.press(key);
      expect(await isChecked(id)).toBe(!before);
    }
    expect(await saved("v")).toMatch(/^map-.*\.png$/);
    await page.keyboard.press("s");
    for (const [id, name] of [
      ["settings-copy", "settings.json"],
      ["map-ply", "map.ply"],
      ["map-npy", "map.npy"],
    ] as const) {
      await page.focus(`#${id}`);
      expect(await saved("Enter")).toBe(name);
    }
    await page.keyboard.press("Escape");
    await page.keyboard.press("?");
    expect(await page.evaluate(() => document.querySelector("dialog[open]")?.id)).toBe("help-dialog");
    await page.keyboard.press("Escape");
    expect(faults).toEqual([]);
  });

  testWith(browserNeed, "brings a cleared map back, from a line over the map", async () => {
    const other = await LiveHead.start({ viewer });
    const sensor = await other.open({ role: "sensor" });
    await other.drive(sensor, 12);
    const page = await browser.newPage({ viewport: { width: 390, height: 844 } });
    await page.goto(other.service.url.replace("ws:", "http:").replace("/live", "/"));
    await mapShown(page);
    await page.click("#settings");
    await page.click("#map-clear");
    await page.click("#clear-dialog button[value=ok]");
    // The dialog makes way for the map, which is empty now.
    await page.waitForFunction(() => document.getElementById("empty")?.hidden === false);
    expect(await page.locator("dialog[open]").count()).toBe(0);
    await page.waitForSelector("#cleared:not([hidden])");
    expect(await page.textContent("#map-undo")).toMatch(/^Bring it back \((60|5\d) s\)$/);
    await page.click("#map-undo");
    await page.waitForFunction(
      () => document.getElementById("found")?.textContent === "the map of before is back",
    );
    await mapShown(page);
    await page.waitForSelector("#cleared", { state: "hidden" });
    await other.stop();
  });

  testWith(browserNeed, "confirms the assumed place in a saved map with one click", async () => {
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-page-assumed-"));
    const first = await LiveHead.start({ map: { folder } });
    await first.drive(await first.open({ role: "sensor" }), 12);
    await (await first.open()).map("save");
    await first.stop();
    const settings = { "pose.source": "odometry" };
    const again = await LiveHead.start({ viewer, settings, map: { folder, load: true } });
    const page = await browser.newPage({ viewport: { width: 700, height: 500 } });
    await page.goto(again.service.url.replace("ws:", "http:").replace("/live", "/"));
    await page.waitForSelector("#assumed:not([hidden])");
    await page.click("#map-confirm");
    await page.waitForFunction(() =>
      /where the saved map says/.test(document.getElementById("found")!.textContent!),
    );
    await page.waitForSelector("#assumed", { state: "hidden" });
    // The head takes it as confirmed, too: it saves again.
    expect(await (await again.open()).map("save")).toMatch(/bytes to /);
    await again.stop();
    rmSync(folder, { recursive: true });
  });

  testWith(
    browserNeed,
    "measures an area on the plan by its corners, until it is closed and removed",
    async () => {
      const { page, faults } = await openPage();
      await mapShown(page);
      await page.keyboard.press("3");
      await page.click("#measure-area");
      expect(await page.locator('input[value="plan"]').isChecked()).toBe(true);
      const found = (text: string) =>
        page.waitForFunction((part) => document.getElementById("found")!.textContent!.includes(part), text);
      await found("Choose the corners");
      const { x, y, width, height } = (await page.locator("#map").boundingBox())!;
      const click = (across: number, down: number) => page.mouse.click(x + across * width, y + down * height);
      const corners = [
        [0.3, 0.4],
        [0.6, 0.4],
        [0.6, 0.7],
        [0.3, 0.7],
      ] as const;
      for (const [n, [across, down]] of corners.entries()) {
        await click(across, down);
        await found(n < 2 ? `${n + 1} so far` : `m² within ${n + 1} corners. Choose`);
      }
      await click(...corners[0]);
      await found("m² within 4 corners. Backspace removes it");
      // A distance stands beside it, and both go by Backspace, one by one.
      await page.focus("#map");
      await page.keyboard.press("d");
      await click(0.4, 0.3);
      await found("Choose the second place");
      await click(0.5, 0.3);
      await found(" apart; ");
      await page.keyboard.press("Backspace");
      await found("m² within 4 corners.");
      await page.keyboard.press("Backspace");
      await found("Choose two places");
      await page.keyboard.press("Escape");
      expect(await page.getAttribute("#measure-area", "aria-pressed")).toBe("false");
      expect(faults).toEqual([]);
    },
  );

  testWith(
    browserNeed,
    "keeps patterns and pressed controls apart where the system forces its own colours",
    async () => {
      const page = await browser.newPage({ viewport: { width: 900, height: 640 }, forcedColors: "active" });
      await page.goto(head.service.url.replace("ws:", "http:").replace("/live", "/"));
      await mapShown(page);
      // Colours in the swatch of each sign of the legends.
      const colours = await page.evaluate(() =>
        Object.fromEntries(
          [...document.querySelectorAll<HTMLCanvasElement>("canvas.swatch")].map((swatch) => {
            const { data } = swatch.getContext("2d")!.getImageData(0, 0, swatch.width, swatch.height);
            const isKept = getComputedStyle(swatch).getPropertyValue("forced-color-adjust") === "none";
            return [swatch.dataset["sign"], isKept ? new Set(new Uint32Array(data.buffer)).size : 0];
          }),
        ),
      );
      for (const sign of ["unseen", "remembered", "overhang", "brink", "doubtful"]) {
        expect(colours[sign], sign).toBeGreaterThan(1);
      }
      const paper = (selector: string) =>
        page.evaluate((one) => getComputedStyle(document.querySelector(one)!).backgroundColor, selector);
      const before = await paper("#measure-area");
      await page.click("#measure-area");
      expect(await paper("#measure-area")).not.toBe(before);
      expect(await paper('input[value="plan"] + span')).not.toBe(await paper('input[value="ride"] + span'));
    },
  );

  for (const theme of ["light", "dark"] as const) {
    testWith(
      browserNeed,
      `has no serious fault of accessibility, ${theme}, on a phone and on a desk`,
      async () => {
        for (const width of [360, 1200]) {
          const { page } = await openPage(theme, width);
          await mapShown(page);
          // Put in by the debugger, past the page's own policy.
          await page.evaluate(axe);
          const found = await page.evaluate(async () => {
            const { axe: checker } = globalThis as unknown as {
              axe: {
                run: () => Promise<{
                  violations: { id: string; impact: string; nodes: { html: string }[] }[];
                }>;
              };
            };
            return (await checker.run()).violations
              .filter(({ impact }) => impact === "serious" || impact === "critical")
              .map(({ id, nodes }) => `${id}: ${nodes[0]?.html}`);
          });
          expect(found).toEqual([]);
          const overflow = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
          expect(overflow).toBeLessThanOrEqual(0);
          await page.close();
        }
      },
    );
  }

  testWith(browserNeed, "asks for a token where the head requires one, and connects with it", async () => {
    const { token, entry } = newToken("tablet", ["watch"]);
    const guarded = await LiveHead.start({ viewer, tokens: [entry] });
    const page = await browser.newPage({ viewport: { width: 700, height: 500 } });
    await page.goto(guarded.service.url.replace("ws:", "http:").replace("/live", "/"));
    await page.waitForSelector("#token-dialog[open]");
    await page.fill("#token", "wrong");
    // The refusal is written anew when the dialog opens again.
    await page.evaluate(() => {
      document.getElementById("token-why")!.textContent = "";
    });
    await page.keyboard.press("Enter");
    await page.waitForFunction(() => document.getElementById("token-why")!.textContent !== "");
    await page.waitForSelector("#token-dialog[open]");
    await page.fill("#token", token);
    await page.keyboard.press("Enter");
    // It is the page's until its window is closed.
    for (const again of [false, true]) {
      if (again) await page.reload();
      await page.waitForFunction(() => document.getElementById("state-word")?.textContent === "No sensor");
    }
    await guarded.stop();
  });

  testWith(
    browserNeed,
    "says that the head is late and then gone, and marks what it shows as stale",
    async () => {
      const other = await LiveHead.start({ viewer });
      const sensor = await other.open({ role: "sensor" });
      const timer = setInterval(() => other.look(sensor), 100);
      const page = await browser.newPage({ viewport: { width: 700, height: 500 } });
      await page.goto(other.service.url.replace("ws:", "http:").replace("/live", "/"));
      await mapShown(page);
      clearInterval(timer);
      // Late by the head's own word, or silent by the page's clock.
      await page.waitForFunction(() =>
        ["Late", "Silent"].includes(document.getElementById("state-word")?.textContent ?? ""),
      );
      await other.stop();
      await page.waitForFunction(
        () => document.getElementById("state-word")?.textContent === "No connection",
      );
      expect(await page.evaluate(() => document.documentElement.dataset["values"])).toBe("stale");
      // Also in a tab that is not looked at; and it is tried again at once when asked to.
      expect(await page.title()).toMatch(/^No connection/);
      expect(await page.isVisible("#retry")).toBe(true);
      await page.close();
    },
  );

  testWith(
    browserNeed,
    "keeps the last minutes when asked by keys, lists the recording, and downloads it",
    async () => {
      const folder = mkdtempSync(join(tmpdir(), "brinkmap-page-kept-"));
      const { token, entry } = newToken("tablet", ["watch"]);
      const { token: sensing, entry: sensorEntry } = newToken("camera", ["feed"]);
      const pretrigger = { folder, before: 2, after: 1 };
      const other = await LiveHead.start({ viewer, pretrigger, tokens: [entry, sensorEntry] });
      const sensor = await other.open({ role: "sensor", token: sensing });
      const timer = setInterval(() => other.look(sensor), 100);
      const page = await browser.newPage({ viewport: { width: 700, height: 500 } });
      await page.goto(other.service.url.replace("ws:", "http:").replace("/live", "/"));
      await page.waitForSelector("#token-dialog[open]");
      await page.fill("#token", token);
      await page.keyboard.press("Enter");
      await mapShown(page);
      await page.keyboard.press("r");
      await page.keyboard.type("the blue chair was not seen");
      await page.keyboard.press("Enter");
      const row = page.locator("#kept button", { hasText: "the blue chair was not seen" });
      await row.waitFor();
      expect(await row.getAttribute("aria-label")).toMatch(/^Download .* s, .*B: asked, the blue chair/);
      await row.focus();
      const [file] = await Promise.all([page.waitForEvent("download"), page.keyboard.press("Enter")]);
      expect(file.suggestedFilename()).toMatch(/\.brk$/);
      const path = join(folder, "had.brk");
      await file.saveAs(path);
      const recording = await openRecording(path);
      const frames = [...recording.events()].filter(({ kind }) => kind === "depth").length;
      recording.close();
      expect(frames).toBeGreaterThan(5);
      // A page that was not there when it was kept lists it as well.
      await page.reload();
      await row.waitFor();
      clearInterval(timer);
      await other.stop();
      rmSync(folder, { recursive: true });
    },
  );

  testWith(browserNeed, "says that a head without a folder keeps no recordings", async () => {
    const { page } = await openPage();
    await mapShown(page);
    // Before it is asked for, too.
    await page.waitForFunction(() =>
      /no folder to keep recordings in/.test(document.getElementById("kept-say")?.textContent ?? ""),
    );
    await page.keyboard.press("r");
    expect(await page.locator("dialog[open]").count()).toBe(0);
  });
});
