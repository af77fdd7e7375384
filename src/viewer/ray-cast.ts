import { BLOCK_SIDE, packKey, VOXEL } from "../wire/blocks.ts";
import type { Lookup } from "./voxel-mesh.ts";
import type { Ray, Sighting } from "./worker-messages.ts";

/**
 * Walks a ray voxel by voxel to the first occupied one. Source: Amanatides & Woo, A Fast Voxel Traversal Algorithm, 1987.
 * @param limit farthest distance, metres
 */
export function castRay(
  lookup: Lookup,
  voxelSize: number,
  { from, along }: Ray,
  limit: number,
): Sighting | null {
  const cell = [0, 0, 0];
  const step = [0, 0, 0];
  const next = [0, 0, 0];
  const each = [0, 0, 0];
  for (let k = 0; k < 3; k++) {
    const at = from[k]! / voxelSize;
    const way = along[k]!;
    cell[k] = Math.floor(at);
    step[k] = Math.sign(way);
    each[k] = way === 0 ? Number.POSITIVE_INFINITY : voxelSize / Math.abs(way);
    next[k] = way === 0 ? Number.POSITIVE_INFINITY : (way > 0 ? cell[k]! + 1 - at : at - cell[k]!) * each[k]!;
  }
  let distance = 0;
  while (distance < limit) {
    const [x, y, z] = cell as [number, number, number];
    const block = lookup(packKey(x >> 3, y >> 3, z >> 3));
    const inBlock = ((z & 7) * BLOCK_SIDE + (y & 7)) * BLOCK_SIDE + (x & 7);
    if (block?.[inBlock] === VOXEL.occupied) {
      const point = [0, 1, 2].map((k) => from[k]! + along[k]! * distance) as [number, number, number];
      return { point, distance };
    }
    const axis = next[0]! < next[1]! ? (next[0]! < next[2]! ? 0 : 2) : next[1]! < next[2]! ? 1 : 2;
    distance = next[axis]!;
    next[axis] = distance + each[axis]!;
    cell[axis] = cell[axis]! + step[axis]!;
  }
  return null;
}
