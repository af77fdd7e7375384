import { describe, expect, test } from "vitest";
import { KeepOut, parseAreas } from "../../src/guard/keep-out.ts";

import { resolveSettings, SettingError } from "../../src/head/settings.ts";

const CELL = 0.05;

describe("closed areas", () => {
  test("are read with their names, or get numbers", () => {
    const areas = parseAreas(" stairs: 1,2 2,2 2,3 ; 4,0 5,0 5,1 4,1;");
    expect(areas.map(({ name, outline }) => [name, outline.length])).toEqual([
      ["stairs", 3],
      ["area 2", 4],
    ]);
    expect(areas[0]!.outline[2]).toEqual([2, 3]);
    expect(parseAreas("")).toEqual([]);
  });

  test.each([
    ["stairs: 1,2 2,2", /"stairs" has 2 corners/],
    ["stairs: 1,2 2,2 2", /a corner of "stairs" is not x,y: write areas like/],
    ["1,2 2,nan 3,3", /a corner of "area 1" is not x,y/],
    ["bow tie: 0,0 2,2 2,0 0,2", /two sides of "bow tie" cross: list its corners in order/],
    [Array.from({ length: 101 }, () => "0,0 1,0 1,1").join(";"), /101 areas/],
  ])("%# are refused as a setting, with what to write", (text, message) => {
    const set = () => resolveSettings({ "guard.keepOut": text });
    expect(set).toThrow(SettingError);
    expect(set).toThrow(/guard\.keepOut/);
    expect(set).toThrow(message);
  });

  test("hold every cell that they reach into, and no other", () => {
    const keepOut = new KeepOut(parseAreas("wedge: 0.02,0.02 0.98,0.02 0.02,0.98"), CELL);
    for (let i = -4; i < 26; i++) {
      for (let j = -4; j < 26; j++) {
        // By hand: the nearest and the farthest corner of the cell from the wedge's long side x + y = 1.
        const near = (i + j) * CELL < 1 - 1e-9 && i >= 0 && j >= 0;
        const far = (i + j + 2) * CELL < 1 - 1e-9 && i >= 1 && j >= 1;
        if (far) expect(keepOut.at(i, j), `${i}, ${j}`).toBe("wedge");
        if (!near && (i + j) * CELL > 1 + CELL) expect(keepOut.at(i, j), `${i}, ${j}`).toBeNull();
        if (i < -1 || j < -1) expect(keepOut.at(i, j), `${i}, ${j}`).toBeNull();
      }
    }
  });

  test("that overlap are entered and left one by one", () => {
    const keepOut = new KeepOut(parseAreas("a: 0,0 2,0 2,1 0,1; b: 1,0 3,0 3,1 1,1"), CELL);
    expect([keepOut.at(5, 5), keepOut.at(30, 5), keepOut.at(50, 5)]).toEqual(["a", "a", "b"]);
    expect(keepOut.standAt(1.5, 0.5)).toBe(true);
    expect([keepOut.at(5, 5), keepOut.at(30, 5), keepOut.at(50, 5)]).toEqual([null, null, null]);
    expect(keepOut.standAt(0.5, 0.5)).toBe(true);
    expect([keepOut.at(5, 5), keepOut.at(30, 5), keepOut.at(50, 5)]).toEqual([null, "b", "b"]);
  });

  test("are changed under a base that stands in one: it is not shut in", () => {
    const before = new KeepOut(parseAreas("a: 0,0 2,0 2,1 0,1"), CELL);
    before.standAt(0.5, 0.5);
    const after = new KeepOut(parseAreas("a: 0,0 2,0 2,2 0,2; b: 3,0 4,0 4,1"), CELL, before);
    expect([after.at(5, 5), after.at(70, 5)]).toEqual([null, "b"]);
  });
});
