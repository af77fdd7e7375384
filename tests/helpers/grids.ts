import { type GridView, OCCUPIED_FROM } from "../../src/map/grid.ts";

/** Share of the occupied voxels of `a` for which `b` has one at the same place or face to face with it. */
function shareOf(a: GridView, b: GridView): number {
  const voxels = new Uint8Array(512);
  let [all, near] = [0, 0];
  for (let id = 0; id < a.count; id++) {
    a.copyBlock(id, voxels);
    const key = a.keyOf(id);
    const [i0, j0, k0] = [
      8 * ((key & 2047) - 1024),
      8 * (((key >>> 11) & 2047) - 1024),
      8 * ((key >>> 22) - 512),
    ];
    for (let n = 0; n < 512; n++) {
      if (voxels[n]! < OCCUPIED_FROM) continue;
      all++;
      const [i, j, k] = [i0 + (n & 7), j0 + ((n >> 3) & 7), k0 + (n >> 6)];
      const isNear = [0, 1, 2].some((axis) =>
        [-1, 0, 1].some((d) => {
          const at = [i, j, k];
          at[axis]! += d;
          return b.valueAt(at[0]!, at[1]!, at[2]!) >= OCCUPIED_FROM;
        }),
      );
      if (isNear) near++;
    }
  }
  return near / all;
}

/** F-measure of the occupied voxels of a grid against those of `truth`, within one voxel. */
export const scoreOf = (grid: GridView, truth: GridView): number => {
  const [precision, recall] = [shareOf(grid, truth), shareOf(truth, grid)];
  return (2 * precision * recall) / (precision + recall);
};
