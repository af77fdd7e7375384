/** Cost of visiting a node, in items tried. Chosen by hand. */
const NODE_COST = 0.6;
/** Items in a leaf at most. */
const BIGGEST_LEAF = 8;

/**
 * A tree of boxes around boxes: node n has its own box at bounds 6n, and either children n + 1 and other[n], or the count[n] items from
 * order[other[n]] on.
 */
export interface BoxTree {
  readonly bounds: Float64Array;
  readonly other: Int32Array;
  readonly count: Int32Array;
  /** The axis along which a node's children lie. */
  readonly axis: Uint8Array;
  /** The items, node by node. */
  readonly order: Int32Array;
}

/**
 * Builds the tree over `size` boxes (min x, y, z, max x, y, z) top down by the surface area heuristic (Goldsmith & Salmon 1987;
 * MacDonald & Booth 1990): each cut is the one with the least surface times solids on both sides. Floors and walls are large and thin, and
 * halving at the median leaves boxes that overlap for most rays.
 */
export function growTree(bounds: Float64Array, size: number): BoxTree {
  const order = Int32Array.from({ length: size }, (_, i) => i);
  const nodes: { bounds: number[]; other: number; count: number; axis: number }[] = [];
  const around = (box: number[], i: number): void => {
    for (let a = 0; a < 3; a++) {
      box[a] = Math.min(box[a]!, bounds[i * 6 + a]!);
      box[a + 3] = Math.max(box[a + 3]!, bounds[i * 6 + 3 + a]!);
    }
  };
  const nothing = (): number[] => [Infinity, Infinity, Infinity, -Infinity, -Infinity, -Infinity];
  const surface = ([x0 = 0, y0 = 0, z0 = 0, x1 = 0, y1 = 0, z1 = 0]: number[]): number =>
    (x1 - x0) * (y1 - y0) + (y1 - y0) * (z1 - z0) + (z1 - z0) * (x1 - x0);
  const sortAlong = (start: number, end: number, axis: number): void => {
    const middleOf = (i: number): number => bounds[i * 6 + axis]! + bounds[i * 6 + 3 + axis]!;
    order.subarray(start, end).sort((i, k) => middleOf(i) - middleOf(k) || i - k);
  };
  const build = (start: number, end: number): void => {
    const box = nothing();
    for (let k = start; k < end; k++) around(box, order[k]!);
    const node = { bounds: box, other: start, count: end - start, axis: 0 };
    nodes.push(node);
    if (end - start <= 1) return;
    let least = (end - start - NODE_COST) * surface(box); // the cost of leaving it a leaf
    let cut = -1;
    const behind = new Float64Array(end - start);
    for (let axis = 0; axis < 3; axis++) {
      sortAlong(start, end, axis);
      const right = nothing();
      for (let k = end - 1; k > start; k--) {
        around(right, order[k]!);
        behind[k - start] = surface(right) * (end - k);
      }
      const left = nothing();
      for (let k = start + 1; k < end; k++) {
        around(left, order[k - 1]!);
        const cost = surface(left) * (k - start) + behind[k - start]!;
        if (cost < least) {
          least = cost;
          cut = k;
          node.axis = axis;
        }
      }
    }
    if (cut < 0) {
      if (end - start <= BIGGEST_LEAF) return;
      cut = (start + end) >> 1;
    }
    sortAlong(start, end, node.axis);
    node.count = 0;
    build(start, cut);
    node.other = nodes.length;
    build(cut, end);
  };
  build(0, order.length);
  return {
    bounds: Float64Array.from(nodes.flatMap((node) => node.bounds)),
    other: Int32Array.from(nodes, (node) => node.other),
    count: Int32Array.from(nodes, (node) => node.count),
    axis: Uint8Array.from(nodes, (node) => node.axis),
    order,
  };
}
