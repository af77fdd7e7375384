import { log2Of, powOf } from "../geometry/elementary.ts";
/** Points and normals of one frame in the lens frame; the first `count` are valid. */
export interface Samples {
  count: number;
  /** (3 * count) metres. */
  readonly point: Float32Array;
  /** (3 * count) unit, towards the lens. */
  readonly normal: Float32Array;
  /** 1 / sigma^2 of the distance along the normal, 1 / m^2. */
  readonly weight: Float32Array;
}

export function emptySamples(capacity: number): Samples {
  return {
    count: 0,
    point: new Float32Array(3 * capacity),
    normal: new Float32Array(3 * capacity),
    weight: new Float32Array(capacity),
  };
}

/** Bytes of a packed sample: three coordinates in millimetres (6), three of a normal (3), a weight (2). */
export const SAMPLE_BYTES = 11;
/** Most samples that are packed. Chosen by hand: 22 kB a keyframe. */
export const MOST_PACKED = 2000;

/** Packs samples for a keyframe: at most `MOST_PACKED`, evenly chosen. `unpackSamples` gives them back. */
export function packSamples({ count, point, normal, weight }: Samples): Uint8Array {
  const kept = Math.min(count, MOST_PACKED);
  const bytes = new Uint8Array(SAMPLE_BYTES * kept);
  const view = new DataView(bytes.buffer);
  for (let n = 0; n < kept; n++) {
    const i = Math.floor((n * count) / kept);
    const at = SAMPLE_BYTES * n;
    for (let k = 0; k < 3; k++) {
      const mm = Math.round(1000 * point[3 * i + k]!);
      view.setInt16(at + 2 * k, Math.max(-32767, Math.min(32767, mm)), true);
      view.setInt8(at + 6 + k, Math.round(127 * normal[3 * i + k]!));
    }
    // The logarithm of 1 / sigma^2, in steps of 0.14 % (2^(1/512)).
    const log = Math.round(512 * log2Of(Math.max(1, weight[i]!)));
    view.setUint16(at + 9, Math.min(65535, log), true);
  }
  return bytes;
}

/** Fills `out` with packed samples, as many as it has room for. */
export function unpackSamples(out: Samples, bytes: Uint8Array): void {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const count = Math.min(bytes.length / SAMPLE_BYTES, out.weight.length);
  for (let n = 0; n < count; n++) {
    const at = SAMPLE_BYTES * n;
    const k = 3 * n;
    out.point[k] = view.getInt16(at, true) / 1000;
    out.point[k + 1] = view.getInt16(at + 2, true) / 1000;
    out.point[k + 2] = view.getInt16(at + 4, true) / 1000;
    const [x, y, z] = [view.getInt8(at + 6), view.getInt8(at + 7), view.getInt8(at + 8)];
    const norm = 1 / Math.sqrt(x * x + y * y + z * z);
    out.normal[k] = norm * x;
    out.normal[k + 1] = norm * y;
    out.normal[k + 2] = norm * z;
    out.weight[n] = powOf(2, view.getUint16(at + 9, true) / 512);
  }
  out.count = count;
}
