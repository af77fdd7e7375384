import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { fileURLToPath } from "node:url";
import type { Browser, Page } from "playwright-core";
import { afterAll, beforeAll, describe, expect } from "vitest";
import { newToken } from "../../src/service/access/tokens.ts";
import { browserNeed, startBrowser } from "../helpers/browser.ts";
import { LiveHead } from "../helpers/live.ts";
import { testWith } from "../helpers/needs.ts";

// Zones that a person draws on the map of a live head, with a real mouse.

const viewer = fileURLToPath(new URL("../../dist/viewer", import.meta.url));
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const ready = browserNeed() === null;

let browser: Browser;
beforeAll(async () => {
  if (ready) browser = await startBrowser();
});
afterAll(async () => {
  if (ready) await browser.close();
});

/** The plan of a head, with the panel of zones open. */
async function openZones(head: LiveHead, token: string | null = null) {
  const sensor = await head.open({ role: "sensor", ...(token !== null && { token }) });
  await head.drive(sensor, 6);
  const page = await browser.newPage({ viewport: { width: 900, height: 600 } });
  await page.addInitScript((given) => {
    localStorage.setItem("look closed", "true");
    if (given !== null) sessionStorage.setItem("token", given);
  }, token);
  await page.goto(`${head.service.url.replace("ws:", "http:").replace("/live", "/")}#view=plan`);
  await page.waitForFunction(() => document.getElementById("empty")?.hidden === true);
  await page.click("#zones");
  const { x, y, width, height } = (await page.locator("#map").boundingBox())!;
  return {
    page,
    /** Pixels of the page of a share of the map. */
    at: ([across, down]: readonly [number, number]) => [x + across * width, y + down * height] as const,
  };
}

const says = (page: Page, part: string) =>
  page.waitForFunction((text) => document.getElementById("zone-say")!.textContent!.includes(text), part);

/** Drags the middle of an element by pixels. */
async function drag(page: Page, selector: string, right: number, down: number): Promise<void> {
  const box = (await page.locator(selector).boundingBox())!;
  const [x, y] = [box.x + box.width / 2, box.y + box.height / 2];
  await page.mouse.move(x, y);
  await page.mouse.down();
  await page.mouse.move(x + right / 2, y + down / 2);
  await page.mouse.move(x + right, y + down);
  await page.mouse.up();
}

const SQUARE = [
  [0.6, 0.3],
  [0.82, 0.3],
  [0.82, 0.65],
  [0.6, 0.65],
] as const;

