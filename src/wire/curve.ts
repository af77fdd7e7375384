// The paces of a recording frame by frame, packed: the field `curve` of the message `recording`. Of each frame, little-endian:
// milliseconds from the start (u32), pace forward (mm/s, u16), free way straight ahead (mm, u16), what limits the pace (u8, an END, or
// NO_LIMIT), and the state (u8, its place in REACH_STATES).

/** Bytes of a frame. */
export const CURVE_BYTES = 10;
/** Nothing limits the pace. */
const NO_LIMIT = 255;

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
}

const u16 = (value: number): number => Math.min(0xffff, Math.max(0, Math.round(value)));

/** Writes frame `n`, counted from 0. */
export function writeCurvePoint(
  view: DataView,
  n: number,
  { at, pace, room, cause, state }: CurvePoint,
): void {
  const offset = CURVE_BYTES * n;
  view.setUint32(offset, Math.max(0, Math.round(at / 1000)), true);
  view.setUint16(offset + 4, u16(1000 * pace), true);
  view.setUint16(offset + 6, u16(1000 * room), true);
  view.setUint8(offset + 8, cause ?? NO_LIMIT);
  view.setUint8(offset + 9, state);
}

/** An incomplete frame at the end is ignored. */
export function readCurve(bytes: Uint8Array): CurvePoint[] {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const points: CurvePoint[] = [];
  for (let offset = 0; offset + CURVE_BYTES <= bytes.length; offset += CURVE_BYTES) {
    const cause = view.getUint8(offset + 8);
    points.push({
      at: 1000 * view.getUint32(offset, true),
      pace: view.getUint16(offset + 4, true) / 1000,
      room: view.getUint16(offset + 6, true) / 1000,
      cause: cause === NO_LIMIT ? null : cause,
      state: view.getUint8(offset + 9),
    });
  }
  return points;
}
