import { BlockMesher, chunkOf, type Lookup, neighbours, QUAD } from "./voxel-mesh.ts";

/** All quads of a chunk; none when the chunk has become empty. */
export interface ChunkUpdate {
  readonly chunk: string;
  readonly quads: Int16Array;
  /** Lowest x, y, z of the quads' corners, then the highest, voxels from the chunk's origin; all 0 without quads. */
  readonly bounds: readonly number[];
}

/** The map's surface: meshed block by block, sent to the page chunk by chunk. */
export class MapSurface {
  readonly #mesher = new BlockMesher();
  readonly #lookup: Lookup;
  readonly #chunks = new Map<string, Map<number, Int16Array>>();
  readonly #stale = new Set<string>();

  constructor(lookup: Lookup) {
    this.#lookup = lookup;
  }

  /** Clears the surface for another map. */
  clear(): void {
    for (const [chunk, blocks] of this.#chunks) {
      blocks.clear();
      this.#stale.add(chunk);
    }
  }

  /** Meshes changed blocks and their neighbours, whose faces may have been covered or uncovered. */
  change(keys: Iterable<number>): void {
    const again = new Set<number>();
    for (const key of keys) {
      again.add(key);
      for (const beside of neighbours(key)) again.add(beside);
    }
    for (const key of again) {
      const classes = this.#lookup(key);
      if (classes === undefined) continue;
      const name = chunkOf(key);
      let chunk = this.#chunks.get(name);
      const before = chunk?.get(key)?.length ?? 0;
      const quads = this.#mesher.mesh(key, classes, this.#lookup);
      if (quads.length === 0 && before === 0) continue;
      if (chunk === undefined) {
        chunk = new Map();
        this.#chunks.set(name, chunk);
      }
      if (quads.length === 0) chunk.delete(key);
      else chunk.set(key, quads);
      this.#stale.add(name);
    }
  }

  /** The chunks that changed since the last call, each as a whole. */
  *take(): Generator<ChunkUpdate> {
    for (const chunk of this.#stale) {
      const blocks = this.#chunks.get(chunk)!;
      let size = 0;
      for (const quads of blocks.values()) size += quads.length;
      const all = new Int16Array(size);
      let at = 0;
      for (const quads of blocks.values()) {
        all.set(quads, at);
        at += quads.length;
      }
      yield { chunk, quads: all, bounds: boundsOf(all) };
    }
    this.#stale.clear();
  }

  get quadCount(): number {
    let count = 0;
    for (const blocks of this.#chunks.values()) for (const quads of blocks.values()) count += quads.length;
    return count / QUAD;
  }
}

/** Computed in the worker, so that the page only passes the quads to the graphics. */
function boundsOf(quads: Int16Array): number[] {
  if (quads.length === 0) return [0, 0, 0, 0, 0, 0];
  const bounds = [0, 1, 2, 0, 1, 2].map((k) => quads[k]!);
  for (let n = 0; n < quads.length; n += QUAD) {
    for (let k = 0; k < 3; k++) {
      const at = quads[n + k]!;
      if (at < bounds[k]!) bounds[k] = at;
      if (at > bounds[3 + k]!) bounds[3 + k] = at;
    }
  }
  return bounds;
}
