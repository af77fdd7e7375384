import { LIGHT } from "../../../src/terms/palette.ts";
import { SIGNS } from "../../../src/terms/signs.ts";
import { Drawing, textWidth } from "../../output/drawing.ts";
import { DROPS, FLOORS } from "../floor/courses.ts";

/** Data of a drive for the picture. */
export interface ScoredDrive {
  readonly job: { readonly kind: string; readonly drop?: string; readonly floor?: string };
  readonly outcome: { readonly way: number; readonly time: number; readonly limit: string | null };
  /** Metres from the base's nearest front corner to the edge, at the end; negative beyond. */
  readonly gap: number;
  /** Seconds that the same way takes at the wished speed. */
  readonly ideal: number;
}

const LEFT = 170;
const PLOT = 900;
const RIGHT = 40;
/** Of a kind of drop, and of a floor. */
const ROW = 36;
const BAR_ROW = 34;
const TOP = 80;
/** Metres before the edge: the ends of the axis. What stood farther off is drawn at its end. */
const FROM = -0.05;
const TO = 0.35;

/** What limited the base last: a colour and a shape. */
const LIMITS = [
  { limit: "brink", label: "drop seen", color: LIGHT.brink, shape: "square" },
  { limit: "doubtful", label: "floor expected, none measured", color: LIGHT.ink, shape: "cross" },
  { limit: "unseen", label: "floor not seen", color: LIGHT.unseen, shape: "bar" },
] as const;
type Limit = (typeof LIMITS)[number];

function mark(drawing: Drawing, x: number, y: number, { shape, color }: Limit): void {
  if (shape === "square") drawing.rect({ x: x - 2, y: y - 2, width: 5, height: 5 }, color);
  else if (shape === "bar") drawing.rect({ x: x - 1, y: y - 4, width: 3, height: 9 }, color);
  else {
    const pieces = [
      [x - 3, y - 3, x + 3, y + 3],
      [x - 3, y + 3, x + 3, y - 3],
    ];
    drawing.lines(pieces, { color, width: 1.5 });
  }
}

/** Where bases stood before edges, drop by drop, and how fast they crossed floors without one. */
export function drawScore(drives: readonly ScoredDrive[]): Drawing {
  const below = TOP + DROPS.length * ROW;
  const bars = below + 170;
  const drawing = new Drawing(LEFT + PLOT + RIGHT, bars + FLOORS.length * BAR_ROW + 20);
  drawStands(drawing, drives, below);
  drawSpeeds(drawing, drives, bars);
  return drawing;
}

function drawStands(drawing: Drawing, drives: readonly ScoredDrive[], below: number): void {
  const at = (gap: number): number => LEFT + ((Math.min(TO, gap) - FROM) / (TO - FROM)) * PLOT;
  const moved = drives.filter(({ job, outcome }) => job.kind === "approach" && outcome.way > 0.3);
  drawing.text(14, 34, "Where the base's nearest corner came to rest, centimetres before the edge");
  // Beyond the edge the floor is gone.
  drawing.rect({ x: LEFT, y: TOP - 10, width: at(0) - LEFT, height: below - TOP + 10 }, SIGNS.brink);
  for (let gap = 0; gap <= 35; gap += 5) {
    const x = at(gap / 100);
    const stroke = gap === 0 ? { color: LIGHT.brink, width: 5 } : { color: LIGHT.faint, width: 1.5 };
    drawing.lines([[x, TOP - 10, x, below]], stroke);
    const name = gap === 35 ? "over 35" : gap === 0 ? "0 edge" : String(gap);
    drawing.text(x, below + 24, name, { anchor: "middle", size: 18, color: LIGHT.soft });
  }
  DROPS.forEach((drop, n) => {
    const y = TOP + n * ROW;
    drawing.text(14, y + 17, Number.isNaN(Number(drop)) ? drop : `${drop} mm`);
    moved
      .filter(({ job }) => job.drop === drop)
      .forEach(({ gap, outcome }, k) => {
        const limit = LIMITS.find((one) => one.limit === outcome.limit) ?? LIMITS[2];
        // Spread over the row, so that bases at one place do not cover each other.
        mark(drawing, at(gap), y + ((k * 7) % (ROW - 10)), limit);
      });
  });
  let x = LEFT;
  drawing.text(14, below + 74, "Limited by");
  for (const limit of LIMITS) {
    for (let k = 0; k < 3; k++) mark(drawing, x + 12 * k, below + 67, limit);
    drawing.text(x + 42, below + 74, limit.label);
    x += 80 + textWidth(limit.label);
  }
}

function drawSpeeds(drawing: Drawing, drives: readonly ScoredDrive[], bars: number): void {
  drawing.text(14, bars - 24, "Speed kept on floors without a drop");
  FLOORS.forEach((floor, n) => {
    const y = bars + n * BAR_ROW;
    const all = drives.filter(({ job }) => job.kind === "cruise" && job.floor === floor);
    const kept =
      all.reduce((sum, { ideal, outcome }) => sum + Math.min(1, ideal / outcome.time), 0) /
      Math.max(1, all.length);
    const wide = 0.8 * PLOT;
    drawing.text(14, y + 18, floor);
    drawing.rect({ x: LEFT, y, width: wide, height: 22 }, LIGHT.faint);
    drawing.rect({ x: LEFT, y, width: wide * kept, height: 22 }, LIGHT.high);
    const text = all.length > 0 ? `${Math.round(100 * kept)} %` : "not driven";
    drawing.text(LEFT + wide + 10, y + 18, text);
  });
}
