import {
  Color,
  type DataTexture,
  DoubleSide,
  GLSL3,
  type IUniform,
  RedFormat,
  ShaderMaterial,
  DataTexture as Texture,
  type Vector3,
  Vector4,
} from "three";
import { ColumnTextures } from "./column-textures.ts";
import { KnownTextures } from "./known-textures.ts";
import { COLUMNS, PlanSheet } from "./plan-sheet.ts";
import type { Theme } from "./theme.ts";

/** Share of ink in the colour of cut walls and of walls in the plan. */
const WALL_INK = 0.35;

/** Quads in a row of a chunk's texture. */
export const QUADS_PER_ROW = 256;

/**
 * The vertices of a chunk have no attributes: each looks up its quad by its index. Instanced quads took 0.01 ms each without a graphics card,
 * and attributes at every corner take four times the memory.
 */
const SURFACE_VERTEX = /* glsl */ `
  uniform vec3 origin;     // of the chunk, metres
  uniform float voxel;
  uniform highp isampler2D quads; // three pairs each: voxels from the origin, the face, sides in voxels
  out vec3 world;
  out float light;
  out float facesUp;
  out vec2 inward;         // half a voxel from inside the face to it, where age and certainty are looked up
  out vec2 before;         // a position in front of the face, where the contact shadow is looked up
  void main() {
    int quad = gl_VertexID >> 2;
    ivec2 at = ivec2(3 * (quad % ${QUADS_PER_ROW}), quad / ${QUADS_PER_ROW});
    vec4 place = vec4(texelFetch(quads, at, 0).rg, texelFetch(quads, at + ivec2(1, 0), 0).rg);
    vec2 size = vec2(texelFetch(quads, at + ivec2(2, 0), 0).rg);
    float face = place.w;
    float axis = floor(face / 2.0);
    float odd = mod(face, 2.0);
    int n = gl_VertexID & 3;
    vec2 corner = vec2(n == 1 || n == 2, n > 1);
    // Counter-clockwise seen from outside on every face.
    if (face == 0.0 || face == 3.0 || face == 4.0) corner.x = 1.0 - corner.x;
    vec2 side = corner * size;
    vec3 offset = axis == 0.0 ? vec3(odd, side) : axis == 1.0 ? vec3(side.x, odd, side.y) : vec3(side, odd);
    world = origin + voxel * (place.xyz + offset);
    facesUp = face == 5.0 ? 1.0 : 0.0;
    light = face == 5.0 ? 1.0 : face == 4.0 ? 0.5 : axis == 0.0 ? 0.66 + 0.08 * odd : 0.82 + 0.08 * odd;
    vec2 normal = axis == 0.0 ? vec2(2.0 * odd - 1.0, 0.0) : axis == 1.0 ? vec2(0.0, 2.0 * odd - 1.0) : vec2(0.0);
    before = world.xy + 2.5 * voxel * normal;
    inward = 0.5 * voxel * normal;
    gl_Position = projectionMatrix * viewMatrix * vec4(world, 1.0);
  }`;

/** The footing at a place of the world, and its sign: colour and pattern, with sizes in metres. */
const FOOTING = /* glsl */ `
  uniform sampler2D ground;
  uniform vec4 groundAt;   // corner and size of the area of the texture, metres; size 0: no data
  uniform vec3 firmColour;
  uniform vec3 goneColour;
  uniform vec3 doubtfulColour;
  uniform vec3 paper;
  float footingAt(vec2 at) {
    vec2 uv = (at - groundAt.xy) / max(groundAt.zw, vec2(1e-6));
    if (groundAt.z <= 0.0 || any(lessThan(uv, vec2(0.0))) || any(greaterThanEqual(uv, vec2(1.0)))) return 0.0;
    return floor(texture(ground, uv).r * 255.0 + 0.5);
  }
  vec3 footed(vec3 base, float footing, vec2 at) {
    if (footing == 1.0) return mix(base, firmColour, 0.85);
    if (footing == 2.0) return fract((at.x - at.y) * 6.0) < 0.62 ? goneColour : paper;
    if (footing == 3.0) return length(fract(at * 10.0) - 0.5) < 0.26 ? paper : doubtfulColour;
    return base;
  }`;

