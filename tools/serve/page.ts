import { existsSync } from "node:fs";
import { fileURLToPath } from "node:url";

/** The built viewer, from here and from dist/tools/serve alike; absent where only the program was built. */
export const VIEWER = ["../../viewer", "../../dist/viewer"]
  .map((path) => fileURLToPath(new URL(path, import.meta.url)))
  .find((path) => existsSync(`${path}/index.html`));

/** Address of a head's page. */
export const pageAddress = (url: string): string => url.replace(/^ws/, "http").replace(/live$/, "");
