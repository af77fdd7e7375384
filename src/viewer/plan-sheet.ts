import { DoubleSide, GLSL3, type IUniform, Mesh, PlaneGeometry, ShaderMaterial, type Vector4 } from "three";
import { KNOWN } from "./known-textures.ts";

// The map from above as a drawing: floor as smooth areas, obstacles as solid bands with an outline. The edge of an area is where the
// interpolation of the four columns around a point passes one half, so that a straight wall ends exactly at the side of its voxels.
// Source: marching squares, the two-dimensional case of Lorensen & Cline 1987, evaluated at each pixel.

const VERTEX = /* glsl */ `
  out vec2 at;
  void main() {
    vec4 world = modelMatrix * vec4(position, 1.0);
    at = world.xy;
    gl_Position = projectionMatrix * viewMatrix * world;
  }`;

/** GLSL that reads columns; column-map.ts defines their bytes. */
export const COLUMNS = /* glsl */ `
  uniform sampler2D columns;
  uniform sampler2D shades;
  uniform vec4 columnsAt;   // corner and size, metres
  uniform vec2 columnsSize; // columns
  uniform float voxel;
  uniform float cut;        // nothing above this height is drawn
  uniform float below;      // nothing below this height is drawn
  uniform float low;        // top of the floor's band, metres
  uniform float high;       // from here on things are above the robot
  vec4 columnAt(ivec2 at) {
    if (any(lessThan(at, ivec2(0))) || any(greaterThanEqual(at, ivec2(columnsSize)))) return vec4(0.0);
    return floor(texelFetch(columns, at, 0) * 255.0 + 0.5);
  }
  float bottomOf(vec4 column) { return (floor(low / voxel) + column.g - 1.0) * voxel; }
  float topOf(vec4 column) { return (floor(low / voxel) + column.b) * voxel; }
  bool stands(vec4 column) { return column.g > 0.5 && bottomOf(column) < cut && topOf(column) > below; }
  ${KNOWN}
  uniform vec3 heights[5];  // colours at -1 m, at the floor, and every 70 cm above it
  vec3 heightColour(float z) {
    float step = clamp(z < 0.0 ? 1.0 + z : 1.0 + z / 0.7, 0.0, 4.0);
    int n = min(3, int(step));
    vec3 mixed = mix(heights[n], heights[n + 1], step - float(n));
    // Contour lines, so that the height does not depend on colour alone.
    float line = abs(fract(z / 0.35 + 0.5) - 0.5);
    return line < 0.06 ? mixed * 0.8 : mixed;
  }
  /** The colour by height, age or certainty instead of by kind. @param z height, metres */
  vec3 tinted(vec3 kind, float z, vec2 at) {
    return colouring < 0.5 ? kind : colouring < 1.5 ? heightColour(z) : knownColour(at);
  }
  float shadeAt(vec2 at) {
    vec2 uv = (at - columnsAt.xy) / columnsAt.zw;
    if (any(lessThan(uv, vec2(0.0))) || any(greaterThan(uv, vec2(1.0)))) return 0.0;
    return texture(shades, uv).r;
  }`;

/** The cap of obstacles in three dimensions: walls are solid where they are cut. */
const CAP_FRAGMENT = /* glsl */ `
  precision highp float;
  ${COLUMNS}
  uniform vec3 wallColour;
  uniform vec3 ink;
  in vec2 at;
  out vec4 colour;
  float isCut(ivec2 place) {
    vec4 column = columnAt(place);
    return column.g > 0.5 && bottomOf(column) < cut && topOf(column) > cut ? 1.0 : 0.0;
  }
  void main() {
    vec2 cell = (at - columnsAt.xy) / columnsAt.zw * columnsSize - 0.5;
    ivec2 corner = ivec2(floor(cell));
    vec2 f = cell - vec2(corner);
    float filled = mix(
      mix(isCut(corner), isCut(corner + ivec2(1, 0)), f.x),
      mix(isCut(corner + ivec2(0, 1)), isCut(corner + ivec2(1, 1)), f.x), f.y);
    if (filled < 0.5) discard;
    float soft = clamp(fwidth(cell.x) + fwidth(cell.y), 0.02, 0.5);
    float inner = smoothstep(0.5 + 0.5 * soft, 0.5 + soft, filled);
    colour = linearToOutputTexel(vec4(mix(ink, wallColour, inner), 1.0));
  }`;

