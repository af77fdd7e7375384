import type { Head } from "../../src/head/head.ts";
import { drawDifference } from "../output/difference-picture.ts";
import { drawMap } from "../output/map-pictures.ts";
import { writeWholeFile } from "../output/whole-file.ts";
import { replayRecording } from "../replay/run.ts";
import { describeSettings, type Given } from "./runs.ts";

/** A map drawn from above, as PNG. */
export interface MapPicture {
  readonly png: Uint8Array;
  readonly about: string;
}

export const isPageName = (path: string): boolean => path.toLowerCase().endsWith(".html");

/** Writes a page, and its numbers beside it under the same name but for the ending. */
export async function writeReport(path: string, page: string, json: string): Promise<void> {
  await writeWholeFile(path, page);
  await writeWholeFile(path.replace(/\.html$/i, ".json"), `${json}\n`);
}

/** Maps of a recording from above, one for each of two settings, from all its frames; and where they differ. */
export async function mapPictures(
  path: string,
  all: readonly { readonly name: string; readonly settings: Given }[],
): Promise<MapPicture[]> {
  const out: MapPicture[] = [];
  const heads: Head[] = [];
  for (const { name, settings } of all) {
    const { head, path: way } = await replayRecording(path, { settings });
    heads.push(head);
    const picture = drawMap(head, "", way);
    if (picture === null) continue;
    out.push({
      png: await picture.drawing.toPng(),
      about: `${name}: ${describeSettings(settings)}; ${path} from above`,
    });
  }
  const [first, second] = heads;
  const difference = first && second && drawDifference(first, second, "");
  if (difference) {
    const names = `${all[0]!.name} and ${all[1]!.name}`;
    out.push({
      png: await difference.drawing.toPng(),
      about: `where the maps differ: ${names}; ${path} from above`,
    });
  }
  return out;
}
