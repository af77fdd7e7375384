import { existsSync } from "node:fs";
import { type Browser, chromium } from "playwright-core";

const CHROMIUM = "/usr/bin/chromium";

export const browserNeed = (): string | null =>
  existsSync(CHROMIUM) ? null : "Debian's Chromium; apt-get install chromium";

/** Headless Chromium with software rendering, which connects to this machine only. */
export const startBrowser = (): Promise<Browser> =>
  chromium.launch({
    executablePath: CHROMIUM,
    args: [
      "--no-sandbox",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
      "--use-gl=angle",
      "--use-angle=swiftshader",
      "--enable-unsafe-swiftshader",
    ],
  });
