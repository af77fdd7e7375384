import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, afterEach, beforeAll, describe, expect } from "vitest";
import { browserNeed, startBrowser } from "../helpers/browser.ts";
import { LiveHead } from "../helpers/live.ts";
import { testWith } from "../helpers/needs.ts";

// The first visit to the page in a real browser: its guided look, and its loading while the head restarts. The head has no sensor.

const viewer = fileURLToPath(new URL("../../dist/viewer", import.meta.url));
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const ready = browserNeed() === null;

let browser: Browser;
let head: LiveHead;
let url: string;

beforeAll(async () => {
  if (!ready) return;
  browser = await startBrowser();
  head = await LiveHead.start({ viewer });
  url = head.service.url.replace("ws:", "http:").replace("/live", "/");
});
afterEach(async () => {
  if (ready) await Promise.all(browser.contexts().map((context) => context.close()));
});
afterAll(async () => {
  if (!ready) return;
  await browser.close();
  await head.stop();
});

const isOpen = (page: Page) => page.isVisible("#look");
const title = (page: Page) => page.textContent("#look-title");
const focused = (page: Page) => page.evaluate(() => document.activeElement?.id ?? "");

/** Presses Next until the card closes. @returns the titles that were seen */
async function titlesOf(page: Page): Promise<(string | null)[]> {
  const titles = [];
  while (await isOpen(page)) {
    titles.push(await title(page));
    await page.keyboard.press("Enter");
  }
  return titles;
}

describe("the guided look", () => {
  testWith(
    browserNeed,
    "opens in a new browser without taking the focus, and once closed stays closed",
    async () => {
      const page = await browser.newPage({ viewport: { width: 1200, height: 700 } });
      await page.goto(url);
      await page.waitForSelector("#look:not([hidden])");
      expect(await focused(page)).toBe("");
      // The page is used as ever meanwhile.
      await page.keyboard.press("1");
      expect(await page.isChecked('input[value="plan"]')).toBe(true);
      await page.focus("#look-next");
      expect(await titlesOf(page)).toEqual(["State, and why", "Map", "Around the robot", "Timeline", "Keep"]);
      expect(await page.locator(".is-looked-at").count()).toBe(0);
      await page.reload();
      await page.waitForFunction(() => document.getElementById("state-word")?.textContent === "No sensor");
      expect(await isOpen(page)).toBe(false);
    },
  );

  testWith(
    browserNeed,
    "is opened by keys from the help, also with folded panels, and closed by Escape",
    async () => {
      const page = await browser.newPage({ viewport: { width: 1200, height: 700 } });
      await page.goto(url);
      await page.click("#look-close");
      await page.keyboard.press("w");
      await page.keyboard.press("m");
      await page.keyboard.press("?");
      await page.focus("#look-open");
      await page.keyboard.press("Enter");
      await page.waitForSelector("#look:not([hidden])");
      expect(await isOpen(page)).toBe(true);
      expect(await focused(page)).toBe("look-next");
      await page.keyboard.press("Enter");
      expect(await title(page)).toBe("Map");
      await page.focus("#look-back");
      await page.keyboard.press("Enter");
      expect(await title(page)).toBe("State, and why");
      await page.keyboard.press("Tab");
      await page.keyboard.press("Escape");
      expect(await isOpen(page)).toBe(false);
      // The help itself, closed by Escape, opens nothing.
      await page.keyboard.press("?");
      await page.keyboard.press("Escape");
      expect(await page.locator("dialog[open]").count()).toBe(0);
      expect(await isOpen(page)).toBe(false);
    },
  );

  for (const colorScheme of ["light", "dark"] as const) {
    for (const width of [360, 1440]) {
      testWith(
        browserNeed,
        `frames parts that its card does not cover, and has no fault of accessibility, ${colorScheme}, ${width} px wide`,
        async () => {
          const page = await browser.newPage({ viewport: { width, height: 860 }, colorScheme });
          await page.goto(url);
          await page.waitForSelector("#look:not([hidden])");
          // It opens by itself over nothing that is worked: state, Keep and the buttons of the map.
          const top = (await page.locator("#look").boundingBox())!.y;
          for (const one of width < 700 ? ["#state", "#keep", "#map-tools"] : []) {
            const { y, height } = (await page.locator(one).boundingBox())!;
            expect(y + height, one).toBeLessThanOrEqual(top);
          }
          // Put in by the debugger, past the page's own policy.
          await page.evaluate(axe);
          const found = await page.evaluate(async () => {
            const { axe: checker } = globalThis as unknown as {
              axe: { run: () => Promise<{ violations: { id: string; nodes: { html: string }[] }[] }> };
            };
            return (await checker.run()).violations.map(({ id, nodes }) => `${id}: ${nodes[0]?.html}`);
          });
          expect(found).toEqual([]);
          await page.focus("#look-next");
          while (await isOpen(page)) {
            const [part, card] = await page.evaluate(() =>
              [".is-looked-at", "#look"].map((one) => {
                const { top, bottom, left, right } = document.querySelector(one)!.getBoundingClientRect();
                return { top, bottom, left, right };
              }),
            );
            const isClear =
              part!.bottom <= card!.top + 1 || part!.top >= card!.bottom - 1 || part!.left >= card!.right;
            expect(isClear, `${await title(page)}: ${JSON.stringify([part, card])}`).toBe(true);
            expect(part!.top).toBeGreaterThanOrEqual(0);
            await page.keyboard.press("Enter");
          }
          expect(
            await page.evaluate(() => document.documentElement.scrollWidth - innerWidth),
          ).toBeLessThanOrEqual(0);
        },
      );
    }
  }
});

