import { expect, test } from "vitest";
import { COARSEST, DepthPyramid, FINEST } from "../../src/map/pyramid.ts";
import { Random } from "../../src/simulate/random.ts";

/** Cells of 4 x 4 pixels over patches of near, far and missing depth. */
function image(width: number, height: number, seed: number): Uint16Array {
  const random = new Random(seed);
  const depth = new Uint16Array(width * height);
  for (let patch = 0; patch < 40; patch++) {
    const [u, v, d] = [random.uniform() * width, random.uniform() * height, random.uniform() * 32767];
    const [w, h] = [random.uniform() * 40, random.uniform() * 40];
    for (let y = Math.floor(v); y < Math.min(height, v + h); y++) {
      for (let x = Math.floor(u); x < Math.min(width, u + w); x++) {
        depth[y * width + x] = random.uniform() < patch / 60 ? 0 : d * (0.9 + 0.1 * random.uniform());
      }
    }
  }
  depth[0] = 32767;
  depth[depth.length - 1] = 1;
  return depth;
}

/** Nearest and farthest of all cells, as the docstring of DepthPyramid defines them. */
function cells(depth: Uint16Array, width: number, height: number) {
  const levels: { columns: number; rows: number; near: number[]; far: number[] }[] = [];
  let [columns, rows] = [width >> FINEST, height >> FINEST];
  let near: number[] = [];
  let far: number[] = [];
  for (let j = 0; j < rows; j++) {
    for (let i = 0; i < columns; i++) {
      const seen: number[] = [];
      for (let n = 0; n < 16; n++) seen.push(depth[(4 * j + (n >> 2)) * width + 4 * i + (n & 3)]!);
      const returned = seen.filter((d) => d > 0);
      near.push(returned.length >= 5 ? Math.min(...returned) : 0);
      far.push(Math.max(...seen));
    }
  }
  for (let level = FINEST; level <= COARSEST; level++) {
    levels[level] = { columns, rows, near, far };
    const [fromColumns, fromRows, fromNear, fromFar] = [columns, rows, near, far];
    [columns, rows, near, far] = [(columns + 1) >> 1, (rows + 1) >> 1, [], []];
    for (let j = 0; j < rows; j++) {
      for (let i = 0; i < columns; i++) {
        const four = [0, 1, 2, 3].map((n) => {
          const [y, x] = [2 * j + (n >> 1), 2 * i + (n & 1)];
          return y < fromRows && x < fromColumns ? y * fromColumns + x : -1;
        });
        const inside = four.filter((n) => n >= 0);
        near.push(Math.min(...inside.map((n) => fromNear[n]!)));
        far.push(Math.max(...inside.map((n) => fromFar[n]!)));
      }
    }
  }
  return levels;
}

// Widths that fill the vectors and that do not, odd numbers of cells, images of one cell.
test.each([
  [240, 180],
  [224, 172],
  [242, 183],
  [36, 20],
  [20, 4],
  [4, 4],
  [848, 480],
])("cells and windows of a %i x %i image equal those found one by one, twice", (width, height) => {
  const pyramid = new DepthPyramid(width, height);
  for (const seed of [1, 2]) {
    const depth = image(width, height, seed);
    const far = pyramid.build(depth);
    const expected = cells(depth, width, height);
    expect(far).toBe(Math.max(...expected[COARSEST]!.far));
    for (let level = FINEST; level <= COARSEST; level++) {
      const { columns, rows, near, far } = expected[level]!;
      const at = (list: readonly number[], i: number, j: number) =>
        i < 0 || j < 0 || i >= columns || j >= rows ? 0 : list[j * columns + i]!;
      const found = { near: [] as number[], far: [] as number[], windows: [] as number[] };
      const wanted = { near: [] as number[], far: [] as number[], windows: [] as number[] };
      for (let j = -2; j < rows + 2; j++) {
        for (let i = -2; i < columns + 2; i++) {
          const place = pyramid.origin[level]! + j * pyramid.pitch[level]! + i;
          found.near.push(pyramid.nearest[place]!);
          found.far.push(pyramid.farthest[place]!);
          wanted.near.push(at(near, i, j));
          wanted.far.push(at(far, i, j));
          const corners = [0, 1, 2, 3].map((n) => [i + (n & 1), j + (n >> 1)] as const);
          found.windows.push(pyramid.windowNearest[place]!, pyramid.windowFarthest[place]!);
          wanted.windows.push(Math.min(...corners.map(([x, y]) => at(near, x, y))));
          wanted.windows.push(Math.max(...corners.map(([x, y]) => at(far, x, y))));
        }
      }
      expect(found).toEqual(wanted);
    }
  }
});
