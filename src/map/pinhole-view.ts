/** An ideal pinhole image of z-depth; every camera model is converted to one before integration. */
export interface PinholeView {
  /** Pixels; the width even. */
  readonly width: number;
  readonly height: number;
  readonly fx: number;
  readonly fy: number;
  readonly cx: number;
  readonly cy: number;
  /** Depth counts per metre. */
  readonly unitsPerMetre: number;
  /** Largest depth, metres along z. */
  readonly maxRange: number;
}

/**
 * A copy of one shape, whatever the caller's object is made of: code that reads it is compiled for that shape.
 * @throws {RangeError} if the range is more than 500 voxels or its depths do not fit 15 bits
 */
export function checkedView(view: PinholeView, voxelSize: number): PinholeView {
  const { width, height, fx, fy, cx, cy, unitsPerMetre, maxRange } = view;
  const reach = maxRange / voxelSize;
  if (!(reach > 0 && reach <= 500)) {
    throw new RangeError(
      `maximum range ${maxRange} m is ${reach.toFixed(0)} voxels of ${voxelSize} m; at most 500: ` +
        "take larger voxels or a shorter range",
    );
  }
  if (!(maxRange * unitsPerMetre < 32768)) {
    throw new RangeError(`maximum range ${maxRange} m needs more than 15 bits at ${unitsPerMetre} counts/m`);
  }
  return { width, height, fx, fy, cx, cy, unitsPerMetre, maxRange };
}
