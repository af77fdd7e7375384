import { endianness } from "node:os";
import type { NdArray } from "ndarray";

type Values =
  | Int8Array
  | Uint8Array
  | Uint8ClampedArray
  | Int16Array
  | Uint16Array
  | Int32Array
  | Uint32Array
  | Float32Array
  | Float64Array
  | BigInt64Array
  | BigUint64Array;

/** Magic, version 1.0, and the length of the text behind it. */
const START_SIZE = 10;
/** Where the values start is a multiple of this, so that they can be mapped into memory. */
const ALIGNMENT = 64;

/** numpy's letter for a number's kind and its size in bytes, in this machine's byte order. */
function typeOf(values: Values): string {
  const name = values.constructor.name;
  const kind = name.startsWith("Float") ? "f" : name.includes("Uint") ? "u" : "i";
  const order = values.BYTES_PER_ELEMENT === 1 ? "|" : endianness() === "LE" ? "<" : ">";
  return `${order}${kind}${values.BYTES_PER_ELEMENT}`;
}

/**
 * NPY 1.0, last axis fastest ("C order").
 * Source: numpy, numpy.lib.format, "Format Version 1.0".
 * @param shape whose product is the count of values; [] is a single value
 * @throws {RangeError} if it isn't
 */
export function encodeNpy(values: Values, shape: readonly number[]): Uint8Array {
  const count = shape.reduce((product, side) => product * side, 1);
  if (!shape.every((side) => Number.isSafeInteger(side) && side >= 0) || count !== values.length) {
    throw new RangeError(`shape [${shape.join(", ")}] doesn't hold ${values.length} values`);
  }
  // A tuple of one needs its comma.
  const sides = shape.length === 1 ? `${shape[0]},` : shape.join(", ");
  const text = `{'descr': '${typeOf(values)}', 'fortran_order': False, 'shape': (${sides}), }`;
  const dataStart = Math.ceil((START_SIZE + text.length + 1) / ALIGNMENT) * ALIGNMENT;
  const out = new Uint8Array(dataStart + values.byteLength);
  out.set([0x93, 0x4e, 0x55, 0x4d, 0x50, 0x59, 1, 0]); // \x93NUMPY, 1.0
  new DataView(out.buffer).setUint16(8, dataStart - START_SIZE, true);
  const padded = `${text.padEnd(dataStart - START_SIZE - 1)}\n`;
  for (let i = 0; i < padded.length; i++) out[START_SIZE + i] = padded.charCodeAt(i);
  out.set(new Uint8Array(values.buffer, values.byteOffset, values.byteLength), dataStart);
  return out;
}

/** NPY 1.0 of what an ndarray shows, whatever its strides. */
export function encodeNpyView<T extends Exclude<Values, BigInt64Array | BigUint64Array>>(
  view: NdArray<T>,
): Uint8Array {
  const { shape, stride, offset, data } = view;
  const flat = data.slice(0, 0).constructor as { new (length: number): T };
  const count = shape.reduce((product, side) => product * side, 1);
  const values = new flat(count);
  const at = shape.map(() => 0);
  let from = offset;
  for (let i = 0; i < count; i++) {
    values[i] = data[from]!;
    // Next place, the last axis first, like a milometer.
    for (let axis = shape.length - 1; axis >= 0; axis--) {
      from += stride[axis]!;
      at[axis]!++;
      if (at[axis]! < shape[axis]!) break;
      from -= stride[axis]! * shape[axis]!;
      at[axis] = 0;
    }
  }
  return encodeNpy(values, shape);
}
