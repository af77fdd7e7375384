import { expect, test } from "vitest";
import { FOOTING } from "../../src/terms/safety.ts";
import { rimsOf } from "../../src/viewer/rims.ts";

/** A grid from rows of letters, the first row at the top: f firm, g gone, . unseen. Cells of 10 cm, corner at 1, 2 m. */
function groundOf(...rows: readonly string[]): Parameters<typeof rimsOf>[0] {
  const codes = { f: FOOTING.firm, g: FOOTING.gone, ".": FOOTING.unseen } as const;
  const cells = Uint8Array.from(
    [...rows].reverse().join(""),
    (letter) => codes[letter as keyof typeof codes],
  );
  return {
    col: 10,
    row: 20,
    width: rows[0]!.length,
    height: rows.length,
    cell: 0.1,
    cells,
  };
}
const rounded = (rims: ReturnType<typeof rimsOf>) =>
  rims.map((rim) => rim.map((point) => point.map((v) => Math.round(1000 * v) / 1000)));

test("the border between firm and gone is one line, half way between the cells", () => {
  const [rim, ...others] = rounded(rimsOf(groundOf("ffggg", "ffggg", "ffggg", "ffggg", "ffggg", "ffggg")));
  expect(others).toEqual([]);
  // The third column begins at 1.2 m; rows' middles are 2.05 to 2.55 m.
  const points = [2.05, 2.15, 2.25, 2.35, 2.45, 2.55].map((y) => [1.2, y]);
  expect([points, [...points].reverse()]).toContainEqual(rim);
});

test("gone floor inside firm floor has a ring, cut at its corners", () => {
  const [ring] = rounded(rimsOf(groundOf("ffff", "fggf", "fggf", "ffff")));
  expect(ring![0]).toEqual(ring!.at(-1));
  expect(ring).toHaveLength(9);
});

test("unseen beside gone is no edge, and neither is a single cell", () => {
  expect(rimsOf(groundOf("..ggg", "..ggg", "..ggg"))).toEqual([]);
  expect(rimsOf(groundOf("..fff", "..gff", "....."))).toEqual([]);
});
