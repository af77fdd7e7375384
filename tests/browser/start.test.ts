import { type ChildProcess, spawn } from "node:child_process";
import { existsSync, mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, describe, expect, test } from "vitest";
import { main } from "../../tools/start.ts";
import { browserNeed, startBrowser } from "../helpers/browser.ts";
import { testWith } from "../helpers/needs.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-start-"));
afterAll(() => rmSync(folder, { recursive: true }));
const script = fileURLToPath(new URL("../../dist/tools/start.js", import.meta.url));

/** Two seconds of the furnished room, so that a demo is rendered in no time; and longer drives, during whose rendering a page opens. */
const room = JSON.parse(
  readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"),
) as Record<string, unknown>;
const driveOf = (seconds: number): string => {
  const path = join(folder, `room-${seconds}.json`);
  writeFileSync(path, JSON.stringify({ ...room, duration: seconds }));
  return path;
};
const scenario = driveOf(2);

/** What `npm start` runs, and the address that it prints. */
async function start(
  out = folder,
  drive = scenario,
): Promise<{ child: ChildProcess; url: string; ended: Promise<number | null> }> {
  const child = spawn(process.execPath, [script, "--scenario", drive, "-o", out, "--port", "0"]);
  const ended = new Promise<number | null>((resolve) => child.on("exit", resolve));
  let said = "";
  const url = await new Promise<string>((resolve, reject) => {
    const look = (piece: unknown): void => {
      said += String(piece);
      const found = /http:\/\/127\.0\.0\.1:\d+\//.exec(said)?.[0];
      if (found !== undefined) resolve(found);
    };
    child.stdout.on("data", look);
    child.stderr.on("data", look);
    void ended.then((code) => reject(new Error(`ended with ${code}: ${said}`)));
  });
  return { child, url, ended };
}

describe("npm start", () => {
  testWith(browserNeed, "prints the address of a page on which the demo drives and is mapped", async () => {
    const { child, url, ended } = await start(join(folder, "driving"), driveOf(30));
    const browser = await startBrowser();
    try {
      const page = await browser.newPage({ viewport: { width: 700, height: 500 } });
      await page.goto(url);
      await page.waitForFunction(() => document.getElementById("empty")?.hidden === true);
      const frame = (): Promise<number> =>
        page.evaluate(() => Number(document.getElementById("frame")?.textContent?.replaceAll(",", "")));
      const first = await frame();
      await page.waitForFunction(
        (then) => Number(document.getElementById("frame")?.textContent?.replaceAll(",", "")) !== then,
        first,
      );
    } finally {
      await browser.close();
      child.kill("SIGTERM");
    }
    expect(await ended).toBe(0);
  });

  testWith(
    browserNeed,
    "the head drives while the demo is rendered, and then plays the recording at the same address",
    async () => {
      const out = join(folder, "new");
      const { child, url, ended } = await start(out, driveOf(10));
      const browser = await startBrowser();
      try {
        const page = await browser.newPage({ viewport: { width: 700, height: 500 } });
        await page.goto(url);
        await page.waitForFunction(() => document.getElementById("empty")?.hidden === true);
        const mode = () => page.evaluate(() => document.documentElement.dataset["mode"]);
        expect(await mode()).toBe("live");
        expect(existsSync(join(out, "demo.brk"))).toBe(false);
        await page.waitForFunction(() => document.documentElement.dataset["mode"] === "played", undefined, {
          timeout: 120_000,
        });
        await page.waitForFunction(() => document.getElementById("state-word")?.textContent === "Recording");
        expect(existsSync(join(out, "demo.brk"))).toBe(true);
      } finally {
        await browser.close();
        child.kill("SIGTERM");
      }
      expect(await ended).toBe(0);
    },
    180_000,
  );

  testWith(
    browserNeed,
    "ended while the demo is rendered, it leaves no process and no recording",
    async () => {
      const long = join(folder, "longer.json");
      writeFileSync(long, JSON.stringify({ ...room, duration: 60 }));
      const out = join(folder, "ended");
      const { child, ended } = await start(out, long);
      child.kill("SIGTERM");
      expect(await ended).toBe(0);
      const part = join(out, "demo.brk.part");
      const size = (): number => (existsSync(part) ? statSync(part).size : 0);
      const before = size();
      await new Promise((resolve) => setTimeout(resolve, 1000));
      expect(size()).toBe(before);
      expect(existsSync(join(out, "demo.brk"))).toBe(false);
    },
  );

  test.each([
    [["surplus"], 2],
    [["--port", "many"], 2],
    [["--scenario", join(folder, "nowhere.json")], 3],
  ])("%j ends with code %i", async (args, code) => {
    expect(await main(args)).toBe(code);
  });
});
