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
  /** The last changes of the map: blocks that changed, and milliseconds of the page's own thread. */
  readonly patches: { readonly blocks: number; readonly ms: number }[];
}
