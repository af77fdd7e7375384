import { describe, expect, test } from "vitest";
import { FOOTING } from "../../src/terms/safety.ts";
import { FIRM_ONLY, type Prices, WayGround } from "../../src/way/ground.ts";
import { type LookAnswer, LookFinder } from "../../src/way/next-look.ts";
import { Outline } from "../../src/way/outline.ts";
import { Room } from "../../src/way/room.ts";
import { whyNotText } from "../../src/way/why-not-text.ts";
import { BODIES } from "../../tools/lab/way/bodies.ts";

const CELL = 0.05;
const MARGIN = 0.04;
const SIGHT = { reach: 2, width: 1 };
const OPEN: Prices = { unseen: 1, doubtful: 1 };
const CODES: Readonly<Record<string, number>> = {
  "#": FOOTING.blocked,
  ".": FOOTING.firm,
  " ": FOOTING.unseen,
  v: FOOTING.gone,
  "?": FOOTING.doubtful,
};

/** A floor drawn as text, each character a square of 20 cm; the first line has the highest y, the lower left corner is the origin. */
function lookFor(
  lines: readonly string[],
  [x, y, yaw]: readonly [number, number, number],
  inVain: readonly (readonly [number, number])[] = [],
): LookAnswer {
  const outline = new Outline(BODIES.oblong);
  const rooms = [FIRM_ONLY, OPEN].map((prices) => {
    const ground = new WayGround(CELL, { body: outline.outer + 0.1, limit: 1, prices });
    const [cols, rows] = [4 * lines[0]!.length, 4 * lines.length];
    ground.fit(0, 0, cols, rows);
    for (let r = 0; r < rows; r++) {
      for (let c = 0; c < cols; c++) {
        ground.set(c, r, CODES[lines[lines.length - 1 - (r >> 2)]![c >> 2]!]!);
      }
    }
    ground.update();
    return new Room(ground, outline, MARGIN);
  });
  return new LookFinder(rooms[0]!, rooms[1]!).find({ x, y, yaw }, SIGHT, inVain);
}

describe("the next look", () => {
  /** A room of 3 x 2 m; its right part was not seen. */
  const HALF = [
    "###############",
    "#.......      #",
    "#.......      #",
    "#.......      #",
    "#.......      #",
    "#.......      #",
    "#.......      #",
    "###############",
  ];

  test("is at floor that was not seen, from where the body can turn", () => {
    const { next, unseen, left } = lookFor(HALF, [0.8, 0.8, Math.PI]);
    expect(Math.cos(next!.yaw)).toBeGreaterThan(0.8);
    expect(next!.at[0]).toBeGreaterThan(1.6);
    expect(next!.gain).toBeGreaterThan(0.3);
    expect(next!.gain).toBeLessThanOrEqual(unseen);
    // 1.2 x 1.2 m, less what lies beside the walls, where the body cannot stand.
    expect(unseen).toBeGreaterThan(0.8);
    expect(unseen).toBeLessThanOrEqual(1.2 * 1.2 + 1e-6);
    expect(left).toEqual([]);
  });

  test("is none where everything was seen, behind a drop too", () => {
    const seen = HALF.map((line) => line.replaceAll(" ", "."));
    expect(lookFor(seen, [0.8, 0.8, 0])).toEqual({ next: null, unseen: 0, left: [] });
    // The floor beyond the drop cannot be reached.
    const pit = HALF.map((line) => line.replace(".  ", "vv "));
    expect(lookFor(pit, [0.8, 0.8, 0]).next).toBeNull();
  });

  test("is the nearer of two that show the same", () => {
    const row = `#${" ".repeat(7)}${".".repeat(25)}${" ".repeat(7)}#`;
    const both = ["#".repeat(row.length), ...Array.from({ length: 6 }, () => row), "#".repeat(row.length)];
    // The unseen parts begin at 1.6 and at 6.6 m.
    expect(lookFor(both, [2.6, 0.8, Math.PI / 2]).next!.at[0]).toBeLessThan(1.6);
    expect(lookFor(both, [5.6, 0.8, Math.PI / 2]).next!.at[0]).toBeGreaterThan(6.6);
  });

  test("leaves a place alone where looks were in vain, and lists it as what remains", () => {
    const { next } = lookFor(HALF, [0.8, 0.8, 0]);
    const around = [0, 0.6, -0.6].flatMap((dx) =>
      [0, 0.6, -0.6].map((dy) => [next!.at[0] + dx, next!.at[1] + dy] as const),
    );
    const { next: again, left } = lookFor(HALF, [0.8, 0.8, 0], around);
    expect(again).toBeNull();
    expect(left.length).toBeGreaterThan(0);
    expect(left[0]!.x).toBeGreaterThan(1.6);
  });

  test("does not lead through a gap that is too narrow for the body, and says so", () => {
    const gap = [
      "###############",
      "#.......#     #",
      "#.......#     #",
      "#.......#     #",
      "#.......      #",
      "#.......      #",
      "#.......#     #",
      "###############",
    ];
    const { next, left } = lookFor(gap, [0.8, 0.8, 0]);
    expect(next).toBeNull();
    expect(left).toHaveLength(1);
    expect(whyNotText(left[0]!.whyNot!)).toMatch(/the gap at .* is 0\.40 m wide, the body needs 0\.4\d m/);
  });
});