const SURFACE_FRAGMENT = /* glsl */ `
  precision highp float;
  ${COLUMNS}
  ${FOOTING}
  uniform vec3 floorColour;
  uniform vec3 standingColour;
  uniform vec3 overheadColour;
  uniform vec3 dipColour;
  uniform vec3 deepColour;
  in vec3 world;
  in float light;
  in float facesUp;
  in vec2 before;
  in vec2 inward;
  out vec4 colour;
  void main() {
    if (world.z > cut || world.z < below) discard;
    float inside = world.z - 0.002 * facesUp;
    vec3 base = inside <= low ? floorColour : inside < high ? standingColour : overheadColour;
    // Floor of a lower level has another colour, and lines.
    if (inside < -0.9 * voxel && colouring < 0.5) {
      base = mix(dipColour, deepColour, clamp(-inside, 0.0, 0.6));
      if (fract((world.x + world.y) * 8.0) < 0.5) base *= 0.87;
    }
    if (colouring > 0.5) base = tinted(base, inside, world.xy - inward);
    // Level tops are mixed with the floor's colour, so that platforms and steps differ from walls.
    else if (inside > low && inside < high) base = mix(base, floorColour, 0.55 * facesUp);
    if (facesUp > 0.5 && inside < high) {
      // Other colours than those of kinds are not covered by firm floor, only by what is no floor.
      float footing = footingAt(world.xy);
      if (colouring < 0.5 || footing > 1.5) base = footed(base, footing, world.xy);
    }
    // Stripes mark things above the robot, so that the sign does not depend on colour alone.
    if (colouring < 0.5 && inside >= high && fract((world.x + world.y + world.z) * 2.5) < 0.3) base *= 0.82;
    // Contact shadows: beside obstacles, and at the foot of walls.
    float shade = facesUp > 0.5 ? (inside <= low ? 0.55 : 0.0) : 0.5;
    float corner = 1.0 - shade * shadeAt(before);
    if (facesUp < 0.5) corner *= 1.0 - 0.28 * exp(-max(0.0, world.z - low) * 9.0);
    colour = linearToOutputTexel(vec4(base * light * corner, 1.0));
  }`;

/** A sheet at the height of the floor, which shows the footing where the map has no surface. */
const SHEET_VERTEX = /* glsl */ `
  out vec2 at;
  void main() {
    vec4 world = modelMatrix * vec4(position, 1.0);
    at = world.xy;
    gl_Position = projectionMatrix * viewMatrix * world;
  }`;
const SHEET_FRAGMENT = /* glsl */ `
  precision highp float;
  ${FOOTING}
  uniform float colouring;
  in vec2 at;
  out vec4 colour;
  void main() {
    float footing = footingAt(at);
    if (footing < (colouring < 0.5 ? 0.5 : 1.5) || footing > 3.5) discard;
    colour = linearToOutputTexel(vec4(footed(paper, footing, at), 1.0));
  }`;

/** What the colours of the map can show; the shaders know them by their index. */
export const COLOURINGS = ["kind", "height", "age", "certainty"] as const;
export type Colouring = (typeof COLOURINGS)[number];

