import { describe, expect, test } from "vitest";
import { MapSurface } from "../../src/viewer/map-surface.ts";
import { castRay } from "../../src/viewer/ray-cast.ts";
import { BlockMesher, QUAD } from "../../src/viewer/voxel-mesh.ts";
import { packKey, VOXEL } from "../../src/wire/blocks.ts";
import { seeded } from "../helpers/recordings.ts";

const at = (x: number, y: number, z: number): number => (z * 8 + y) * 8 + x;
const block = (fill: number): Uint8Array => new Uint8Array(512).fill(fill);

/** A map as one function of voxel coordinates, cut into blocks. */
function world(side: number, classOf: (x: number, y: number, z: number) => number) {
  const blocks = new Map<number, Uint8Array>();
  for (let bz = 0; bz < side; bz++) {
    for (let by = 0; by < side; by++) {
      for (let bx = 0; bx < side; bx++) {
        const classes = block(0);
        for (let z = 0; z < 8; z++) {
          for (let y = 0; y < 8; y++) {
            for (let x = 0; x < 8; x++) classes[at(x, y, z)] = classOf(8 * bx + x, 8 * by + y, 8 * bz + z);
          }
        }
        blocks.set(packKey(bx, by, bz), classes);
      }
    }
  }
  return { blocks, lookup: (key: number) => blocks.get(key) };
}

describe("the surface of a block", () => {
  const mesher = new BlockMesher();

  test("a slab under free space is one rectangle that faces up, and has no back", () => {
    const classes = block(VOXEL.undecided);
    for (let y = 0; y < 8; y++) {
      for (let x = 0; x < 8; x++) {
        classes[at(x, y, 2)] = VOXEL.occupied;
        for (let z = 3; z < 8; z++) classes[at(x, y, z)] = VOXEL.free;
      }
    }
    const quads = mesher.mesh(packKey(1, 2, 3), classes, () => undefined);
    expect([...quads]).toEqual([8, 16, 3 * 8 + 2, 5, 8, 8]);
  });

  test("one undecided voxel before a surface does not hide it, two do", () => {
    const classes = block(VOXEL.free);
    classes[at(4, 4, 0)] = VOXEL.occupied;
    const faces = () => [...mesher.mesh(packKey(0, 0, 0), classes, () => undefined)].length / QUAD;
    // No block below: it was not seen from there.
    expect(faces()).toBe(5);
    classes[at(4, 4, 1)] = VOXEL.undecided;
    expect(faces()).toBe(5);
    classes[at(4, 4, 2)] = VOXEL.undecided;
    expect(faces()).toBe(4);
  });

  test("covers each seen face of a random map exactly once, across the borders of blocks", () => {
    const random = seeded(4);
    const kinds = new Map<string, number>();
    const kind = (x: number, y: number, z: number): number => {
      const name = `${x},${y},${z}`;
      const known = kinds.get(name);
      if (known !== undefined) return known;
      const fresh = Math.floor(random() * 3);
      kinds.set(name, fresh);
      return fresh;
    };
    const { blocks, lookup } = world(2, kind);
    const inside = (v: number): boolean => v >= 0 && v < 16;
    const known = (x: number, y: number, z: number): number =>
      inside(x) && inside(y) && inside(z) ? kind(x, y, z) : VOXEL.undecided;
    const covered = new Map<string, number>();
    for (const [key, classes] of blocks) {
      const quads = mesher.mesh(key, classes, lookup);
      for (let n = 0; n < quads.length; n += QUAD) {
        const [x, y, z, face, wide, high] = [...quads.subarray(n, n + QUAD)] as [
          ...[number, number, number, number, number, number],
        ];
        for (let v = 0; v < high; v++) {
          for (let u = 0; u < wide; u++) {
            const voxel = face < 2 ? [x, y + u, z + v] : face < 4 ? [x + u, y, z + v] : [x + u, y + v, z];
            const name = `${voxel} ${face}`;
            covered.set(name, (covered.get(name) ?? 0) + 1);
          }
        }
      }
    }
    const steps = [
      [-1, 0, 0],
      [1, 0, 0],
      [0, -1, 0],
      [0, 1, 0],
      [0, 0, -1],
      [0, 0, 1],
    ] as const;
    const expected = new Map<string, number>();
    for (let z = 0; z < 16; z++) {
      for (let y = 0; y < 16; y++) {
        for (let x = 0; x < 16; x++) {
          if (kind(x, y, z) !== VOXEL.occupied) continue;
          steps.forEach(([dx, dy, dz], face) => {
            const before = known(x + dx, y + dy, z + dz);
            const behind = known(x + 2 * dx, y + 2 * dy, z + 2 * dz);
            if (before === VOXEL.free || (before === VOXEL.undecided && behind === VOXEL.free)) {
              expected.set(`${[x, y, z]} ${face}`, 1);
            }
          });
        }
      }
    }
    expect(covered).toEqual(expected);
  });

  test("a change uncovers the neighbours' faces, and only chunks that changed are taken", () => {
    const { blocks, lookup } = world(2, () => VOXEL.occupied);
    const surface = new MapSurface(lookup);
    surface.change(blocks.keys());
    expect([...surface.take()]).toEqual([]);
    blocks.set(packKey(1, 0, 0), block(VOXEL.free));
    surface.change([packKey(1, 0, 0)]);
    const [update, ...others] = [...surface.take()];
    expect(others).toEqual([]);
    // The free block's three inner neighbours each show one whole side.
    expect(update!.quads.length / QUAD).toBe(3);
    const corners = [0, 1, 2].map((k) => [...update!.quads].filter((_, at) => at % QUAD === k));
    expect(update!.bounds).toEqual([
      ...corners.map((all) => Math.min(...all)),
      ...corners.map((all) => Math.max(...all)),
    ]);
    surface.clear();
    expect([...surface.take()][0]!.quads.length).toBe(0);
  });
});

test("a ray is cast to the first occupied voxel, where it is hit", () => {
  const { lookup } = world(2, (x, _, z) => (z === 0 || x === 12 ? VOXEL.occupied : VOXEL.free));
  const down = castRay(lookup, 0.05, { from: [0.2, 0.2, 0.7], along: [0, 0, -1] }, 5);
  expect(down!.point[2]).toBeCloseTo(0.05, 9);
  const across = castRay(lookup, 0.05, { from: [0.2, 0.2, 0.31], along: [1, 0, 0] }, 5);
  expect(across!.distance).toBeCloseTo(0.4, 9);
  expect(castRay(lookup, 0.05, { from: [0.2, 0.2, 0.31], along: [0, 0, 1] }, 5)).toBeNull();
});
