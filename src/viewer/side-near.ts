/**
 * The nearest side between a column where something stands and one where nothing does.
 * @param radius   metres: what is farther off is not taken
 * @param voxel    metres: side of a column
 * @param isTaken  whether something stands in the column at a place, metres
 * @returns a place on that side, or `at` itself when there is none
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
