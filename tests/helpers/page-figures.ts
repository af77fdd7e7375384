/** Figures that the page publishes for benchmarks, as `brinkmapFigures` in its global scope. */
export interface PageFigures {
  readonly chunks: number;
  readonly quads: number;
  readonly calls: number;
  /** In graphics memory: number of geometries and of textures, vertex buffers in bytes. */
  readonly geometries: number;
  readonly textures: number;
  readonly buffers: number;
  readonly drawn: number;
  /** Milliseconds from the last end of a movement of the view to its sharp picture; null: none yet. */
  readonly sharpAfter: number | null;
  /** Milliseconds from the connection's opening to the first picture of the whole map; null before. */
  readonly complete: number | null;
  /** The last map changes. */
  readonly patches: readonly PatchFigures[];
}

/** Time that one map change took on the page's main thread, milliseconds. */
export interface PatchFigures {
  readonly blocks: number;
  /** Applying it in all, and the longest of the slices in which it was applied. */
  readonly ms: number;
  readonly longest: number;
  readonly slices: number;
  /** Drawing it. */
  readonly picture: number;
  /** Whether the map was replaced by another one. */
  readonly isOther: boolean;
}
