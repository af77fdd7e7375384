// The paces of a recording frame by frame, packed: the field `curve` of the message `recording`. Of each frame, little-endian:
// milliseconds from the start (u32), pace forward (mm/s, u16), free way straight ahead (mm, u16), what limits the pace (u8, an END, or
// NO_LIMIT), the state (u8, its place in REACH_STATES), how long ago the ground that limits the pace was seen (ms, u16; NEVER: longer
// ago or never, or nothing limits the pace), and the load: the head's work on the frame as a share of the frame interval (per cent, u8, 255: as much or more).

/** Bytes of a frame. */
export const CURVE_BYTES = 13;
/** Nothing limits the pace. */
const NO_LIMIT = 255;
const NEVER = 0xffff;
const MOST_LOAD = 255;

export interface CurvePoint {
  /** Microseconds from the start. */
  readonly at: number;
  /** m/s. */
  readonly pace: number;
  /** Metres straight ahead. */
  readonly room: number;
  /** An END; null: nothing limits the pace. */
  readonly cause: number | null;
  /** Index in REACH_STATES. */
  readonly state: number;
  /** Seconds since the ground that limits the pace was seen; null: longer than 65 s ago or never, or nothing limits it. */
  readonly age: number | null;
  /** Share of the frame interval that the head worked on the frame. */
  readonly load: number;
}

const u16 = (value: number): number => Math.min(0xffff, Math.max(0, Math.round(value)));

/** Writes frame `n`, counted from 0. */
export function writeCurvePoint(
  view: DataView,
  n: number,
  { at, pace, room, cause, state, age, load }: CurvePoint,
): void {
  const offset = CURVE_BYTES * n;
  view.setUint32(offset, Math.max(0, Math.round(at / 1000)), true);
  view.setUint16(offset + 4, u16(1000 * pace), true);
  view.setUint16(offset + 6, u16(1000 * room), true);
  view.setUint8(offset + 8, cause ?? NO_LIMIT);
  view.setUint8(offset + 9, state);
  view.setUint16(offset + 10, age === null ? NEVER : u16(1000 * age), true);
  view.setUint8(offset + 12, Math.min(MOST_LOAD, Math.max(0, Math.round(100 * load))));
}

/** An incomplete frame at the end is ignored. */
export function readCurve(bytes: Uint8Array): CurvePoint[] {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const points: CurvePoint[] = [];
  for (let offset = 0; offset + CURVE_BYTES <= bytes.length; offset += CURVE_BYTES) {
    const cause = view.getUint8(offset + 8);
    const age = view.getUint16(offset + 10, true);
    points.push({
      at: 1000 * view.getUint32(offset, true),
      pace: view.getUint16(offset + 4, true) / 1000,
      room: view.getUint16(offset + 6, true) / 1000,
      cause: cause === NO_LIMIT ? null : cause,
      state: view.getUint8(offset + 9),
      age: age === NEVER ? null : age / 1000,
      load: view.getUint8(offset + 12) / 100,
    });
  }
  return points;
}