describe("a page that is loaded while the head restarts", () => {
  for (const file of ["main.js", "page.css", "worker.js"]) {
    testWith(browserNeed, `loads again by itself when ${file} was missing`, async () => {
      const page = await browser.newPage({ viewport: { width: 500, height: 400 } });
      // First no connection, then an answer with an error, then the file.
      const failures = ["abort", "error"];
      let looks = 0;
      await page.route(`**/${file}`, (route) => {
        if (route.request().method() === "HEAD" && looks++ === 0) return route.fulfill({ status: 503 });
        const failure = failures.shift();
        if (failure === "abort") return route.abort("connectionrefused");
        return failure === "error" ? route.fulfill({ status: 503 }) : route.continue();
      });
      await page.goto(url);
      await page.waitForFunction(
        () =>
          document.getElementById("state-word")?.textContent === "No sensor" &&
          getComputedStyle(document.body).margin === "0px",
        null,
        { timeout: 60_000 },
      );
      expect(failures).toEqual([]);
    });
  }
});

testWith(
  browserNeed,
  "lists other heads where the head searches for them, each opening in a tab",
  async () => {
    const page = await browser.newPage({ viewport: { width: 1200, height: 700 } });
    const opened = page.waitForResponse((answer) => answer.url().endsWith("/heads"));
    await page.goto(url);
    await opened;
    await page.click("#look-close");
    await page.click("#head-box summary");
    expect(await page.isVisible("#heads-box")).toBe(false);
    // The head's own answer is the test's: a search would send packets to the network.
    const other = `${url}?other`;
    await page.route("**/heads", (route) =>
      route.fulfill({ json: { isOn: true, heads: [{ name: "Head <b>two</b>", url: other }] } }),
    );
    await page.click("#head-box summary");
    await page.click("#head-box summary");
    const link = page.locator("#heads a");
    expect(await link.textContent()).toBe(`Head <b>two</b>, ${new URL(url).host}`);
    const [tab] = await Promise.all([page.context().waitForEvent("page"), link.click()]);
    expect(tab.url()).toBe(other);
  },
);

testWith(browserNeed, "the guided look waits in a low window until it is asked for", async () => {
  const page = await browser.newPage({ viewport: { width: 844, height: 390 } });
  await page.goto(url);
  await page.waitForFunction(() => document.getElementById("state-word")?.textContent === "No sensor");
  expect(await isOpen(page)).toBe(false);
  await page.keyboard.press("?");
  await page.click("#look-open");
  await page.waitForSelector("#look:not([hidden])");
});

testWith(browserNeed, "every control of the page has a tooltip, with its key if it has one", async () => {
  const page = await browser.newPage({ viewport: { width: 900, height: 640 } });
  await page.goto(url);
  await page.waitForSelector(".setting", { state: "attached" });
  const bare = await page.evaluate(() =>
    [...document.querySelectorAll<HTMLElement>("button, select, input:not([type=file])")]
      .filter((control) => (control.closest<HTMLElement>("[title]")?.title ?? "") === "")
      .map(({ id, outerHTML }) => id || outerHTML),
  );
  expect(bare).toEqual([]);
  expect(await page.getAttribute("#help", "title")).toMatch(/ \(\?\)$/);
});
