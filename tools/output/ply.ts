// Polygon file format, binary little-endian. Source: Greg Turk, The PLY Polygon File Format, 1994.

export interface PlyPoints {
  /** (3 n) x, y, z, metres. */
  readonly positions: ArrayLike<number>;
  /** (3 n) red, green, blue. */
  readonly colors: Uint8Array;
  /** (n) nats; property log_odds. */
  readonly logOdds: ArrayLike<number>;
}

export interface PlyMesh {
  /** (3 n) x, y, z, metres. */
  readonly positions: ArrayLike<number>;
  /** (3 n) red, green, blue. */
  readonly colors: Uint8Array;
  /** (4 m) corners of quadrilaterals, counter-clockwise seen from outside. */
  readonly quads: Uint32Array;
}

const VERTEX = ["float x", "float y", "float z", "uchar red", "uchar green", "uchar blue"];

function startPly(elements: readonly string[], comments: readonly string[], bodySize: number): DataView {
  for (const comment of comments)
    if (!/^[\x20-\x7e]*$/.test(comment)) throw new RangeError(`comment "${comment}" isn't one line of ASCII`);
  const lines = [
    "ply",
    "format binary_little_endian 1.0",
    ...comments.map((c) => `comment ${c}`),
    ...elements,
  ];
  const head = Buffer.from(`${lines.join("\n")}\nend_header\n`, "latin1");
  const out = new Uint8Array(head.length + bodySize);
  out.set(head);
  return new DataView(out.buffer, head.length);
}

const bytesOf = (body: DataView): Uint8Array => new Uint8Array(body.buffer);

function requireVertices(positions: ArrayLike<number>, colors: Uint8Array): number {
  const count = positions.length / 3;
  if (!Number.isInteger(count) || colors.length !== positions.length)
    throw new RangeError(
      `${positions.length} coordinates, ${colors.length} colour values; 3 each for every point`,
    );
  return count;
}

function putVertex(
  body: DataView,
  at: number,
  i: number,
  positions: ArrayLike<number>,
  colors: Uint8Array,
): void {
  for (let k = 0; k < 3; k++) {
    body.setFloat32(at + 4 * k, positions[3 * i + k]!, true);
    body.setUint8(at + 12 + k, colors[3 * i + k]!);
  }
}

/**
 * Points with colours and log-odds, such as the middles of voxels.
 * @param comments lines of ASCII for the file's head: the frame, the voxel size
 * @throws {RangeError} if the lengths don't fit
 */
export function encodePlyPoints(points: PlyPoints, comments: readonly string[] = []): Uint8Array {
  const { positions, colors, logOdds } = points;
  const count = requireVertices(positions, colors);
  if (logOdds.length !== count) throw new RangeError(`${count} points, ${logOdds.length} log-odds`);
  const properties = [...VERTEX, "float log_odds"].map((p) => `property ${p}`);
  const body = startPly([`element vertex ${count}`, ...properties], comments, 19 * count);
  for (let i = 0; i < count; i++) {
    putVertex(body, 19 * i, i, positions, colors);
    body.setFloat32(19 * i + 15, logOdds[i]!, true);
  }
  return bytesOf(body);
}

/** A mesh of quadrilaterals with colours. @throws {RangeError} if the lengths don't fit or a corner isn't there */
export function encodePlyMesh(mesh: PlyMesh, comments: readonly string[] = []): Uint8Array {
  const { positions, colors, quads } = mesh;
  const count = requireVertices(positions, colors);
  const faces = quads.length / 4;
  if (!Number.isInteger(faces)) throw new RangeError(`${quads.length} corners, 4 for each face`);
  const elements = [
    `element vertex ${count}`,
    ...VERTEX.map((p) => `property ${p}`),
    `element face ${faces}`,
    "property list uchar int vertex_indices",
  ];
  const body = startPly(elements, comments, 15 * count + 17 * faces);
  for (let i = 0; i < count; i++) putVertex(body, 15 * i, i, positions, colors);
  for (let f = 0, at = 15 * count; f < faces; f++, at += 17) {
    body.setUint8(at, 4);
    for (let k = 0; k < 4; k++) {
      const corner = quads[4 * f + k]!;
      if (corner >= count) throw new RangeError(`face ${f} has corner ${corner} of ${count}`);
      body.setInt32(at + 1 + 4 * k, corner, true);
    }
  }
  return bytesOf(body);
}

/** The six sides of a unit cube: the neighbour's offset, and the corners counter-clockwise from outside. */
const SIDES: readonly (readonly [neighbour: readonly number[], corners: readonly (readonly number[])[]])[] = [
  [
    [1, 0, 0],
    [
      [1, 0, 0],
      [1, 1, 0],
      [1, 1, 1],
      [1, 0, 1],
    ],
  ],
  [
    [-1, 0, 0],
    [
      [0, 0, 0],
      [0, 0, 1],
      [0, 1, 1],
      [0, 1, 0],
    ],
  ],
  [
    [0, 1, 0],
    [
      [0, 1, 0],
      [0, 1, 1],
      [1, 1, 1],
      [1, 1, 0],
    ],
  ],
  [
    [0, -1, 0],
    [
      [0, 0, 0],
      [1, 0, 0],
      [1, 0, 1],
      [0, 0, 1],
    ],
  ],
  [
    [0, 0, 1],
    [
      [0, 0, 1],
      [1, 0, 1],
      [1, 1, 1],
      [0, 1, 1],
    ],
  ],
  [
    [0, 0, -1],
    [
      [0, 0, 0],
      [0, 1, 0],
      [1, 1, 0],
      [1, 0, 0],
    ],
  ],
];

/**
 * The sides of voxels that no other of them covers, corners shared between sides.
 * @param voxels (3 n) whole i, j, k; voxel i, j, k reaches from (i, j, k) to (i + 1, j + 1, k + 1) times `size` metres
 * @param colors (3 n) a colour per voxel; a shared corner has that of the first voxel that needs it
 */
export function voxelFaces(voxels: ArrayLike<number>, colors: Uint8Array, size: number): PlyMesh {
  const count = requireVertices(voxels, colors);
  const key = (i: number, j: number, k: number) => `${i},${j},${k}`;
  const filled = new Set<string>();
  for (let v = 0; v < count; v++) filled.add(key(voxels[3 * v]!, voxels[3 * v + 1]!, voxels[3 * v + 2]!));
  const corners = new Map<string, number>();
  const positions: number[] = [];
  const cornerColors: number[] = [];
  const quads: number[] = [];
  for (let v = 0; v < count; v++) {
    const [i, j, k] = [voxels[3 * v]!, voxels[3 * v + 1]!, voxels[3 * v + 2]!];
    for (const [[di, dj, dk], sides] of SIDES) {
      if (filled.has(key(i + di!, j + dj!, k + dk!))) continue;
      for (const [ci, cj, ck] of sides) {
        const [x, y, z] = [i + ci!, j + cj!, k + ck!];
        let corner = corners.get(key(x, y, z));
        if (corner === undefined) {
          corner = corners.size;
          corners.set(key(x, y, z), corner);
          positions.push(x * size, y * size, z * size);
          cornerColors.push(colors[3 * v]!, colors[3 * v + 1]!, colors[3 * v + 2]!);
        }
        quads.push(corner);
      }
    }
  }
  return { positions, colors: Uint8Array.from(cornerColors), quads: Uint32Array.from(quads) };
}
