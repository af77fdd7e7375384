import {
  type BlockGrid,
  blockKey,
  FREE_BELOW,
  inReach,
  OCCUPIED_FROM,
  UNKNOWN,
  voxelOffset,
} from "./grid.ts";

/** Voxel coordinates must stay whole numbers of 32 bits, with room for a step. */
const FARTHEST = 2 ** 30;
/** Less than a millionth of a voxel over all of a map's reach. */
const HARDLY = 1e-12;

/**
 * Lists the voxels that the segment from a to b crosses, in order, as i, j, k triples.
 *
 * The first is a's own and the last b's own; each of the others shares a face with the one before it, so there are
 * 1 + |di| + |dj| + |dk| of them. Where the segment meets an edge or a corner it steps along x first, then y,
 * then z, and so also lists voxels that it only touches. A point on a face belongs to the voxel above it.
 *
 * Each crossing is one correctly rounded division, not a running sum: crossings that tie exactly are seen to tie
 * whenever the coordinates have few enough bits, and errors do not grow with length.
 *
 * @param out (>= 3 * voxels) receives the triples; the rest is left as it was
 * @param ax, ay, az, bx, by, bz the ends, in voxels (metres / voxel size)
 * @returns the number of voxels written
 * @throws {RangeError} if `out` is too short or a coordinate isn't a number within 2^30 voxels of the origin
 * Source: Amanatides & Woo 1987, "A fast voxel traversal algorithm for ray tracing".
 */
export function traverse(
  out: Int32Array,
  ax: number,
  ay: number,
  az: number,
  bx: number,
  by: number,
  bz: number,
): number {
  const most = Math.max(Math.abs(ax), Math.abs(ay), Math.abs(az), Math.abs(bx), Math.abs(by), Math.abs(bz));
  if (!(most <= FARTHEST)) {
    throw new RangeError(
      `segment (${ax}, ${ay}, ${az}) to (${bx}, ${by}, ${bz}) leaves the voxels within 2^30`,
    );
  }
  let i = Math.floor(ax);
  let j = Math.floor(ay);
  let k = Math.floor(az);
  let restX = Math.floor(bx) - i;
  let restY = Math.floor(by) - j;
  let restZ = Math.floor(bz) - k;
  const stepX = restX < 0 ? -1 : 1;
  const stepY = restY < 0 ? -1 : 1;
  const stepZ = restZ < 0 ? -1 : 1;
  restX *= stepX;
  restY *= stepY;
  restZ *= stepZ;
  const count = 1 + restX + restY + restZ;
  if (3 * count > out.length) {
    throw new RangeError(`segment passes ${count} voxels, out has room for ${Math.floor(out.length / 3)}`);
  }
  const dx = bx - ax;
  const dy = by - ay;
  const dz = bz - az;
  // The next face along each axis; an axis that has arrived is never stepped again.
  let faceX = i + (stepX > 0 ? 1 : 0) - ax;
  let faceY = j + (stepY > 0 ? 1 : 0) - ay;
  let faceZ = k + (stepZ > 0 ? 1 : 0) - az;
  let tx = restX > 0 ? faceX / dx : Number.POSITIVE_INFINITY;
  let ty = restY > 0 ? faceY / dy : Number.POSITIVE_INFINITY;
  let tz = restZ > 0 ? faceZ / dz : Number.POSITIVE_INFINITY;
  out[0] = i;
  out[1] = j;
  out[2] = k;
  for (let n = 3; n < 3 * count; n += 3) {
    if (tx <= ty && tx <= tz) {
      i += stepX;
      faceX += stepX;
      tx = --restX > 0 ? faceX / dx : Number.POSITIVE_INFINITY;
    } else if (ty <= tz) {
      j += stepY;
      faceY += stepY;
      ty = --restY > 0 ? faceY / dy : Number.POSITIVE_INFINITY;
    } else {
      k += stepZ;
      faceZ += stepZ;
      tz = --restZ > 0 ? faceZ / dz : Number.POSITIVE_INFINITY;
    }
    out[n] = i;
    out[n + 1] = j;
    out[n + 2] = k;
  }
  return count;
}

/** Statistics along a ray. Reused: one object serves all rays. */
export interface Passage {
  /** Share, 0..1, of the length up to the hit (or `maxRange`) that lay in undecided voxels. */
  undecided: number;
}

/**
 * Finds the first occupied voxel along a ray. One long function: the walk steps from voxel to voxel on local variables,
 * which a call would have to pass and allocate.
 *
 * @param ox, oy, oz where from, world metres
 * @param dx, dy, dz unit vector
 * @param maxRange metres; voxels beyond are ignored
 * @param passage receives the statistics up to the hit
 * @returns metres to where the ray enters that voxel, 0 if it starts in one, Infinity if there is none
 * @throws {RangeError} if a number isn't finite or the direction isn't a unit vector
 */
