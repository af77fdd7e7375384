import type { Pose } from "../../geometry/optics.ts";
import { planarOf, toYawPitchRoll } from "../../geometry/rigid.ts";
import type { FootingView } from "../../guard/footing.ts";
import type { FloorView } from "../../map/floor.ts";
import { blockKey, classOf, type GridView, inReach, natsOf } from "../../map/grid.ts";
import { COLUMN, type LayersView } from "../../map/layers.ts";
import { wallFace } from "../../map/wall-face.ts";
import { HIT_CELL, type WallHits } from "../../map/wall-hits.ts";
import { END } from "../../terms/safety.ts";
import type { Stand } from "../../way/pieces.ts";
import type { Goal } from "../../way/way-finder.ts";
import type { Answer, PlacedQuestion } from "../../wire/messages.ts";
import { knowledgeOf } from "./map-knowledge.ts";
import type { Stop, Trail } from "./trail.ts";

const KIND_NAMES = [
  "unseen",
  "clear",
  "blocked",
  "overhang",
  "open",
] as const satisfies readonly (keyof typeof COLUMN)[];

export interface Place {
  readonly layers: LayersView;
  readonly floor: FloorView;
  /** Null where hits of walls are not counted. */
  readonly walls: Pick<WallHits, "at"> | null;
  /** Metres. */
  readonly columnSize: number;
  /** Metres: range of the clearance field. */
  readonly clearanceLimit: number;
  /** Null before the base's first pose. */
  readonly worldFromBase: Pose | null;
  readonly grid: GridView;
  readonly footing: FootingView;
  readonly trail: Trail;
  /** Microseconds: time of the newest frame. */
  readonly time: number;
}

/**
 * Answers a question from the map, other than for a way. The cost grows only with the length of the line or arc in the question.
 * @returns null when the question needs the pose of the base and that is not known
 */
export function answer(
  question: Exclude<PlacedQuestion, { about: "way" | "look" }>,
  place: Place,
): Answer | null {
  const { layers, columnSize, worldFromBase } = place;
  let origin: readonly [number, number, number] = [0, 0, 0];
  if ("frame" in question && question.frame === "base") {
    if (worldFromBase === null) return null;
    origin = [...worldFromBase.position.slice(0, 2), toYawPitchRoll(worldFromBase.rotation)[0]] as [
      number,
      number,
      number,
    ];
  }
  const [ox, oy, yaw] = origin;
  const toWorld = ([x, y]: readonly [number, number]): readonly [number, number] => [
    ox + Math.cos(yaw) * x - Math.sin(yaw) * y,
    oy + Math.sin(yaw) * x + Math.cos(yaw) * y,
  ];
  const column = ([x, y]: readonly [number, number]): [number, number] => [
    Math.floor(x / columnSize),
    Math.floor(y / columnSize),
  ];
  switch (question.about) {
    case "clearance": {
      const [i, j] = column(toWorld(question.point));
      const distance = layers.clearanceAt(i, j);
      return {
        about: "clearance",
        distance: Number.isFinite(distance) ? distance : null,
        limit: place.clearanceLimit,
        column: KIND_NAMES[layers.kindAt(i, j)] ?? "unseen",
      };
    }
    case "footing": {
      const [i, j] = column(toWorld(question.point));
      const floor = place.floor.at(i, j);
      return {
        about: "footing",
        column: KIND_NAMES[layers.kindAt(i, j)] ?? "unseen",
        height: floor?.height ?? null,
        deviation: floor?.deviation ?? null,
        seen: floor?.lastSeen ?? null,
      };
    }
    case "evidence":
      return evidenceAt(question.point, place);
    case "known":
      return { about: "known", ...knowledgeOf(question.square, place) };
    case "wall":
      return wallNear(question, place);
    case "line": {
      const [x0, y0] = toWorld(question.from);
      const [x1, y1] = toWorld(question.to);
      const length = Math.hypot(x1 - x0, y1 - y0);
      const heading = Math.atan2(y1 - y0, x1 - x0);
      const at = (s: number) => [x0 + s * Math.cos(heading), y0 + s * Math.sin(heading), heading] as const;
      return { about: "line", ...walk(at, length, question.halfWidth, place) };
    }
    case "arc": {
      const [x0, y0] = toWorld(question.from);
      const heading = yaw + question.heading;
      const { curvature, length } = question;
      const at = (s: number): readonly [number, number, number] => {
        const turned = curvature * s;
        // Chord of the arc: 2 sin(turned / 2) / curvature, at half the turn; s for a straight line.
        const chord = Math.abs(turned) < 1e-9 ? s : (2 * Math.sin(turned / 2)) / curvature;
        const mean = heading + turned / 2;
        return [x0 + chord * Math.cos(mean), y0 + chord * Math.sin(mean), heading + turned];
      };
      return { about: "arc", ...walk(at, length, question.halfWidth, place) };
    }
    default:
      return question satisfies never;
  }
}

