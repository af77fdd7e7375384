import { SIGNS, type Sign } from "../terms/signs.ts";
import { fillOf } from "./patterns.ts";
import type { Theme } from "./theme.ts";

/** Pixels of the page: height of the strip below the picture, and of a sign in it. */
const STRIP = 46;
const SIGN = [16, 12] as const;

/** The content of the strip. */
export interface Caption {
  /** Source and time of the picture. */
  readonly text: string;
  readonly isPlan: boolean;
}

/** The signs in the strip, with their meanings. */
const signsOf = (isPlan: boolean): readonly (readonly [Sign, string])[] => [
  [{ fill: "mapFloor" }, "floor seen"],
  [SIGNS.brink, "drop"],
  [SIGNS.doubtful, "doubtful floor"],
  isPlan ? [SIGNS.obstacle, "wall"] : [{ fill: "mapStanding" }, "stands in the way"],
  [{ fill: "robot" }, "robot, its path"],
];

/** The map as on the screen with its marks, above a strip with source, time and legend. */
export function pictureOf(
  map: HTMLCanvasElement,
  marks: HTMLCanvasElement,
  { text, isPlan }: Caption,
  theme: Theme,
): HTMLCanvasElement {
  const picture = document.createElement("canvas");
  const scale = map.width / Math.max(1, map.clientWidth);
  picture.width = map.width;
  picture.height = map.height + Math.round(STRIP * scale);
  const c = picture.getContext("2d")!;
  c.drawImage(map, 0, 0);
  c.drawImage(marks, 0, 0, map.width, map.height);
  c.setTransform(scale, 0, 0, scale, 0, 0);
  const top = map.height / scale;
  c.fillStyle = theme.card;
  c.fillRect(0, top, map.width / scale, STRIP);
  c.fillStyle = theme.line;
  c.fillRect(0, top, map.width / scale, 1);
  c.fillStyle = theme.ink;
  c.textBaseline = "middle";
  c.font = "600 12px system-ui, sans-serif";
  c.fillText(text, 10, top + 13);
  c.font = "12px system-ui, sans-serif";
  let x = 10;
  for (const [sign, meaning] of signsOf(isPlan)) {
    c.save();
    c.translate(x, top + 26);
    c.fillStyle = fillOf(c, sign, theme);
    c.fillRect(0, 0, ...SIGN);
    c.restore();
    c.fillStyle = theme.ink;
    c.fillText(meaning, x + SIGN[0] + 5, top + 33);
    x += SIGN[0] + 20 + c.measureText(meaning).width;
  }
  return picture;
}
