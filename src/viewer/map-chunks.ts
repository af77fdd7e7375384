import {
  BufferAttribute,
  BufferGeometry,
  DataTexture,
  Group,
  type IUniform,
  Mesh,
  RGIntegerFormat,
  type ShaderMaterial,
  ShortType,
  Sphere,
  Vector3,
} from "three";
import { type MapMaterials, QUADS_PER_ROW } from "./map-materials.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import { CHUNK_BLOCKS, QUAD } from "./voxel-mesh.ts";

/** Corners of the two triangles of a quad. */
const TRIANGLES = [0, 1, 2, 0, 2, 3];
/** Milliseconds of the page's thread that a change of the map may take at once. The rest waits for the next picture. */
const SLICE = 3;
/** Capacity for quads relative to the need, so that a growing map is not copied at every change. */
const SPARE = 1.5;

interface Chunk {
  readonly mesh: Mesh<BufferGeometry, ShaderMaterial>;
  readonly texture: IUniform<DataTexture | null>;
  readonly origin: Vector3;
  quads: Int16Array;
  /** Number of quads, and their lowest and highest corner, metres. */
  count: number;
  readonly lowest: Vector3;
  readonly highest: Vector3;
}

/** The surface of the map, with one mesh, and so one draw call, for each chunk. */
export class MapChunks {
  readonly object = new Group();
  readonly #materials: MapMaterials;
  readonly #chunks = new Map<string, Chunk>();
  /** Pending changes: the newest of each chunk. */
  readonly #waiting = new Map<string, ChunkUpdate>();
  #isWaiting = false;
  /** Called after each postponed piece of a change, with its milliseconds. */
  onSlice: (milliseconds: number) => void = () => {};
  /** Called when a change is complete. */
  onComplete: () => void = () => {};

  constructor(materials: MapMaterials) {
    this.#materials = materials;
  }

  /**
   * Applies changes: a small one at once, a large one in pieces between pictures.
   * @param isWhole whether to apply it at once, however large
   */
  update(updates: readonly ChunkUpdate[], isWhole: boolean): void {
    for (const update of updates) this.#waiting.set(update.chunk, update);
    if (!this.#isWaiting) this.#takeOver(isWhole ? Number.POSITIVE_INFINITY : SLICE);
  }

  /** Whether part of a change is still pending. */
  get isWaiting(): boolean {
    return this.#isWaiting;
  }

  #takeOver(most: number): void {
    const begun = performance.now();
    for (const [name, update] of this.#waiting) {
      this.#waiting.delete(name);
      this.#updateChunk(update);
      if (performance.now() - begun >= most) break;
    }
    this.#isWaiting = this.#waiting.size > 0;
    if (!this.#isWaiting) {
      this.onComplete();
      return;
    }
    requestAnimationFrame(() => {
      const start = performance.now();
      this.#takeOver(SLICE);
      this.onSlice(performance.now() - start);
    });
  }

  #updateChunk({ chunk: name, quads, bounds }: ChunkUpdate): void {
    const count = quads.length / QUAD;
    let chunk = this.#chunks.get(name);
    if (chunk === undefined) {
      if (count === 0) return;
      chunk = this.#addChunk(name, quads.length);
    }
    if (quads.length > chunk.quads.length) makeRoom(chunk, quads.length);
    chunk.quads.set(quads);
    chunk.texture.value!.needsUpdate = true;
    chunk.count = count;
    chunk.mesh.geometry.setDrawRange(0, TRIANGLES.length * count);
    chunk.mesh.visible = count > 0;
    chunk.origin.copy(this.#originOf(name)); // of the present voxel size
    this.#bound(chunk, bounds);
  }

  #originOf(name: string): Vector3 {
    const [col, row] = name.split(",").map(Number) as [number, number];
    const side = this.#materials.voxelSize * 8 * CHUNK_BLOCKS;
    return new Vector3(col * side, row * side, 0);
  }

  #addChunk(name: string, length: number): Chunk {
    const texture: IUniform<DataTexture | null> = { value: null };
    const origin = this.#originOf(name);
    const mesh = new Mesh(new BufferGeometry(), this.#materials.surface(texture, origin));
    mesh.matrixAutoUpdate = false;
    const chunk: Chunk = {
      mesh,
      texture,
      origin,
      quads: new Int16Array(0),
      count: 0,
      lowest: new Vector3(),
      highest: new Vector3(),
    };
    makeRoom(chunk, length);
    this.object.add(mesh);
    this.#chunks.set(name, chunk);
    return chunk;
  }

  /** @param bounds lowest and highest corner of its quads, voxels from the chunk's origin */
  #bound(chunk: Chunk, bounds: ChunkUpdate["bounds"]): void {
    const voxel = this.#materials.voxelSize;
    chunk.lowest.fromArray(bounds, 0).multiplyScalar(voxel).add(chunk.origin);
    // A quad is at most a block long.
    chunk.highest.fromArray(bounds, 3).addScalar(8).multiplyScalar(voxel).add(chunk.origin);
    const sphere = chunk.mesh.geometry.boundingSphere!;
    sphere.center.copy(chunk.lowest).add(chunk.highest).multiplyScalar(0.5);
    sphere.radius = chunk.lowest.distanceTo(chunk.highest) / 2;
  }

  /** Lowest and highest corner of the map, metres; null while it is empty. */
  get bounds(): { readonly low: Vector3; readonly high: Vector3 } | null {
    const low = new Vector3(Number.POSITIVE_INFINITY, Number.POSITIVE_INFINITY, Number.POSITIVE_INFINITY);
    const high = low.clone().negate();
    for (const { count, lowest, highest } of this.#chunks.values()) {
      if (count === 0) continue;
      low.min(lowest);
      high.max(highest);
    }
    return low.x > high.x ? null : { low, high };
  }

  get chunkCount(): number {
    return this.#chunks.size;
  }

  get quadCount(): number {
    let quads = 0;
    for (const { count } of this.#chunks.values()) quads += count;
    return quads;
  }

  /** Bytes of the quads, with spare capacity. */
  get quadBytes(): number {
    let bytes = 0;
    for (const { quads } of this.#chunks.values()) bytes += quads.byteLength;
    return bytes;
  }
}

function makeRoom(chunk: Chunk, length: number): void {
  const rows = Math.ceil((SPARE * length) / QUAD / QUADS_PER_ROW);
  const room = rows * QUADS_PER_ROW;
  chunk.quads = new Int16Array(room * QUAD);
  chunk.texture.value?.dispose();
  const texture = new DataTexture(chunk.quads, (QUADS_PER_ROW * QUAD) / 2, rows, RGIntegerFormat, ShortType);
  texture.internalFormat = "RG16I";
  chunk.texture.value = texture;
  const corners = 4 * room > 65535 ? new Uint32Array(6 * room) : new Uint16Array(6 * room);
  for (let quad = 0, n = 0; quad < room; quad++) {
    for (const corner of TRIANGLES) corners[n++] = 4 * quad + corner;
  }
  chunk.mesh.geometry.dispose();
  const geometry = new BufferGeometry();
  geometry.setIndex(new BufferAttribute(corners, 1));
  geometry.boundingSphere = new Sphere();
  chunk.mesh.geometry = geometry;
}