/** The goal of a question for a way, and where the base is, in the world. */
export function endsOfWay(
  { to, frame, heading }: Extract<PlacedQuestion, { about: "way" }>,
  worldFromBase: Pose,
): { goal: Goal; base: Stand } {
  const [x, y, yaw] = planarOf(worldFromBase);
  const base = { x, y, yaw };
  if (frame === "world") return { goal: { x: to[0], y: to[1], yaw: heading ?? null }, base };
  const [cos, sin] = [Math.cos(yaw), Math.sin(yaw)];
  const goal = {
    x: x + cos * to[0] - sin * to[1],
    y: y + sin * to[0] + cos * to[1],
    yaw: heading === undefined ? null : yaw + heading,
  };
  return { goal, base };
}

/** The evidence for one point, with its age and the position of the base. */
function evidenceAt(point: readonly [number, number, number], place: Place): Answer {
  const { grid, footing, trail, columnSize, time } = place;
  const [i, j, k] = point.map((metres) => Math.floor(metres / columnSize)) as [number, number, number];
  const value = grid.valueAt(i, j, k);
  const id = inReach(i >> 3, j >> 3, k >> 3) ? grid.find(blockKey(i >> 3, j >> 3, k >> 3)) : -1;
  const revision = id < 0 ? 0 : grid.revisionOf(id);
  const changed = revision === 0 ? null : trail.atRevision(revision);
  const cell = footing.cellAt(point[0], point[1]);
  const seen = cell.time > 0 ? trail.at(cell.time) : null;
  const ago = (then: number): number => Math.max(0, (time - then) / 1e6);
  const placeOf = ({ position }: Stop): [number, number] => [position[0], position[1]];
  return {
    about: "evidence",
    class: classOf(value),
    nats: natsOf(value),
    footing: cell.footing,
    changed: changed === null ? null : { ago: ago(changed.time), from: placeOf(changed) },
    seen:
      seen === null
        ? null
        : { ago: ago(cell.time), from: placeOf(seen), far: Number.isFinite(cell.far) ? cell.far : null },
  };
}

/** Columns on each side of a place that tell on which side of it the wall is. */
const BESIDE = 3;

/** The face of a wall near a point. Hits count only where the map still has something, because they stay when it is taken away. */
function wallNear(
  { point: [x, y], along }: Extract<PlacedQuestion, { about: "wall" }>,
  { walls, layers, columnSize }: Place,
): Answer {
  const isBlocked = (i: number, j: number): boolean => layers.kindAt(i, j) === COLUMN.blocked;
  const [dx, dy] = [Math.cos(along), Math.sin(along)];
  let balance = 0;
  for (let n = 0; n < BESIDE; n++) {
    const far = (n + 0.5) * columnSize;
    for (const sense of [1, -1]) {
      const [i, j] = [x + sense * far * dx, y + sense * far * dy].map((m) => Math.floor(m / columnSize));
      if (isBlocked(i!, j!)) balance += sense;
    }
  }
  const sense = balance < 0 ? -1 : 1;
  const hitsAt = (col: number, row: number): number => {
    const hits = walls?.at(col, row) ?? 0;
    if (hits === 0) return 0;
    const i = Math.floor(((col + 0.5) * HIT_CELL) / columnSize);
    const j = Math.floor(((row + 0.5) * HIT_CELL) / columnSize);
    for (let n = 0; n < 9; n++) if (isBlocked(i + (n % 3) - 1, j + Math.floor(n / 3) - 1)) return hits;
    return 0;
  };
  const found = wallFace([x, y], [sense * dx, sense * dy], hitsAt);
  if (found === null) return { about: "wall", point: null, spread: null };
  const { offset, spread } = found;
  return { about: "wall", point: [x + sense * offset * dx, y + sense * offset * dy], spread };
}

/** Walks along the way column by column, across its whole width. */
function walk(
  at: (s: number) => readonly [number, number, number],
  length: number,
  halfWidth: number,
  { layers, columnSize }: Place,
): { isFree: boolean; free: number; what: number } {
  const stride = columnSize / 2;
  const steps = Math.max(1, Math.ceil(length / stride));
  const across = Math.ceil(halfWidth / stride);
  for (let n = 0; n <= steps; n++) {
    const s = Math.min(length, n * stride);
    const [x, y, heading] = at(s);
    const [nx, ny] = [-Math.sin(heading), Math.cos(heading)];
    for (let k = -across; k <= across; k++) {
      const off = Math.max(-halfWidth, Math.min(halfWidth, k * stride));
      const kind = layers.kindAt(
        Math.floor((x + nx * off) / columnSize),
        Math.floor((y + ny * off) / columnSize),
      );
      if (kind === COLUMN.clear || kind === COLUMN.overhang) continue;
      const what = kind === COLUMN.blocked ? END.obstacle : END.unseen;
      return { isFree: false, free: Math.max(0, s - stride), what };
    }
  }
  return { isFree: true, free: length, what: END.open };
}
