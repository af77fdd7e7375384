// The paces of a recording frame by frame, packed: the field `curve` of the message `recording`. Of each frame, little-endian:
// milliseconds from the start (u32), pace forward (mm/s, u16), free way straight ahead (mm, u16), what limits the pace (u8, an END, or
// NO_LIMIT), the state (u8, its place in REACH_STATES), how long ago the ground that limits the pace was seen (ms, u16; NEVER: longer
// ago or never, or nothing limits the pace), the load: the head's work on the frame as a share of the frame interval (per cent, u8, 255: as much or more),
// and the place of the base: x and y in the world (mm, i32 each; x NO_PLACE: not known), heading (1/10000 rad, i16).

/** Bytes of a frame. */
export const CURVE_BYTES = 23;
/** Nothing limits the pace. */
const NO_LIMIT = 255;
const NEVER = 0xffff;
const MOST_LOAD = 255;
const NO_PLACE = -(2 ** 31);

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
  /** Of the base in the world, metres and radians; null: not known. */
  readonly place: { readonly x: number; readonly y: number; readonly heading: number } | null;
}

const u16 = (value: number): number => Math.min(0xffff, Math.max(0, Math.round(value)));
const millimetres = (metres: number): number =>
  Math.min(2 ** 31 - 1, Math.max(NO_PLACE + 1, Math.round(1000 * metres)));

/** Writes frame `n`, counted from 0. */
export function writeCurvePoint(
  view: DataView,
  n: number,
  { at, pace, room, cause, state, age, load, place }: CurvePoint,
): void {
  const offset = CURVE_BYTES * n;
  view.setUint32(offset, Math.max(0, Math.round(at / 1000)), true);
  view.setUint16(offset + 4, u16(1000 * pace), true);
  view.setUint16(offset + 6, u16(1000 * room), true);
  view.setUint8(offset + 8, cause ?? NO_LIMIT);
  view.setUint8(offset + 9, state);
  view.setUint16(offset + 10, age === null ? NEVER : u16(1000 * age), true);
  view.setUint8(offset + 12, Math.min(MOST_LOAD, Math.max(0, Math.round(100 * load))));
  view.setInt32(offset + 13, place === null ? NO_PLACE : millimetres(place.x), true);
  view.setInt32(offset + 17, place === null ? 0 : millimetres(place.y), true);
  view.setInt16(offset + 21, place === null ? 0 : Math.round(1e4 * place.heading), true);
}

/** An incomplete frame at the end is ignored. */
export function readCurve(bytes: Uint8Array): CurvePoint[] {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const points: CurvePoint[] = [];
  for (let offset = 0; offset + CURVE_BYTES <= bytes.length; offset += CURVE_BYTES) {
    const cause = view.getUint8(offset + 8);
    const age = view.getUint16(offset + 10, true);
    const x = view.getInt32(offset + 13, true);
    points.push({
      at: 1000 * view.getUint32(offset, true),
      pace: view.getUint16(offset + 4, true) / 1000,
      room: view.getUint16(offset + 6, true) / 1000,
      cause: cause === NO_LIMIT ? null : cause,
      state: view.getUint8(offset + 9),
      age: age === NEVER ? null : age / 1000,
      load: view.getUint8(offset + 12) / 100,
      place:
        x === NO_PLACE
          ? null
          : {
              x: x / 1000,
              y: view.getInt32(offset + 17, true) / 1000,
              heading: view.getInt16(offset + 21, true) / 1e4,
            },
    });
  }
  return points;
}
