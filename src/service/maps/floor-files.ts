import { FOOTING } from "../../terms/safety.ts";
import type { FloorCells, FloorEdge } from "../../wire/floor-map.ts";

// The map of the floor as files for other software: `export` writes them, and the service sends them.

/** The floor of a map, and its edges. */
export interface FloorMap {
  readonly ground: FloorCells;
  readonly edges: readonly FloorEdge[];
}

/** Columns of `edgesNpy`, and properties of a point in `edgesPly`. */
const POINT = ["x", "y", "z", "drop", "confidence", "error", "age"] as const;

/** NPY 1.0, last axis fastest. Source: numpy, numpy.lib.format, "Format Version 1.0". @param type as `<f4` */
export function npyHeader(type: string, shape: readonly number[]): Buffer {
  const text = `{'descr': '${type}', 'fortran_order': False, 'shape': (${shape.join(", ")}), }`;
  const size = Math.ceil((10 + text.length + 1) / 64) * 64 - 10;
  const head = Buffer.from([0x93, 0x4e, 0x55, 0x4d, 0x50, 0x59, 1, 0, size & 255, size >> 8]);
  return Buffer.concat([head, Buffer.from(`${text.padEnd(size - 1)}\n`)]);
}

/** The codes of all cells, row by row from the least y. */
export function groundNpy({ width, height, cells }: FloorCells): Uint8Array {
  return Buffer.concat([npyHeader("|u1", [height, width]), cells]);
}

/** All points of all edges: the number of the edge, then POINT. A drop without a bottom is infinite. */
export function edgesNpy(edges: readonly FloorEdge[]): Uint8Array {
  const rows = edges.flatMap((edge, n) => valuesOf(edge).map((values) => [n, ...values]));
  const body = Buffer.alloc(4 * (1 + POINT.length) * rows.length);
  rows.flat().forEach((value, n) => {
    body.writeFloatLE(value, 4 * n);
  });
  return Buffer.concat([npyHeader("<f4", [rows.length, 1 + POINT.length]), body]);
}

/** Points of edges as vertices, and the lines between them as edges. Source: Turk, The PLY Polygon File Format, 1994. */
export function edgesPly(edges: readonly FloorEdge[]): Uint8Array {
  const points = edges.flatMap(valuesOf);
  const lines: [number, number][] = [];
  let first = 0;
  for (const { points: own } of edges) {
    for (let n = 1; n < own.length; n++) lines.push([first + n - 1, first + n]);
    first += own.length;
  }
  const header = [
    "ply",
    "format binary_little_endian 1.0",
    "comment edges of the floor, world frame, metres, z up; drop in metres, inf: no bottom was seen",
    "comment error: metres across the edge, 1 sigma; age: seconds since it was seen",
    `element vertex ${points.length}`,
    ...POINT.map((name) => `property float ${name}`),
    `element edge ${lines.length}`,
    "property int vertex1",
    "property int vertex2",
    "end_header\n",
  ];
  const body = Buffer.alloc(4 * POINT.length * points.length + 8 * lines.length);
  let at = 0;
  for (const value of points.flat()) at = body.writeFloatLE(value, at);
  for (const end of lines.flat()) at = body.writeInt32LE(end, at);
  return Buffer.concat([Buffer.from(header.join("\n")), body]);
}

/** Values of POINT for each point of an edge. */
const valuesOf = ({ points, drop, confidence, error, age }: FloorEdge): number[][] =>
  points.map(([x, y, z]) => [x, y, z, drop, confidence, error, age]);

const rounded = (value: number): number => Math.round(1000 * value) / 1000;

/** Where the cells of `groundNpy` lie and what they say, and all edges. */
export function groundJson({ ground, edges }: FloorMap): string {
  const { col, row, width, height, cell } = ground;
  const about = {
    frame: "world: metres, x and y along the floor, z up",
    ground: {
      shape: [height, width],
      cellSize: cell,
      origin: [rounded(col * cell), rounded(row * cell)],
      axes: "element [row, column] covers x from origin[0] + column * cellSize, y from origin[1] + row * cellSize",
      codes: FOOTING,
    },
    edges: edges.map(({ points, drop, confidence, error, age }) => ({
      points: points.map((point) => point.map(rounded)),
      // Metres; null: no bottom was seen.
      drop: Number.isFinite(drop) ? rounded(drop) : null,
      confidence: rounded(confidence),
      error: rounded(error),
      age: rounded(age),
    })),
  };
  return `${JSON.stringify(about, null, 2)}\n`;
}
