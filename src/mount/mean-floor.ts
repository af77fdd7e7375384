import { atan2Of, hypot2, lengthOf, square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { conjugate, turn } from "../geometry/rigid.ts";
import { cross, dot, unit } from "../geometry/vec.ts";
import { type LensFrame, levelOf } from "./lens-path.ts";

const DEGREE = Math.PI / 180;
/** Fewest quiet frames that a mean is made of; chosen by hand. */
const LEAST_QUIET = 10;
/** Seconds over which errors of the floor may be shared; chosen by hand. */
const BLOCK = 1;
/** Least errors that are believed, metres and radians: no floor is flatter. Chosen by hand. */
const FLOOR_HEIGHT_SIGMA = 0.0005;
const FLOOR_TILT_SIGMA = 0.03 * DEGREE;
/** Share of the height, and radians, by which a frame may differ from the usual floor: a base nods by a few degrees; chosen by hand. */
const MOST_OFF_HEIGHT = 0.2;
const MOST_OFF_TILT = 6 * DEGREE;

/** Frames whose floor, and whose place above it, agree roughly with the others'. The rest were lost or took something else for floor. */
export function plausible(frames: readonly LensFrame[]): readonly LensFrame[] {
  const floors = frames.flatMap(({ floor }) => (floor === null ? [] : [floor]));
  if (floors.length === 0) return frames;
  const median = (values: number[]): number => values.sort((a, b) => a - b)[values.length >> 1]!;
  const height = median(floors.map((floor) => floor.height));
  const up = unit([0, 1, 2].map((c) => median(floors.map(({ normal }) => normal[c]!))) as unknown as Vec3);
  if (up === null) return frames;
  const isUsual = (h: number, normal: Vec3): boolean =>
    Math.abs(h - height) < MOST_OFF_HEIGHT * height && angleBetweenAxes(normal, up) < MOST_OFF_TILT;
  return frames.filter(
    ({ pose, floor }) =>
      isUsual(pose.position[2], turn(conjugate(pose.rotation), [0, 0, 1])) &&
      (floor === null || isUsual(floor.height, floor.normal)),
  );
}

/** The floor in the lens frame, with its doubt. */
export interface MeanFloor {
  readonly normal: Vec3;
  readonly height: number;
  readonly heightSigma: number;
  readonly pitchSigma: number;
  readonly rollSigma: number;
  readonly slant: number;
}

/**
 * Mean over the quiet frames; null with too few. Its doubt comes from how blocks of a second differ: floors are uneven, and bases
 * stand askew.
 */
export function meanFloor(quiet: readonly LensFrame[]): MeanFloor | null {
  if (quiet.length < LEAST_QUIET) return null;
  let normal: Vec3 = [0, 0, 0];
  let height = 0;
  let slant = 0;
  for (const { floor } of quiet) {
    const [x, y, z] = floor!.normal;
    normal = [normal[0] + x, normal[1] + y, normal[2] + z];
    height += floor!.height / quiet.length;
    slant += floor!.slant / quiet.length;
  }
  normal = unit(normal)!;
  const level = levelOf(normal);
  const columns = quiet.map(({ floor, time }) => {
    const [x, y] = turn(level, floor!.normal);
    return { block: Math.floor(time / (1e6 * BLOCK)), values: [floor!.height, x, y] };
  });
  const sigma = (c: number, least: number) => hypot2(sigmaOfMean(columns, c), least);
  return {
    normal,
    height,
    slant,
    heightSigma: sigma(0, FLOOR_HEIGHT_SIGMA),
    pitchSigma: sigma(1, FLOOR_TILT_SIGMA),
    rollSigma: sigma(2, FLOOR_TILT_SIGMA),
  };
}

/** A quantity's values in one frame, and the block of time that the frame belongs to. */
interface BlockValues {
  readonly block: number;
  readonly values: readonly number[];
}

/** 1 sigma of the mean of value `c`, when errors are shared within a block and independent between blocks. */
function sigmaOfMean(frames: readonly BlockValues[], c: number): number {
  const blocks = new Map<number, { sum: number; count: number }>();
  for (const { block, values } of frames) {
    const entry = blocks.get(block) ?? { sum: 0, count: 0 };
    entry.sum += values[c]!;
    entry.count++;
    blocks.set(block, entry);
  }
  const means = [...blocks.values()].map(({ sum, count }) => ({ mean: sum / count, count }));
  const total = frames.length;
  const whole = means.reduce((sum, { mean, count }) => sum + mean * count, 0) / total;
  const scatter =
    means.reduce((sum, { mean, count }) => sum + square((mean - whole) * count), 0) / square(total);
  return Math.sqrt((scatter * means.length) / Math.max(1, means.length - 1));
}

/** Between two unit vectors, radians. */
export function angleBetweenAxes(a: Vec3, b: Vec3): number {
  return atan2Of(lengthOf(cross(a, b)), dot(a, b));
}