export function castRay(
  grid: BlockGrid,
  ox: number,
  oy: number,
  oz: number,
  dx: number,
  dy: number,
  dz: number,
  maxRange: number,
  passage: Passage,
): number {
  const perVoxel = 1 / grid.voxelSize;
  const ax = ox * perVoxel;
  const ay = oy * perVoxel;
  const az = oz * perVoxel;
  const end = maxRange * perVoxel;
  const off = Math.abs(dx * dx + dy * dy + dz * dz - 1);
  if (!(off < 1e-3 && end >= 0 && Math.abs(ax) + Math.abs(ay) + Math.abs(az) + end < FARTHEST)) {
    throw new RangeError(
      `a ray needs finite numbers and a unit direction, got (${ox}, ${oy}, ${oz}) along (${dx}, ${dy}, ${dz}), ${maxRange} m`,
    );
  }
  const stepX = dx < 0 ? -1 : 1;
  const stepY = dy < 0 ? -1 : 1;
  const stepZ = dz < 0 ? -1 : 1;
  // Along an axis with almost no motion, the next face is never reached.
  const movesX = Math.abs(dx) > HARDLY;
  const movesY = Math.abs(dy) > HARDLY;
  const movesZ = Math.abs(dz) > HARDLY;
  const inverseX = 1 / dx;
  const inverseY = 1 / dy;
  const inverseZ = 1 / dz;
  const upX = stepX > 0 ? 1 : 0;
  const upY = stepY > 0 ? 1 : 0;
  const upZ = stepZ > 0 ? 1 : 0;
  let i = Math.floor(ax);
  let j = Math.floor(ay);
  let k = Math.floor(az);
  let t = 0;
  let undecided = 0;
  let hit = false;
  const { bricks, pool } = grid;
  while (t <= end) {
    const bx = i >> 3;
    const by = j >> 3;
    const bz = k >> 3;
    if (!inReach(bx, by, bz)) {
      undecided += end - t;
      break;
    }
    const id = grid.find(blockKey(bx, by, bz));
    const brick = ((i >> 2) & 1) | (((j >> 2) & 1) << 1) | (((k >> 2) & 1) << 2);
    const start = id < 0 ? -1 - UNKNOWN : bricks[8 * id + brick]!;
    if (start < 0) {
      // A uniform brick: cross it in one step.
      const value = -1 - start;
      if (value >= OCCUPIED_FROM) {
        hit = true;
        break;
      }
      const x0 = i & ~3;
      const y0 = j & ~3;
      const z0 = k & ~3;
      const tx = movesX ? (x0 + 4 * upX - ax) * inverseX : Number.POSITIVE_INFINITY;
      const ty = movesY ? (y0 + 4 * upY - ay) * inverseY : Number.POSITIVE_INFINITY;
      const tz = movesZ ? (z0 + 4 * upZ - az) * inverseZ : Number.POSITIVE_INFINITY;
      const out = Math.max(t, Math.min(tx, ty, tz));
      if (value >= FREE_BELOW) undecided += Math.min(out, end) - t;
      t = out;
      // On the other axes the position stays inside the brick, in spite of rounding.
      i = Math.min(x0 + 3, Math.max(x0, Math.floor(ax + t * dx)));
      j = Math.min(y0 + 3, Math.max(y0, Math.floor(ay + t * dy)));
      k = Math.min(z0 + 3, Math.max(z0, Math.floor(az + t * dz)));
      if (tx <= ty && tx <= tz) i = stepX > 0 ? x0 + 4 : x0 - 1;
      else if (ty <= tz) j = stepY > 0 ? y0 + 4 : y0 - 1;
      else k = stepZ > 0 ? z0 + 4 : z0 - 1;
      continue;
    }
    const px = i >> 2;
    const py = j >> 2;
    const pz = k >> 2;
    let tx = movesX ? (i + upX - ax) * inverseX : Number.POSITIVE_INFINITY;
    let ty = movesY ? (j + upY - ay) * inverseY : Number.POSITIVE_INFINITY;
    let tz = movesZ ? (k + upZ - az) * inverseZ : Number.POSITIVE_INFINITY;
    let inside = true;
    while (inside && t <= end) {
      const offset = voxelOffset(i & 7, j & 7, k & 7);
      const value = (pool[start + ((offset >> 2) & 15)]! >>> ((offset & 3) * 8)) & 255;
      if (value >= OCCUPIED_FROM) {
        hit = true;
        break;
      }
      let out: number;
      if (tx <= ty && tx <= tz) {
        out = tx;
        i += stepX;
        tx = (i + upX - ax) * inverseX;
        inside = i >> 2 === px;
      } else if (ty <= tz) {
        out = ty;
        j += stepY;
        ty = (j + upY - ay) * inverseY;
        inside = j >> 2 === py;
      } else {
        out = tz;
        k += stepZ;
        tz = (k + upZ - az) * inverseZ;
        inside = k >> 2 === pz;
      }
      out = Math.max(t, out);
      if (value >= FREE_BELOW) undecided += Math.min(out, end) - t;
      t = out;
    }
    if (hit) break;
  }
  const length = hit ? t : end;
  passage.undecided = length > 0 ? undecided / length : 0;
  return hit ? t * grid.voxelSize : Number.POSITIVE_INFINITY;
}
