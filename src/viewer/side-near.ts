/**
 * The nearest point on a side between an occupied and a free column.
 * @param radius   metres: search radius
 * @param voxel    metres: side of a column
 * @param isTaken  whether the column at a position, metres, is occupied
 * @returns a point on that side, or `at` itself when there is none
 */
export function sideNear(
  at: readonly [x: number, y: number],
  radius: number,
  voxel: number,
  isTaken: (x: number, y: number) => boolean,
): readonly [x: number, y: number] {
  const [x, y] = at;
  const reach = Math.min(20, Math.ceil(radius / voxel) + 1);
  const [col, row] = [Math.floor(x / voxel), Math.floor(y / voxel)];
  const taken = (i: number, j: number): boolean => isTaken((i + 0.5) * voxel, (j + 0.5) * voxel);
  let best: readonly [number, number] = at;
  let least = radius;
  const look = (sideX: number, sideY: number): void => {
    const far = Math.hypot(sideX - x, sideY - y);
    if (far < least) [best, least] = [[sideX, sideY], far];
  };
  const within = (value: number, from: number): number => Math.min(from + voxel, Math.max(from, value));
  for (let j = row - reach; j <= row + reach; j++) {
    for (let i = col - reach; i <= col + reach; i++) {
      const own = taken(i, j);
      if (own !== taken(i + 1, j)) look((i + 1) * voxel, within(y, j * voxel));
      if (own !== taken(i, j + 1)) look(within(x, i * voxel), (j + 1) * voxel);
    }
  }
  return best;
}
