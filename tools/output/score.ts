import { DROPS, FLOORS } from "../lab/floor/courses.ts";
import type { Row } from "../lab/score-floor.ts";
import { type Color, OKABE_ITO, Picture, textWidth } from "./picture.ts";

const LEFT = 150;
const WIDTH = 900;
const ROW = 34;
const SIZE = 2;
const GREY: Color = [120, 120, 120];
const PALE: Color = [225, 225, 225];
/** What limited the base last: colour, and a shape of its own. */
const LIMITS = [
  { limit: "brink", label: "drop seen", color: OKABE_ITO.vermillion, shape: "square" },
  { limit: "doubtful", label: "floor due, not there", color: OKABE_ITO.blue, shape: "cross" },
  { limit: "unseen", label: "floor not seen", color: OKABE_ITO.bluishGreen, shape: "bar" },
] as const;

type Shape = (typeof LIMITS)[number]["shape"];

function mark(picture: Picture, x: number, y: number, shape: Shape, color: Color): void {
  if (shape === "square") picture.fill(x - 1, y - 1, 4, 4, color);
  else if (shape === "bar") picture.fill(x, y - 3, 2, 7, color);
  else {
    picture.line(x - 2, y - 2, x + 2, y + 2, color);
    picture.line(x - 2, y + 2, x + 2, y - 2, color);
  }
}

/** Where bases stood before edges, drop by drop, and how fast they crossed floors without one. */
export function drawScore(rows: readonly Row[]): Picture {
  const drops = [...DROPS];
  const top = 60;
  const below = top + drops.length * ROW;
  const bars = below + 130;
  const picture = new Picture(LEFT + WIDTH + 30, bars + FLOORS.length * 26 + 30);
  const left = -0.05;
  const right = 0.35;
  const at = (gap: number) => LEFT + Math.round(((Math.min(right, gap) - left) / (right - left)) * WIDTH);
  const moved = rows.filter(({ job, outcome }) => job.kind === "approach" && outcome.way > 0.3);
  picture.text(10, 12, "Where the nearest corner of the base stood, cm before the edge", undefined, SIZE);
  for (let gap = 0; gap <= 35; gap += 5) {
    picture.fill(
      at(gap / 100),
      top - 8,
      gap === 0 ? 3 : 1,
      below - top + 8,
      gap === 0 ? OKABE_ITO.black : PALE,
    );
    const name = gap === 35 ? ">35" : String(gap);
    picture.text(at(gap / 100) - (textWidth(name, SIZE) >> 1), below + 6, name, GREY, SIZE);
  }
  drops.forEach((drop, n) => {
    const y = top + n * ROW;
    const name = Number.isNaN(Number(drop)) ? drop : `${drop} mm`;
    picture.text(10, y + 4, name, undefined, SIZE);
    const of = moved.filter(({ job }) => job.kind === "approach" && job.drop === drop);
    of.forEach(({ gap, outcome }, k) => {
      const limit = LIMITS.find((one) => one.limit === outcome.limit) ?? LIMITS[2];
      mark(picture, at(gap), y + ((k * 7) % (ROW - 10)), limit.shape, limit.color);
    });
  });
  let x = LEFT;
  for (const { label, color, shape } of LIMITS) {
    for (let k = 0; k < 3; k++) mark(picture, x + 6 * k, below + 42, shape, color);
    picture.text(x + 28, below + 36, label, undefined, SIZE);
    x += 60 + textWidth(label, SIZE);
  }
  picture.text(10, bars - 40, "Mean speed kept on floors without a drop", undefined, SIZE);
  FLOORS.forEach((floor, n) => {
    const y = bars + n * 26;
    const all = rows.filter(({ job }) => job.kind === "cruise" && job.floor === floor);
    const kept =
      all.reduce((sum, row) => sum + Math.min(1, row.ideal / row.outcome.time), 0) / Math.max(1, all.length);
    picture.text(10, y + 2, floor, undefined, SIZE);
    picture.fill(LEFT, y, Math.round(0.8 * WIDTH * kept), 18, OKABE_ITO.skyBlue);
    picture.text(
      LEFT + Math.round(0.8 * WIDTH * kept) + 8,
      y + 2,
      all.length > 0 ? `${Math.round(100 * kept)} %` : "not driven",
      undefined,
      SIZE,
    );
  });
  return picture;
}
