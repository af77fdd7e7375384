/** Like `Array.from`, but without an iterator step for each number. */
export function listOf(values: Float32Array | Uint8Array | Uint32Array | Int32Array): number[] {
  const out = new Array<number>(values.length);
  for (let n = 0; n < values.length; n++) out[n] = values[n]!;
  return out;
}
