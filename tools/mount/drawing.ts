import type { View, ViewPlan } from "../../src/mount/view.ts";
import { OKABE_ITO } from "../../src/terms/palette.ts";

/** Pixels a metre, of the floor to the left of the lens, and around the drawing. */
const SCALE = 260;
const BEHIND = 0.45;
const PAD = 26;
const NOTES = 118;
/** Length of the drawn floor, metres. */
const LEAST = 1.6;
const MOST = 3.2;
/** Okabe & Ito 2008, for the colour-blind; each is labelled, too. */
const SEEN = OKABE_ITO.skyBlue;
const BLIND = OKABE_ITO.vermillion;
const STOP = OKABE_ITO.bluishGreen;

/** The side view of a plan as an SVG: the base, the lens, what it sees, what it does not, and where the base stops. */
export function drawPlan(plan: ViewPlan, view: View): string {
  const { height, pitch, below, above, front, bodyHeight, speed } = plan;
  const reach = Math.min(MOST, Math.max(LEAST, 1.25 * view.needed, Number.isFinite(view.far) ? view.far : 0));
  const top = Math.max(1.15 * bodyHeight, height + 0.2);
  const width = SCALE * (BEHIND + reach) + 2 * PAD;
  const tall = SCALE * top + 2 * PAD + NOTES;
  const x = (metres: number): string => (PAD + SCALE * (BEHIND + metres)).toFixed(1);
  const y = (metres: number): string => (PAD + SCALE * (top - metres)).toFixed(1);
  const at = (a: number, b: number): string => `${x(a)},${y(b)}`;
  /** Where a ray that looks down by `angle` leaves the drawing. */
  const end = (angle: number): readonly [number, number] => {
    const down = Math.tan(angle);
    const floor = angle > 0 ? height / down : Number.POSITIVE_INFINITY;
    if (floor <= reach) return [floor, 0];
    const over = height - down * reach;
    return over <= top ? [reach, over] : [(height - top) / down, top];
  };
  const [lowX, lowY] = end(Math.min(pitch + below, 1.5));
  const [highX, highY] = end(pitch - above);
  const corners = [at(0, height), at(lowX, lowY)];
  if (lowY === 0 && highY > 0) corners.push(at(reach, 0));
  if (highY === top && highX < reach) corners.push(at(reach, top));
  corners.push(at(highX, highY));
  const [axisX, axisY] = end(pitch);
  const text = (a: string, b: string, words: string, more = ""): string =>
    `<text x="${a}" y="${b}" ${more}>${words}</text>`;
  const note = (row: number, colour: string, words: string): string => {
    const line = PAD + SCALE * top + 34 + 21 * row;
    return (
      `<rect x="${PAD}" y="${line - 11}" width="14" height="14" fill="${colour}"/>` +
      text(String(PAD + 22), String(line + 1), words)
    );
  };
  const cm = (metres: number): string => `${(100 * metres).toFixed(0)} cm`;
  const degrees = (angle: number): string => `${((180 * angle) / Math.PI).toFixed(0)}&#176;`;
  const stop = Math.min(view.stopping, reach - front);
  const lines = [
    `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 ${width.toFixed(0)} ${tall.toFixed(0)}" font-family="sans-serif" font-size="15" fill="#222">`,
    `<title>Side view: lens ${cm(height)} above the floor, ${degrees(pitch)} down, ${speed} m/s</title>`,
    `<rect width="100%" height="100%" fill="#fff"/>`,
    `<polygon points="${corners.join(" ")}" fill="${SEEN}" fill-opacity="0.3" stroke="${SEEN}"/>`,
    `<line x1="${x(0)}" y1="${y(height)}" x2="${x(axisX)}" y2="${y(axisY)}" stroke="${SEEN}" stroke-dasharray="6 5"/>`,
    `<rect x="${x(front - 0.42)}" y="${y(bodyHeight)}" width="${(SCALE * 0.42).toFixed(1)}" height="${(SCALE * (bodyHeight - 0.06)).toFixed(1)}" fill="#bbb" fill-opacity="0.55" stroke="#666"/>`,
    ...[-0.32, -0.1].map(
      (wheel) => `<circle cx="${x(front + wheel)}" cy="${y(0.06)}" r="${0.06 * SCALE}" fill="#555"/>`,
    ),
    `<line x1="${x(-BEHIND)}" y1="${y(0)}" x2="${x(reach)}" y2="${y(0)}" stroke="#222" stroke-width="2"/>`,
  ];
  if (view.blind > 0) {
    const far = Math.min(view.near, reach);
    lines.push(
      `<line x1="${x(front)}" y1="${y(0)}" x2="${x(far)}" y2="${y(0)}" stroke="${BLIND}" stroke-width="7" stroke-dasharray="9 4"/>`,
    );
  }
  const ruler = (PAD + SCALE * top + 14).toFixed(1);
  lines.push(
    `<line x1="${x(front)}" y1="${ruler}" x2="${x(front + stop)}" y2="${ruler}" stroke="${STOP}" stroke-width="5"/>`,
    `<line x1="${x(view.needed)}" y1="${y(0)}" x2="${x(view.needed)}" y2="${y(0.14)}" stroke="${STOP}" stroke-width="2"/>`,
    text(x(Math.min(view.needed, reach - 0.95)), y(0.17), `edge must be known: ${cm(view.needed)}`),
    `<circle cx="${x(0)}" cy="${y(height)}" r="6" fill="#222"/>`,
    text(x(-0.3), y(Math.max(bodyHeight, height) + 0.04), `lens, ${cm(height)}, ${degrees(pitch)} down`),
    note(
      0,
      SEEN,
      `seen: floor from ${cm(view.near)}${Number.isFinite(view.far) ? ` to ${cm(view.far)}` : " on"} ahead of the lens`,
    ),
    note(
      1,
      BLIND,
      view.blind > 0
        ? `near blind zone: ${cm(view.blind)} before the front, from memory (dashed)`
        : "no near blind zone",
    ),
    note(2, STOP, `stopping from ${speed} m/s: ${cm(view.stopping)} (bar below the floor)`),
    "</svg>",
  );
  return `${lines.join("\n")}\n`;
}