const planFragment = (footing: string): string => /* glsl */ `
  precision highp float;
  ${COLUMNS}
  ${footing}
  uniform vec3 floorColour;
  uniform vec3 standingColour;
  uniform vec3 overheadColour;
  uniform vec3 wallColour;
  uniform vec3 dipColour;
  uniform vec3 deepColour;
  uniform vec3 unseenColour;
  uniform vec3 faintColour;
  uniform vec3 ink;
  uniform float grid;       // 1: lines every metre
  in vec2 at;
  out vec4 colour;

  /** 1 on the lines, one pixel wide, of a grid with this spacing in metres. */
  float gridLine(float every, float pixel) {
    vec2 off = abs(fract(at / every + 0.5) - 0.5) * every;
    return 1.0 - smoothstep(0.4 * pixel, 1.1 * pixel, min(off.x, off.y));
  }

  void main() {
    vec2 cell = (at - columnsAt.xy) / columnsAt.zw * columnsSize - 0.5;
    ivec2 corner = ivec2(floor(cell));
    vec2 f = cell - vec2(corner);
    vec4 a = columnAt(corner);
    vec4 b = columnAt(corner + ivec2(1, 0));
    vec4 c = columnAt(corner + ivec2(0, 1));
    vec4 d = columnAt(corner + ivec2(1, 1));
    vec4 weight = vec4((1.0 - f.x) * (1.0 - f.y), f.x * (1.0 - f.y), (1.0 - f.x) * f.y, f.x * f.y);
    vec4 standing = vec4(stands(a), stands(b), stands(c), stands(d));
    vec4 floors = max(standing, vec4(a.r > 0.5, b.r > 0.5, c.r > 0.5, d.r > 0.5));
    float pixel = fwidth(at.x);
    float soft = clamp(0.7 * pixel / voxel, 0.02, 0.5);
    float isStanding = smoothstep(0.5 - soft, 0.5 + soft, dot(weight, standing));
    float footing = footingAt(at);
    float isFloor = smoothstep(0.5 - soft, 0.5 + soft, max(dot(weight, floors), footing == 1.0 ? 1.0 : 0.0));

    // Unseen: paper with sparse dots, fixed to the world, about 16 pixels apart.
    float apart = exp2(ceil(log2(16.0 * pixel)));
    float dots = 1.0 - smoothstep(0.9 * pixel, 1.5 * pixel, length((fract(at / apart) - 0.5) * apart));
    vec3 base = mix(paper, unseenColour, 0.45 * dots);

    // Floor, with contact shadows beside obstacles. Floor of a lower level has another colour, and lines.
    float lowest = max(max(a.r, b.r), max(c.r, d.r));
    vec4 own = f.x < 0.5 ? (f.y < 0.5 ? a : c) : (f.y < 0.5 ? b : d);
    if (own.r > 0.5) lowest = own.r;
    float height = lowest > 0.5 ? (lowest - 127.0) * voxel : 0.0;
    vec3 ground = floorColour;
    if (height < -0.5 * voxel) {
      ground = mix(dipColour, deepColour, clamp(-height / 1.0, 0.0, 0.6));
      float every = exp2(ceil(log2(6.0 * pixel)));
      ground *= 1.0 - 0.13 * step(0.5, fract((at.x + at.y) / every));
    }
    ground = tinted(ground, height, at);
    ground = ground * (1.0 - 0.38 * shadeAt(at));
    base = mix(base, ground, isFloor);
    if (footing == 2.0 || footing == 3.0) base = footed(base, footing, at);
    base = mix(base, faintColour, 0.55 * grid * gridLine(1.0, pixel) * step(pixel, 0.05));
    base = mix(base, unseenColour, 0.6 * grid * gridLine(5.0, pixel));

    // Above the robot: stripes over everything below.
    float hangs = dot(weight, vec4(a.a, b.a, c.a, d.a)) / 255.0 * (1.0 - isStanding);
    float stripes = exp2(ceil(log2(5.0 * pixel)));
    if (hangs > 0.5 && cut > high) base = mix(base, overheadColour, fract((at.x - at.y) / stripes) < 0.35 ? 0.9 : 0.15);

    // Obstacles: those higher than the robot are walls, drawn solid; lower ones are a tone lighter.
    bool isWall = topOf(own) >= high;
    vec3 solid = isWall ? wallColour : mix(standingColour, floorColour, 0.3);
    float edge = dot(weight, standing);
    solid = tinted(solid, topOf(own), at);
    // No outline where a column is hardly a pixel wide: it would cover the fill.
    float rim = (1.0 - smoothstep(0.5 + soft, 0.5 + 3.0 * soft, edge)) * (1.0 - smoothstep(0.2, 0.4, soft));
    solid = mix(solid, ink, rim * (isWall ? 1.0 : 0.65));
    colour = linearToOutputTexel(vec4(mix(base, solid, isStanding), 1.0));
  }`;

