/** What the page tells a benchmark of itself (`brinkmapFigures` in its global scope). */
export interface PageFigures {
  readonly chunks: number;
  readonly quads: number;
  readonly calls: number;
  /** What the graphics memory holds: geometries and textures by count, vertex buffers in bytes. */
  readonly geometries: number;
  readonly textures: number;
  readonly buffers: number;
  readonly drawn: number;
  /** Milliseconds from the connection's opening to the first picture of the whole map; null before. */
  readonly complete: number | null;
  /** The last changes of the map, each as a whole. */
  readonly patches: readonly PatchFigures[];
}

/** What one change of the map took of the page's own thread, milliseconds. */
export interface PatchFigures {
  readonly blocks: number;
  /** Taking it over, and the longest of the pieces in which that was done. */
  readonly ms: number;
  readonly longest: number;
  readonly slices: number;
  /** Drawing it. */
  readonly picture: number;
  /** The map became another one: all of it was new. */
  readonly isOther: boolean;
}
