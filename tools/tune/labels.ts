import { existsSync, readFileSync } from "node:fs";
import { hypot2 } from "../../src/geometry/elementary.ts";
import type { Head } from "../../src/head/head.ts";
import type { Brink } from "../../src/map/brink-lines.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { type LabelsFile, labelsMisfit } from "../../src/wire/label-file.ts";
import { WITHIN } from "../replay/held-out.ts";

type Point = readonly [x: number, y: number];

/** Ground truth of a recording's place, marked by people; metres in the world of the map. */
export interface Labels {
  /** Largest distance between a found edge and its label. */
  readonly tolerance: number;
  readonly edges: readonly {
    readonly name: string;
    readonly line: readonly Point[];
    readonly drop: number;
  }[];
  readonly obstacles: readonly { readonly name: string; readonly outline: readonly Point[] }[];
}

/** A file of labels that cannot be used; the message names the file and the field. */
export class LabelsError extends Error {
  override readonly name = "LabelsError";
}

/** Agreement of a map with labels. */
export interface LabelScore {
  /** Share, 0 to 1, of the true edges' length near which an edge was found; NaN-free: null when none is labelled. */
  readonly edgesFound: number | null;
  /** Metres of edge that were found where none is. */
  readonly falseEdges: number;
  /**
   * Of the true obstacles' outlines the share, 0 to 1, near which a column blocks: the mean over the obstacles, so that a thin
   * leg counts as much as a shelf; null when none is labelled. Sides that were never seen are not found.
   */
  readonly obstaclesFound: number | null;
  /** Names of edges found for less than half of their length, and of obstacles no part of whose outline is found. */
  readonly missed: readonly string[];
}

export const labelsPath = (recording: string): string => `${recording}.labels.json`;

/**
 * Reads `<recording>.labels.json`; null where there is none.
 * @throws {LabelsError} naming the field
 */
export function readLabels(recording: string): { readonly labels: Labels; readonly text: string } | null {
  const path = labelsPath(recording);
  if (!existsSync(path)) return null;
  const text = readFileSync(path, "utf8");
  try {
    return { labels: parseLabels(JSON.parse(text)), text };
  } catch (error) {
    if (!(error instanceof LabelsError || error instanceof SyntaxError)) throw error;
    throw new LabelsError(`${path}: ${error.message}`);
  }
}

/** Metres: the default. */
const TOLERANCE = 0.15;

/** @throws {LabelsError} naming the field, the value and what to write instead */
export function parseLabels(value: unknown): Labels {
  const why = labelsMisfit(value);
  if (why !== null) throw new LabelsError(why);
  const { tolerance = TOLERANCE, edges = [], obstacles = [] } = value as LabelsFile;
  return { tolerance, edges, obstacles };
}

/** Metres between sample points along a true edge or outline. */
const STEP = 0.05;

export function scoreLabels(labels: Labels, head: Pick<Head, "footing" | "layers" | "grid">): LabelScore {
  const { layers, grid } = head;
  const size = grid.voxelSize;
  const box = layers.bounds();
  // All of the map.
  const brinks = box === null ? [] : head.footing.brinks(...wholeOf(box, size));
  const missed: string[] = [];
  let [places, found] = [0, 0];
  for (const { name, line } of labels.edges) {
    const asked = placesAlong(line);
    const met = asked.filter((place) =>
      brinks.some((brink) => isNear(place, brink, labels.tolerance)),
    ).length;
    places += asked.length;
    found += met;
    if (2 * met < asked.length) missed.push(name);
  }
  let wrong = 0;
  for (const { points } of brinks) {
    wrong += points.filter((at) =>
      labels.edges.every(({ line }) => awayFrom(at, line) > labels.tolerance),
    ).length;
  }
  let blocking = 0;
  for (const { name, outline } of labels.obstacles) {
    const rim = placesAlong([...outline, outline[0]!]);
    const met = rim.filter((place) => isBlockedNear(layers, size, place)).length;
    blocking += met / rim.length;
    if (met === 0) missed.push(name);
  }
  return {
    edgesFound: labels.edges.length === 0 ? null : found / places,
    falseEdges: wrong * size,
    obstaclesFound: labels.obstacles.length === 0 ? null : blocking / labels.obstacles.length,
    missed,
  };
}

type Box = NonNullable<ReturnType<Head["layers"]["bounds"]>>;

function wholeOf({ col, row, columns, rows }: Box, size: number): [centre: Point, radius: number] {
  const centre = [(col + columns / 2) * size, (row + rows / 2) * size] as const;
  return [centre, (hypot2(columns, rows) / 2) * size];
}

function placesAlong(line: readonly Point[]): Point[] {
  const out: Point[] = [];
  for (let n = 1; n < line.length; n++) {
    const [[ax, ay], [bx, by]] = [line[n - 1]!, line[n]!];
    const count = Math.max(1, Math.round(hypot2(bx - ax, by - ay) / STEP));
    for (let k = 0; k < count; k++) {
      const share = (k + 0.5) / count;
      out.push([ax + share * (bx - ax), ay + share * (by - ay)]);
    }
  }
  return out;
}

const isNear = ([x, y]: Point, { points }: Brink, within: number): boolean =>
  points.some(([px, py]) => hypot2(px - x, py - y) <= within);

/** Metres from a point to the nearest of a line's pieces. */
function awayFrom([x, y]: Point, line: readonly Point[]): number {
  let least = Number.POSITIVE_INFINITY;
  for (let n = 1; n < line.length; n++) {
    const [[ax, ay], [bx, by]] = [line[n - 1]!, line[n]!];
    const [dx, dy] = [bx - ax, by - ay];
    const square = dx * dx + dy * dy;
    const share = square === 0 ? 0 : Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / square));
    least = Math.min(least, hypot2(ax + share * dx - x, ay + share * dy - y));
  }
  return least;
}

/** Whether any column within 5 cm of a place, east or west, north or south, blocks: as far off for coarse maps as for fine. */
function isBlockedNear(layers: Head["layers"], size: number, [x, y]: Point): boolean {
  const [west, east] = [Math.floor((x - WITHIN) / size), Math.floor((x + WITHIN) / size)];
  const [south, north] = [Math.floor((y - WITHIN) / size), Math.floor((y + WITHIN) / size)];
  for (let j = south; j <= north; j++) {
    for (let i = west; i <= east; i++) if (layers.kindAt(i, j) === COLUMN.blocked) return true;
  }
  return false;
}
