import { expect, test } from "vitest";
import { areaOf } from "../../src/terms/polygon.ts";
import { type FindFace, finer } from "../../src/viewer/fine-walls.ts";
import { type Measured, sizeText } from "../../src/viewer/measuring.ts";

const VOXEL = 0.05;

/** Walls of a room of 4 x 3 m from the origin; faces are found up to 10 cm away, across each direction. */
const room: FindFace = ([x, y], along) => {
  const isAlongX = Math.abs(Math.cos(along)) > 0.9;
  const at = isAlongX ? x : y;
  const face = (isAlongX ? [0, 4] : [0, 3]).find((wall) => Math.abs(wall - at) < 0.1);
  if (face === undefined) return Promise.resolve(null);
  return Promise.resolve({ point: isAlongX ? [face, y] : [x, face], spread: 0.006 });
};

const measured = (
  what: Measured["what"],
  places: readonly (readonly number[])[],
  isOnSide: boolean,
): Measured => ({
  what,
  places,
  onSide: places.map(() => isOnSide),
  isDone: true,
  error: null,
});

test("both ends of a distance move onto the faces that the line between them meets", async () => {
  const size = await finer(
    measured(
      "distance",
      [
        [0.05, 1, 0],
        [3.93, 1, 0.4],
      ],
      true,
    ),
    room,
    VOXEL,
  );
  expect(size.places).toEqual([
    [0, 1, 0],
    [4, 1, 0.4],
  ]);
  // By hand: hypot(4, 0.4) = 4.02, and two ends of 6 mm: 8.5 mm.
  expect(sizeText(size)).toBe("4.02 m ± 1 cm");
});

test("ends that do not lie on the side of something stay, with the error of a voxel each", async () => {
  const free = await finer(
    measured(
      "distance",
      [
        [0.05, 1, 0],
        [3.93, 1, 0],
      ],
      false,
    ),
    room,
    VOXEL,
  );
  // By hand: 0.05 * sqrt(2) = 7.1 cm.
  expect(sizeText(free)).toBe("3.88 m ± 7 cm");
});

test("each side of a room moves onto its wall, and the corners to where walls meet", async () => {
  const area = await finer(
    measured(
      "area",
      [
        [0.05, 0.04, 0],
        [3.95, 0.05, 0],
        [3.94, 2.95, 0],
        [0.05, 2.96, 0],
      ],
      true,
    ),
    room,
    VOXEL,
  );
  // The sides were clicked up to a centimetre askew over three metres, and keep that.
  expect(areaOf(area.places)).toBeCloseTo(12, 1);
  expect(area.error).toBeGreaterThan(0);
  expect(sizeText(area)).toMatch(/^(11\.9\d|12\.0\d) m² ± 0\.0\d m²$/);
});