/** Uniforms shared by the materials of the map: colours, heights, and the footing as a texture. */
export class MapMaterials {
  readonly columns = new ColumnTextures();
  readonly known = new KnownTextures();
  readonly #uniforms = {
    ...this.columns.uniforms,
    ...this.known.uniforms,
    cut: { value: 1e6 },
    below: { value: -1e6 },
    grid: { value: 1 },
    colouring: { value: 0 },
    fresh: { value: new Color() },
    stale: { value: new Color() },
    notKnown: { value: new Color() },
    heights: { value: [new Color(), new Color(), new Color(), new Color(), new Color()] },
    low: { value: 0.03 },
    high: { value: 0.5 },
    voxel: { value: 0.05 },
    floorColour: { value: new Color() },
    standingColour: { value: new Color() },
    overheadColour: { value: new Color() },
    ground: { value: new Texture(new Uint8Array(1), 1, 1, RedFormat) },
    groundAt: { value: new Vector4() },
    firmColour: { value: new Color() },
    goneColour: { value: new Color() },
    doubtfulColour: { value: new Color() },
    paper: { value: new Color() },
    wallColour: { value: new Color() },
    dipColour: { value: new Color() },
    deepColour: { value: new Color() },
    unseenColour: { value: new Color() },
    faintColour: { value: new Color() },
    ink: { value: new Color() },
  };

  /** The material of one chunk's surface. @param origin of the chunk, metres */
  surface(quads: IUniform<DataTexture | null>, origin: Vector3): ShaderMaterial {
    return new ShaderMaterial({
      glslVersion: GLSL3,
      vertexShader: SURFACE_VERTEX,
      fragmentShader: SURFACE_FRAGMENT,
      uniforms: { ...this.#uniforms, quads, origin: { value: origin } },
    });
  }

  /** The plan, and the cap of cut walls. */
  planSheet(): PlanSheet {
    return new PlanSheet(this.#uniforms, FOOTING);
  }

  /** The material of the sheet with the footing. */
  sheet(): ShaderMaterial {
    return new ShaderMaterial({
      glslVersion: GLSL3,
      vertexShader: SHEET_VERTEX,
      fragmentShader: SHEET_FRAGMENT,
      uniforms: this.#uniforms,
      side: DoubleSide,
    });
  }

  get voxelSize(): number {
    return this.#uniforms.voxel.value;
  }

  set voxelSize(metres: number) {
    this.#uniforms.voxel.value = metres;
  }

  /** Metres: nothing above this height is drawn. */
  set cut(height: number) {
    this.#uniforms.cut.value = height;
  }

  /** Metres: nothing below this height is drawn. */
  set below(height: number) {
    this.#uniforms.below.value = height;
  }

  /** Whether the plan has lines every metre. */
  set hasGrid(hasGrid: boolean) {
    this.#uniforms.grid.value = hasGrid ? 1 : 0;
  }

  /** What colours show. */
  set colouring(colouring: Colouring) {
    this.#uniforms.colouring.value = COLOURINGS.indexOf(colouring);
  }

  /** Heights above the world's zero between which things stand in the robot's way, metres. */
  setBands(low: number, high: number): void {
    this.#uniforms.low.value = low;
    this.#uniforms.high.value = high;
  }

  /** @param at corner and size of the area of the cells, metres; @param cells FOOTING codes, x fastest */
  setFooting(
    at: readonly [x: number, y: number, wide: number, high: number],
    cells: Uint8Array,
    width: number,
  ): void {
    const uniform = this.#uniforms.ground;
    const height = cells.length / width;
    const { image } = uniform.value;
    if (image.width !== width || image.height !== height) {
      uniform.value.dispose();
      uniform.value = new Texture(new Uint8Array(cells.length), width, height, RedFormat);
      uniform.value.unpackAlignment = 1;
    }
    (uniform.value.image.data as Uint8Array).set(cells);
    uniform.value.needsUpdate = true;
    this.#uniforms.groundAt.value.set(...at);
  }

  forgetFooting(): void {
    this.#uniforms.groundAt.value.set(0, 0, 0, 0);
  }

  paint(theme: Theme): void {
    const uniforms = this.#uniforms;
    uniforms.floorColour.value.set(theme.mapFloor);
    uniforms.standingColour.value.set(theme.mapStanding);
    uniforms.overheadColour.value.set(theme.mapOverhead);
    uniforms.firmColour.value.set(theme.mapFloor);
    uniforms.goneColour.value.set(theme.brink);
    uniforms.doubtfulColour.value.set(theme.doubtful);
    uniforms.paper.value.set(theme.paper);
    uniforms.wallColour.value.set(theme.obstacle).lerp(new Color(theme.ink), WALL_INK);
    uniforms.dipColour.value.set(theme.dip);
    uniforms.deepColour.value.set(theme.low);
    uniforms.unseenColour.value.set(theme.unseen);
    uniforms.faintColour.value.set(theme.faint);
    uniforms.ink.value.set(theme.ink);
    uniforms.fresh.value.set(theme.depthNear);
    uniforms.stale.value.set(theme.depthFar);
    uniforms.notKnown.value.set(theme.paper);
    const heights = [theme.deep, theme.mapFloor, theme.rise, theme.high, theme.top];
    for (const [n, colour] of heights.entries()) uniforms.heights.value[n]!.set(colour);
  }
}