describe("zones on the map", () => {
  testWith(
    browserNeed,
    "a closed area is drawn, changed, renamed and deleted; the head has it each time",
    async () => {
      const head = await LiveHead.start({ viewer });
      const { page, at } = await openZones(head);
      const client = await head.open();
      const held = async () => (await client.settings())["guard.keepOut"];
      const answers: boolean[] = [];
      page.on("dialog", (dialog) => (answers.shift() ? dialog.accept() : dialog.dismiss()));

      await page.click("#zone-draw");
      for (const corner of SQUARE) await page.mouse.click(...at(corner));
      await says(page, "m² within 4 corners. The first corner again");
      await page.mouse.click(...at(SQUARE[0]));
      await says(page, "Drag a corner");
      await page.keyboard.type("kiln");
      await page.keyboard.press("Enter");
      await says(page, '"kiln" is closed to the robot');
      const drawn = String(await held());
      const corners = /^kiln: (.*)$/
        .exec(drawn)![1]!
        .split(" ")
        .map((corner) => corner.split(",").map(Number));
      // On the plan, x grows to the right and y up, and the click was on a rectangle.
      const [[x0, y0], [x1, y1], [x2, y2], [x3, y3]] = corners as [number[], number[], number[], number[]];
      expect([x3, y1, x2, y3]).toEqual([x0, y0, x1, y2]);
      expect(x1! - x0!).toBeGreaterThan(0.2);
      expect(y0! - y2!).toBeGreaterThan(0.2);

      // Larger and renamed: nothing is asked.
      await page.click('[aria-label="Change kiln"]');
      await page.waitForSelector(".corner-handle:visible >> nth=3");
      await drag(page, '[aria-label="Corner 1 of 4"]', -30, -30);
      await page.fill("#zone-name", "hot kiln");
      await page.click("#zone-save");
      await says(page, '"hot kiln" is closed to the robot');
      const larger = String(await held());
      expect(larger).toMatch(/^hot kiln: /);
      expect(larger.split(" ").slice(3)).toEqual(drawn.split(" ").slice(2));

      // A notch opens a part: the head asks, and the person is asked before.
      await page.click('[aria-label="Change hot kiln"]');
      await page.waitForSelector(".middle-handle:visible");
      await drag(page, '[aria-label="Add a corner after corner 2"]', -40, 0);
      answers.push(false, true);
      await page.click("#zone-save");
      await says(page, "Nothing was changed");
      expect(await held()).toBe(larger);
      await page.click("#zone-save");
      await says(page, "is closed to the robot");
      expect(String(await held()).split(" ")).toHaveLength(7);

      // Sides that cross are refused where they are drawn.
      await page.click('[aria-label="Change hot kiln"]');
      await drag(page, '[aria-label="Corner 3 of 5"]', -260, 0);
      await says(page, "Two sides cross");
      await page.click("#zone-save");
      await page.focus('[aria-label="Corner 3 of 5"]');
      await page.keyboard.press("Delete");
      await says(page, "within 4 corners");
      await page.keyboard.press("Escape");

      await page.evaluate(axe);
      const faults = await page.evaluate(async () => {
        const { axe: checker } = globalThis as unknown as {
          axe: { run: () => Promise<{ violations: { id: string }[] }> };
        };
        return (await checker.run()).violations.map(({ id }) => id);
      });
      expect(faults).toEqual([]);

      // A slow zone in its place: one change of both settings.
      await page.click('[aria-label="Change hot kiln"]');
      await page.selectOption("#zone-kind", "slow");
      await page.fill("#zone-speed", "0.2");
      answers.push(true);
      await page.click("#zone-save");
      await says(page, 'In "hot kiln" the robot drives at most 0.2 m/s');
      expect(await held()).toBe("");
      expect((await client.settings())["guard.slowIn"]).toMatch(/^hot kiln: 0.2 m\/s: /);
      expect(await page.textContent("#zone-list")).toContain("hot kiln: 0.2 m/s");

      answers.push(true);
      await page.click('[aria-label="Delete hot kiln"]');
      await says(page, '"hot kiln" is deleted');
      expect((await client.settings())["guard.slowIn"]).toBe("");

      // A spot: its place, and where the robot faces there; then it is a goal.
      await page.click("#zone-spot");
      await page.mouse.click(...at([0.7, 0.6]));
      await says(page, "Click where the robot faces there");
      await page.mouse.click(...at([0.7, 0.4]));
      await says(page, "heading 90°");
      await page.keyboard.type("charger");
      await page.keyboard.press("Enter");
      await says(page, '"charger" is a goal for ways');
      expect((await client.settings())["map.spots"]).toMatch(/^charger: -?[\d.]+,-?[\d.]+,90$/);
      await page.keyboard.press("Escape");
      await page.click("#way-to");
      await page.click("#spot-goals button");
      await page.waitForFunction(() => / to /.test(document.getElementById("found")!.textContent!));
      await page.click("#way-to");
      await page.click("#zones");
      await page.keyboard.press("Escape");
      expect(await page.isVisible("#zone-form")).toBe(false);
      await page.close();
      await head.stop();
    },
  );

  testWith(
    browserNeed,
    "a page without the right reads the refusal in the panel, and its outline stays",
    async () => {
      const { token, entry } = newToken("tablet", ["watch", "feed"]);
      const head = await LiveHead.start({ viewer, tokens: [entry] });
      const { page, at } = await openZones(head, token);
      await page.click("#zone-draw");
      for (const corner of SQUARE.slice(1)) await page.mouse.click(...at(corner));
      await page.keyboard.press("Enter");
      await page.keyboard.press("Enter");
      await says(page, "configure");
      expect(await page.locator(".corner-handle:visible").count()).toBe(3);
      await page.close();
      await head.stop();
    },
  );
});
