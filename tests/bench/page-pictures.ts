import { existsSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { pino } from "pino";
import { resolveConfig } from "../../src/service/config.ts";
import { Service } from "../../src/service/service.ts";
import { readPlayed } from "../../src/service/shelf.ts";
import { startBrowser } from "../helpers/browser.ts";

const HELP = `Usage: page-pictures <recording> <folder>    pictures of the viewer's page, from a head that plays the recording
Needs Debian's Chromium. Writes page-desk.png, page-dark.png, page-settings.png, page-phone.png and page-gone.png.
Exit codes: 0 done, 2 wrong usage, 3 the recording is missing`;

const viewer = fileURLToPath(new URL("../../viewer", import.meta.url));
/** Seconds of driving before a picture is taken. */
const DRIVE = 25;

const SHOTS = [
  { name: "desk", width: 1360, height: 860, theme: "light", keys: [] },
  { name: "dark", width: 1360, height: 860, theme: "dark", keys: ["1"] },
  { name: "settings", width: 1000, height: 720, theme: "light", keys: ["s"] },
  { name: "phone", width: 390, height: 844, theme: "light", keys: [] },
] as const;

export async function main(args: string[]): Promise<number> {
  const [path, folder] = args;
  if (path === undefined || folder === undefined || args.includes("--help")) {
    console.log(HELP);
    return args.includes("--help") ? 0 : 2;
  }
  if (!existsSync(path)) {
    console.error(`page-pictures: ${path} is missing`);
    return 3;
  }
  const service = await Service.start({
    config: resolveConfig({ listen: { port: 0 }, viewer }),
    log: pino({ level: "silent" }),
    played: await readPlayed(path),
  });
  const browser = await startBrowser();
  const url = service.url.replace("ws:", "http:").replace("/live", "/");
  await new Promise((resolve) => setTimeout(resolve, 1000 * DRIVE));
  for (const { name, width, height, theme, keys } of SHOTS) {
    const page = await browser.newPage({ viewport: { width, height }, colorScheme: theme });
    await page.goto(url);
    await page.waitForSelector("#empty[hidden]", { state: "attached" });
    for (const key of keys) await page.keyboard.press(key);
    // Until the picture of the map has settled, and the moment is a good one.
    await page.waitForTimeout(4000);
    await page.waitForSelector(':root[data-live="yes"]', { state: "attached", timeout: 60_000 });
    await page.screenshot({ path: `${folder}/page-${name}.png`, fullPage: width < 700 });
    console.log(`${folder}/page-${name}.png`);
    if (name !== "phone") await page.close();
  }
  const page = await browser.newPage({ viewport: { width: 1000, height: 700 } });
  await page.goto(url);
  await page.waitForSelector("#empty[hidden]", { state: "attached" });
  await service.stop();
  await page.waitForTimeout(1500);
  await page.screenshot({ path: `${folder}/page-gone.png` });
  console.log(`${folder}/page-gone.png`);
  await browser.close();
  return 0;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