type Uniforms = Readonly<Record<string, IUniform>>;

function sheetOf(fragmentShader: string, uniforms: Uniforms): Mesh<PlaneGeometry, ShaderMaterial> {
  const material = new ShaderMaterial({
    glslVersion: GLSL3,
    vertexShader: VERTEX,
    fragmentShader,
    uniforms,
    side: DoubleSide,
  });
  const mesh = new Mesh(new PlaneGeometry(1, 1), material);
  mesh.frustumCulled = false;
  mesh.visible = false;
  return mesh;
}

/** Metres by which the plan's sheet exceeds the map on each side: unseen area is part of the drawing. */
const AROUND = 200;
/** Metres: depth of the cap below the cut. */
const UNDER = 0.002;

/** The plan, which replaces the map's surface in the view from above; and the cap of cut walls in the other views. */
export class PlanSheet {
  readonly plan: Mesh<PlaneGeometry, ShaderMaterial>;
  readonly cap: Mesh<PlaneGeometry, ShaderMaterial>;
  readonly #extent: IUniform<Vector4>;
  readonly #cut: IUniform<number>;
  #isPlan = false;

  /** @param footing GLSL that reads the state of the floor */
  constructor(uniforms: Uniforms, footing: string) {
    this.plan = sheetOf(planFragment(footing), uniforms);
    this.cap = sheetOf(CAP_FRAGMENT, uniforms);
    // Drawn first, below everything else at any height.
    this.plan.renderOrder = -1;
    this.plan.material.depthTest = this.plan.material.depthWrite = false;
    this.#extent = uniforms["columnsAt"] as IUniform<Vector4>;
    this.#cut = uniforms["cut"] as IUniform<number>;
  }

  set isPlan(isPlan: boolean) {
    this.#isPlan = isPlan;
    this.place();
  }

  /** Updates the sheets after the map has grown or the cut has moved. */
  place(): void {
    const { x, y, z, w } = this.#extent.value;
    const cut = this.#cut.value;
    this.plan.visible = this.#isPlan;
    this.plan.position.set(x + z / 2, y + w / 2, 0);
    this.plan.scale.set(z + 2 * AROUND, w + 2 * AROUND, 1);
    this.cap.visible = !this.#isPlan && cut < 1000;
    this.cap.position.set(x + z / 2, y + w / 2, Math.min(cut, 1000) - UNDER);
    this.cap.scale.set(z, w, 1);
  }
}
