import {
  BufferAttribute,
  BufferGeometry,
  Color,
  GLSL3,
  Group,
  type IUniform,
  Mesh,
  ShaderMaterial,
  type Vector2,
} from "three";
import type { Theme } from "./theme.ts";

// WebGL draws lines one pixel wide only. These lines are quads, which the shader widens to a given number of pixels of the page.

const VERTEX = /* glsl */ `
  uniform vec2 viewport;   // pixels of the page
  uniform float width;     // pixels of the page
  uniform float nearer;    // offset towards the camera, as a share of the depth range, so that a surface below does not cover the line
  in vec3 end;             // the other end of the segment; all four corners have both
  void main() {
    vec4 a = modelViewMatrix * vec4(position, 1.0);
    vec4 b = modelViewMatrix * vec4(end, 1.0);
    const float near = -0.05;
    if (a.z > near && b.z > near) {
      gl_Position = vec4(2.0, 2.0, 2.0, 1.0); // behind the camera
      return;
    }
    // Clips the part behind the camera, which the division below would mirror.
    if (a.z > near) a = mix(a, b, (a.z - near) / (a.z - b.z));
    if (b.z > near) b = mix(b, a, (b.z - near) / (b.z - a.z));
    a = projectionMatrix * a;
    b = projectionMatrix * b;
    vec2 along = (b.xy / b.w - a.xy / a.w) * viewport;
    along = dot(along, along) > 1e-8 ? normalize(along) : vec2(1.0, 0.0);
    int corner = gl_VertexID & 3;
    float side = corner == 0 || corner == 3 ? 1.0 : -1.0;
    float cap = corner < 2 ? -0.5 : 0.5;
    vec4 at = corner < 2 ? a : b;
    at.xy += (vec2(-along.y, along.x) * side + along * cap) * width / viewport * at.w;
    at.z -= nearer * at.w;
    gl_Position = at;
  }`;
const FRAGMENT = /* glsl */ `
  precision highp float;
  uniform vec3 lineColour;
  uniform float opacity;
  out vec4 colour;
  void main() {
    colour = linearToOutputTexel(vec4(lineColour, opacity));
  }`;

/** One pass over all lines. Several passes overlap, for example a halo below a line. */
export interface Pass {
  readonly colour: keyof Theme;
  /** Pixels of the page. */
  readonly width: number;
  /** Default 1. */
  readonly opacity?: number;
  /** Whether nearer surfaces do not cover it. Default false. */
  readonly isOnTop?: boolean;
  /** Passes of a higher order are drawn later. */
  readonly order: number;
}

export class WideLines {
  readonly object = new Group();
  readonly #passes: readonly Pass[];

  /** @param viewport size of the canvas in pixels of the page; the caller keeps it up to date */
  constructor(viewport: IUniform<Vector2>, passes: readonly Pass[]) {
    this.#passes = passes;
    for (const { width, opacity = 1, isOnTop = false, order } of passes) {
      const material = new ShaderMaterial({
        glslVersion: GLSL3,
        vertexShader: VERTEX,
        fragmentShader: FRAGMENT,
        uniforms: {
          viewport,
          width: { value: width },
          nearer: { value: isOnTop ? 0 : 0.0005 },
          lineColour: { value: new Color() },
          opacity: { value: opacity },
        },
        transparent: opacity < 1,
        depthTest: !isOnTop,
        // With depth writes a halo would hide the line above it, because quads of different widths differ in depth.
        depthWrite: false,
      });
      const mesh = new Mesh(new BufferGeometry(), material);
      mesh.renderOrder = order;
      mesh.frustumCulled = false;
      this.object.add(mesh);
    }
    this.show([]);
  }

  get #meshes(): readonly Mesh<BufferGeometry, ShaderMaterial>[] {
    return this.object.children as Mesh<BufferGeometry, ShaderMaterial>[];
  }

  paint(theme: Theme): void {
    this.#meshes.forEach(({ material }, n) => {
      (material.uniforms["lineColour"]!.value as Color).set(theme[this.#passes[n]!.colour]);
    });
  }

  /** @param ends x, y, z of both ends of each segment, metres */
  show(ends: readonly number[]): void {
    const count = ends.length / 6;
    const starts = new Float32Array(12 * count);
    const others = new Float32Array(12 * count);
    const corners = 4 * count > 65535 ? new Uint32Array(6 * count) : new Uint16Array(6 * count);
    for (let n = 0, at = 0; n < count; n++) {
      for (let corner = 0; corner < 4; corner++) {
        for (let k = 0; k < 3; k++) {
          starts[12 * n + 3 * corner + k] = ends[6 * n + k]!;
          others[12 * n + 3 * corner + k] = ends[6 * n + 3 + k]!;
        }
      }
      for (const corner of [0, 1, 2, 0, 2, 3]) corners[at++] = 4 * n + corner;
    }
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(starts, 3));
    geometry.setAttribute("end", new BufferAttribute(others, 3));
    geometry.setIndex(new BufferAttribute(corners, 1));
    this.#meshes[0]!.geometry.dispose();
    for (const mesh of this.#meshes) {
      mesh.geometry = geometry;
      mesh.visible = count > 0;
    }
  }
}
