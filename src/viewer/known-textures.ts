import { DataTexture, type IUniform, NearestFilter, RGFormat, Vector4 } from "three";
import { unpackCodes } from "../wire/image.ts";
import { KNOWN_SIDE } from "../wire/known.ts";
import type { Known } from "./known-map.ts";

/** Columns along a block and along a square. */
const BLOCK = 8;
const SIDE = KNOWN_SIDE * BLOCK;

/** GLSL that reads age and certainty at a place, and their colours. `colouring` is 2 for ages, 3 for certainties. */
export const KNOWN = /* glsl */ `
  uniform sampler2D known;
  uniform vec4 knownAt;     // corner and size, metres; size 0: no data
  uniform vec3 fresh;
  uniform vec3 stale;
  uniform vec3 notKnown;
  uniform float colouring;  // 0: what it is, 1: height, 2: age, 3: certainty
  /** 0 to 4 in steps, -1: not known. The codes are those of src/wire/known.ts. */
  float knownStep(vec2 at) {
    vec2 uv = (at - knownAt.xy) / max(knownAt.zw, vec2(1e-6));
    if (knownAt.z <= 0.0 || any(lessThan(uv, vec2(0.0))) || any(greaterThanEqual(uv, vec2(1.0)))) return -1.0;
    vec2 codes = floor(texture(known, uv).rg * 255.0 + 0.5);
    if (colouring > 2.5) return codes.g < 0.5 ? -1.0 : 4.0 - codes.g;
    if (codes.r < 0.5) return -1.0;
    float seconds = exp2((codes.r - 1.0) / 15.0) - 1.0;
    return seconds < 10.0 ? 0.0 : seconds < 60.0 ? 1.0 : seconds < 600.0 ? 2.0 : seconds < 3600.0 ? 3.0 : 4.0;
  }
  /** The colour of a step. Its stripes become wider from step to step, so that it does not depend on colour alone. */
  vec3 knownColour(vec2 at) {
    float n = knownStep(at);
    if (n < 0.0) return notKnown;
    vec3 base = mix(fresh, stale, n / 4.0);
    return fract((at.x + at.y) * 4.0) < 0.17 * n ? base * 0.82 : base;
  }`;

/** How old and how certain the map is, as a texture of its columns. */
export class KnownTextures {
  readonly #squares = new Map<
    string,
    { readonly at: readonly [number, number]; readonly codes: Uint8Array }
  >();
  #first: readonly [number, number] = [0, 0];
  #size: readonly [number, number] = [0, 0];
  #voxelSize = 0;
  readonly uniforms = {
    known: { value: textureOf(new Uint8Array(2), 1, 1) } as IUniform<DataTexture>,
    knownAt: { value: new Vector4() },
  };

  /** @param square column and row in squares; @param voxelSize metres */
  update(square: readonly [number, number], { age, sure }: Known, voxelSize: number): void {
    if (voxelSize !== this.#voxelSize) this.clear();
    this.#voxelSize = voxelSize;
    const codes = new Uint8Array(2 * SIDE * SIDE);
    const levels = unpackCodes(sure, SIDE * SIDE);
    for (let n = 0; n < SIDE * SIDE; n++) {
      const [i, j] = [(n % SIDE) >> 3, Math.floor(n / SIDE) >> 3];
      codes[2 * n] = age[j * KNOWN_SIDE + i]!;
      codes[2 * n + 1] = levels[n]!;
    }
    this.#squares.set(square.join(), { at: square, codes });
    const isInside =
      square[0] >= this.#first[0] &&
      square[1] >= this.#first[1] &&
      square[0] < this.#first[0] + this.#size[0] &&
      square[1] < this.#first[1] + this.#size[1];
    if (!isInside) this.#grow();
    else this.#put(square, codes);
    this.uniforms.known.value.needsUpdate = true;
  }

  clear(): void {
    this.#squares.clear();
    this.#size = [0, 0];
    this.uniforms.knownAt.value.set(0, 0, 0, 0);
  }

  #grow(): void {
    const all = [...this.#squares.values()];
    const least = (k: 0 | 1): number => Math.min(...all.map(({ at }) => at[k]));
    const most = (k: 0 | 1): number => Math.max(...all.map(({ at }) => at[k]));
    this.#first = [least(0), least(1)];
    this.#size = [most(0) - least(0) + 1, most(1) - least(1) + 1];
    const [wide, high] = [SIDE * this.#size[0], SIDE * this.#size[1]];
    this.uniforms.known.value.dispose();
    this.uniforms.known.value = textureOf(new Uint8Array(2 * wide * high), wide, high);
    const side = SIDE * this.#voxelSize;
    this.uniforms.knownAt.value.set(
      side * this.#first[0],
      side * this.#first[1],
      side * this.#size[0],
      side * this.#size[1],
    );
    for (const { at, codes } of all) this.#put(at, codes);
  }

  #put([col, row]: readonly [number, number], codes: Uint8Array): void {
    const data = this.uniforms.known.value.image.data as Uint8Array;
    const wide = 2 * SIDE * this.#size[0];
    const from = 2 * SIDE * (col - this.#first[0]) + SIDE * (row - this.#first[1]) * wide;
    for (let j = 0; j < SIDE; j++)
      data.set(codes.subarray(2 * SIDE * j, 2 * SIDE * (j + 1)), from + j * wide);
  }
}

function textureOf(data: Uint8Array, width: number, height: number): DataTexture {
  const texture = new DataTexture(data, width, height, RGFormat);
  texture.unpackAlignment = 1;
  texture.minFilter = texture.magFilter = NearestFilter;
  texture.needsUpdate = true;
  return texture;
}
