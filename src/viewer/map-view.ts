import {
  BufferAttribute,
  BufferGeometry,
  CanvasTexture,
  Color,
  ConeGeometry,
  DataTexture,
  DoubleSide,
  GLSL3,
  Group,
  LineBasicMaterial,
  LineSegments,
  Mesh,
  MeshBasicMaterial,
  PerspectiveCamera,
  PlaneGeometry,
  Points,
  PointsMaterial,
  RedFormat,
  RGIntegerFormat,
  RingGeometry,
  Scene,
  ShaderMaterial,
  ShortType,
  Sphere,
  Sprite,
  SpriteMaterial,
  SRGBColorSpace,
  Vector3,
  Vector4,
  WebGLRenderer,
} from "three";
import { OrbitControls } from "three/addons/controls/OrbitControls.js";
import type { FromServer } from "../wire/messages.ts";
import type { ChunkUpdate } from "./map-surface.ts";
import { lineOf } from "./page-state.ts";
import type { Theme } from "./theme.ts";
import { CHUNK_BLOCKS, QUAD } from "./voxel-mesh.ts";
import type { Ground, Sighting, Trail } from "./worker-messages.ts";

type Pose = FromServer<"pose">["worldFromBase"];

export const VIEWS = ["above", "around", "riding"] as const;
export type View = (typeof VIEWS)[number];

/** Quads in a row of the texture that holds a chunk's. */
const ROW = 256;
/**
 * A quad's numbers are fetched by the number of its corner. As instances they were drawn at a hundredth of a millisecond each
 * where there is no graphics card, and as corners with attributes they would take four times the memory.
 */
const VERTEX = /* glsl */ `
  uniform vec3 origin;     // of the chunk, metres
  uniform float voxel;
  uniform highp isampler2D quads; // three pairs each: voxels from the origin, the face, sides in voxels
  out vec3 world;
  out float light;
  out float facesUp;
  void main() {
    int quad = gl_VertexID >> 2;
    ivec2 at = ivec2(3 * (quad % ${ROW}), quad / ${ROW});
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
    light = face == 5.0 ? 1.0 : face == 4.0 ? 0.55 : axis == 0.0 ? 0.74 + 0.06 * odd : 0.84 + 0.06 * odd;
    gl_Position = projectionMatrix * viewMatrix * vec4(world, 1.0);
  }`;

/** What is known of the floor around the base: each kind has its colour and its pattern, in the world's own measure. */
const FOOTING = /* glsl */ `
  uniform sampler2D ground;
  uniform vec4 groundAt;   // corner and size of what it covers, metres; no size: nothing is known
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
    if (footing == 1.0) return mix(base, firmColour, 0.6);
    if (footing == 2.0) return fract((at.x + at.y) * 6.0) < 0.62 ? goneColour : paper;
    if (footing == 3.0) return length(fract(at * 10.0) - 0.5) < 0.26 ? paper : doubtfulColour;
    return base;
  }`;

const FRAGMENT = /* glsl */ `
  precision highp float;
  ${FOOTING}
  uniform float cut;       // nothing above is drawn
  uniform float low;       // up to here it is floor, metres
  uniform float high;      // from here on it is above the robot
  uniform vec3 floorColour;
  uniform vec3 bodyColour;
  uniform vec3 overColour;
  in vec3 world;
  in float light;
  in float facesUp;
  out vec4 colour;
  void main() {
    if (world.z > cut) discard;
    float inside = world.z - 0.002 * facesUp;
    vec3 base = inside <= low ? floorColour : inside < high ? bodyColour : overColour;
    // Level tops are half like floor: platforms and steps are told from walls.
    if (inside > low && inside < high) base = mix(base, floorColour, 0.55 * facesUp);
    if (facesUp > 0.5 && inside < high) base = footed(base, footingAt(world.xy), world.xy);
    // What hangs above is striped, so that it is not told by colour alone.
    if (inside >= high && fract((world.x + world.y + world.z) * 2.5) < 0.3) base *= 0.82;
    colour = linearToOutputTexel(vec4(base * light, 1.0));
  }`;

/** Where no surface is, gone and doubtful floor shows on a sheet at the floor's own height. */
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
  in vec2 at;
  out vec4 colour;
  void main() {
    float footing = footingAt(at);
    if (footing < 0.5 || footing > 3.5) discard;
    colour = linearToOutputTexel(vec4(footed(paper, footing, at), 1.0));
  }`;

/** Corners of a quad's two triangles. */
const TRIANGLES = [0, 1, 2, 0, 2, 3];
/** The way is drawn so far above the floor, metres. */
const LIFT = 0.06;
const FIELD_OF_VIEW = 45;
/** Metres of a drop that are drawn. */
const DEEPEST_TOOTH = 0.6;
/** Pictures that take less than this are drawn as often as the screen shows them, milliseconds. */
const CHEAP = 25;
/** Of dearer ones, one is drawn in so many times what it takes. */
const SHARE = 4;
/** Whether a picture is made is looked after this often, milliseconds. */
const FENCE = 4;
/** Dearer still, and the picture gets coarser, to this share of the screen's pixels at worst. */
const DEAR = 120;
const COARSEST = 0.5;
const SHARPEST = Math.min(2, globalThis.devicePixelRatio || 1);
/** Nothing has changed for so long before a coarse picture is made sharp, milliseconds. */
const QUIET = 1000;

/** Half the length of a rung across the way, metres. */
const RUNG = 0.07;
/** Milliseconds of the page's own thread that a change of the map may take at once; the rest waits for the next picture. */
const SLICE = 3;

/** Metres: corners of labels stand so high, and ticks along their lines are so far apart and so long to either side. */
const POST = 0.25;
const TICKS = 0.25;
const TICK = 0.06;
/** Pixels: height of the tags of labels. */
const TAG = 15;

/** What somebody marked on the map: a line, or an outline. */
export interface Marked {
  /** What it is called in the list, a letter or two and a number. */
  readonly tag: string;
  /** x, y of its corners, metres of the world. */
  readonly corners: readonly (readonly [x: number, y: number])[];
  readonly isOutline: boolean;
}

interface Chunk {
  readonly mesh: Mesh<BufferGeometry, ShaderMaterial>;
  quads: Int16Array;
  /** Rectangles in use, and lowest and highest corner of them, metres. */
  count: number;
  readonly lowest: Vector3;
  readonly highest: Vector3;
}

/** The map in three dimensions. It draws when something changed, and not otherwise. */
export class Place {
  readonly #renderer: WebGLRenderer;
  readonly #scene = new Scene();
  readonly #camera = new PerspectiveCamera(FIELD_OF_VIEW, 1, 0.05, 500);
  readonly #controls: OrbitControls;
  readonly #chunks = new Map<string, Chunk>();
  readonly #uniforms = {
    cut: { value: 1e6 },
    low: { value: 0.03 },
    high: { value: 0.5 },
    voxel: { value: 0.05 },
    floorColour: { value: new Color() },
    bodyColour: { value: new Color() },
    overColour: { value: new Color() },
    ground: { value: new DataTexture(new Uint8Array(1), 1, 1, RedFormat) },
    groundAt: { value: new Vector4() },
    firmColour: { value: new Color() },
    goneColour: { value: new Color() },
    doubtfulColour: { value: new Color() },
    paper: { value: new Color() },
  };
  readonly #sheet: Mesh<PlaneGeometry, ShaderMaterial>;
  #isGroundShown = true;
  #ground: Ground | null = null;
  readonly #robot = new Group();
  readonly #robotMaterial = new MeshBasicMaterial({ side: DoubleSide });
  readonly #path = new LineSegments(new BufferGeometry(), new LineBasicMaterial());
  readonly #brinks = new LineSegments(new BufferGeometry(), new LineBasicMaterial());
  readonly #ruler: LineSegments<BufferGeometry, LineBasicMaterial>;
  readonly #ends: Points<BufferGeometry, PointsMaterial>;
  readonly #marked: LineSegments<BufferGeometry, LineBasicMaterial>;
  readonly #corners: Points<BufferGeometry, PointsMaterial>;
  readonly #tags = new Group();
  #labels: readonly Marked[] = [];
  #colours: Pick<Theme, "paper" | "mark"> = { paper: "#fff", mark: "#000" };
  #view: View = "around";
  #pose: Pose | null = null;
  #isDue = false;
  #isDrawing = false;
  #isUrgent = false;
  #pausing: ReturnType<typeof setTimeout> | undefined;
  #drawnAt = 0;
  #cost = 0;
  #resolution = SHARPEST;
  #size: readonly [width: number, height: number] = [0, 0];
  #sharpening: ReturnType<typeof setTimeout> | undefined;
  #isFitted = false;
  readonly #after: ((milliseconds: number) => void)[] = [];
  /** What is still to be taken over of the map: the newest of each chunk. */
  readonly #coming = new Map<string, ChunkUpdate>();
  #isComing = false;
  /** Frames drawn since the start. */
  drawn = 0;
  /** Told of each piece of work on the map that waited for a picture, milliseconds. */
  onSlice: (milliseconds: number) => void = () => {};

  constructor(canvas: HTMLCanvasElement) {
    // Kept, so that a picture can be taken of what is on the screen.
    this.#renderer = new WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
    this.#renderer.setPixelRatio(this.#resolution);
    this.#camera.up.set(0, 0, 1);
    this.#camera.position.set(-4, -4, 5);
    this.#controls = new OrbitControls(this.#camera, canvas);
    this.#controls.addEventListener("change", () => this.invalidate());
    this.#controls.listenToKeyEvents(canvas);
    const cone = new ConeGeometry(0.14, 0.4, 20);
    cone.rotateZ(-Math.PI / 2); // its tip ahead
    const nose = new Mesh(cone, this.#robotMaterial);
    nose.position.z = 0.15;
    const ring = new Mesh(new RingGeometry(0.26, 0.3, 40), this.#robotMaterial);
    ring.position.z = 0.06;
    this.#robot.add(nose, ring);
    this.#robot.visible = false;
    this.#path.frustumCulled = false;
    const ruler = new BufferGeometry();
    ruler.setAttribute("position", new BufferAttribute(new Float32Array(6), 3));
    this.#ruler = new LineSegments(ruler, new LineBasicMaterial({ depthTest: false }));
    this.#ruler.renderOrder = 2;
    this.#ruler.frustumCulled = false;
    this.#ends = new Points(ruler, new PointsMaterial({ size: 9, sizeAttenuation: false, depthTest: false }));
    this.#ends.renderOrder = 2;
    this.#ends.frustumCulled = false;
    this.showRuler([]);
    this.#marked = new LineSegments(new BufferGeometry(), new LineBasicMaterial({ depthTest: false }));
    this.#corners = new Points(
      new BufferGeometry(),
      new PointsMaterial({ size: 5, sizeAttenuation: false, depthTest: false }),
    );
    for (const one of [this.#marked, this.#corners]) {
      one.renderOrder = 2;
      one.frustumCulled = false;
    }
    this.#brinks.frustumCulled = false;
    this.#sheet = new Mesh(
      new PlaneGeometry(1, 1),
      new ShaderMaterial({
        glslVersion: GLSL3,
        vertexShader: SHEET_VERTEX,
        fragmentShader: SHEET_FRAGMENT,
        uniforms: this.#uniforms,
        side: DoubleSide,
      }),
    );
    this.#sheet.visible = false;
    this.#scene.add(this.#sheet, this.#brinks, this.#robot, this.#path, this.#ruler, this.#ends);
    this.#scene.add(this.#marked, this.#corners, this.#tags);
  }

  paint(theme: Theme): void {
    this.#scene.background = new Color(theme.paper);
    this.#uniforms.floorColour.value.set(theme.mapFloor);
    this.#uniforms.bodyColour.value.set(theme.mapStanding);
    this.#uniforms.overColour.value.set(theme.mapOverhead);
    this.#uniforms.firmColour.value.set(theme.firm);
    this.#uniforms.goneColour.value.set(theme.brink);
    this.#uniforms.doubtfulColour.value.set(theme.doubtful);
    this.#uniforms.paper.value.set(theme.paper);
    this.#robotMaterial.color.set(theme.robot);
    this.#path.material.color.set(theme.robot);
    this.#brinks.material.color.set(theme.brink);
    this.#ruler.material.color.set(theme.mark);
    this.#ends.material.color.set(theme.mark);
    this.#marked.material.color.set(theme.mark);
    this.#corners.material.color.set(theme.mark);
    this.#colours = theme;
    this.showLabels(this.#labels);
    this.invalidate();
  }

  /** @param high heights above the world's zero between which things stand in the robot's way, metres */
  setBands(low: number, high: number): void {
    this.#uniforms.low.value = low;
    this.#uniforms.high.value = high;
    this.invalidate();
  }

  setVoxelSize(metres: number): void {
    this.#uniforms.voxel.value = metres;
  }

  setCut(height: number): void {
    this.#uniforms.cut.value = height;
    this.invalidate();
  }

  resize(width: number, height: number): void {
    const isSame = width === this.#size[0] && height === this.#size[1];
    if (width < 2 || height < 2 || isSame) return;
    this.#size = [width, height];
    this.#renderer.setSize(width, height, false);
    this.#camera.aspect = width / height;
    this.#camera.updateProjectionMatrix();
    for (const tag of this.#tags.children) this.#sizeTag(tag as Sprite);
    // At once: the canvas was cleared.
    this.#renderer.render(this.#scene, this.#camera);
    this.invalidate();
  }

  /** A small change is taken over at once, a large one piece by piece between pictures; the first map as a whole. */
  update(updates: readonly ChunkUpdate[]): void {
    for (const update of updates) this.#coming.set(update.chunk, update);
    if (!this.#isComing) this.#takeOver(this.#isFitted ? SLICE : Number.POSITIVE_INFINITY);
  }

  #takeOver(most: number): void {
    const begun = performance.now();
    for (const [name, update] of this.#coming) {
      this.#coming.delete(name);
      this.#updateChunk(update);
      if (performance.now() - begun >= most) break;
    }
    this.#isComing = this.#coming.size > 0;
    if (this.#isComing) {
      requestAnimationFrame(() => {
        const start = performance.now();
        this.#takeOver(SLICE);
        this.onSlice(performance.now() - start);
      });
      return;
    }
    if (!this.#isFitted && this.#chunks.size > 0) this.fit();
    this.invalidate();
  }

  #updateChunk({ chunk: name, quads, bounds }: ChunkUpdate): void {
    const count = quads.length / QUAD;
    let chunk = this.#chunks.get(name);
    if (chunk === undefined) {
      if (count === 0) return;
      chunk = this.#addChunk(name, quads.length);
    }
    if (quads.length > chunk.quads.length) this.#makeRoom(chunk, quads.length);
    chunk.quads.set(quads);
    (chunk.mesh.material.uniforms["quads"]!.value as DataTexture).needsUpdate = true;
    chunk.count = count;
    chunk.mesh.geometry.setDrawRange(0, TRIANGLES.length * count);
    chunk.mesh.visible = count > 0;
    this.#bound(chunk, bounds);
  }

  #addChunk(name: string, length: number): Chunk {
    const [col, row] = name.split(",").map(Number) as [number, number];
    const side = this.#uniforms.voxel.value * 8 * CHUNK_BLOCKS;
    const material = new ShaderMaterial({
      glslVersion: GLSL3,
      vertexShader: VERTEX,
      fragmentShader: FRAGMENT,
      uniforms: {
        ...{ ...this.#uniforms, quads: { value: null } },
        origin: { value: new Vector3(col * side, row * side, 0) },
      },
    });
    const mesh = new Mesh(new BufferGeometry(), material);
    mesh.matrixAutoUpdate = false;
    const chunk: Chunk = {
      mesh,
      quads: new Int16Array(0),
      count: 0,
      lowest: new Vector3(),
      highest: new Vector3(),
    };
    this.#makeRoom(chunk, length);
    this.#scene.add(mesh);
    this.#chunks.set(name, chunk);
    return chunk;
  }

  /** More room: half as much again, so that a growing map is not copied with every patch. */
  #makeRoom(chunk: Chunk, length: number): void {
    const rows = Math.ceil((1.5 * length) / QUAD / ROW);
    const room = rows * ROW;
    chunk.quads = new Int16Array(room * QUAD);
    const { quads } = chunk.mesh.material.uniforms;
    (quads!.value as DataTexture | null)?.dispose();
    const texture = new DataTexture(chunk.quads, (ROW * QUAD) / 2, rows, RGIntegerFormat, ShortType);
    texture.internalFormat = "RG16I";
    quads!.value = texture;
    const corners = 4 * room > 65535 ? new Uint32Array(6 * room) : new Uint16Array(6 * room);
    for (let quad = 0, n = 0; quad < room; quad++) {
      for (const corner of TRIANGLES) corners[n++] = 4 * quad + corner;
    }
    chunk.mesh.geometry.dispose();
    const geometry = new BufferGeometry();
    geometry.setIndex(new BufferAttribute(corners, 1));
    geometry.boundingSphere = new Sphere();
    chunk.mesh.geometry = geometry;
  }

  /** @param bounds lowest and highest corner of its rectangles, voxels from the chunk's origin */
  #bound(chunk: Chunk, bounds: ChunkUpdate["bounds"]): void {
    const voxel = this.#uniforms.voxel.value;
    const origin = chunk.mesh.material.uniforms["origin"]!.value as Vector3;
    chunk.lowest.fromArray(bounds, 0).multiplyScalar(voxel).add(origin);
    // A quad is at most a block long.
    chunk.highest.fromArray(bounds, 3).addScalar(8).multiplyScalar(voxel).add(origin);
    const sphere = chunk.mesh.geometry.boundingSphere!;
    sphere.center.copy(chunk.lowest).add(chunk.highest).multiplyScalar(0.5);
    sphere.radius = chunk.lowest.distanceTo(chunk.highest) / 2;
  }

  moveTo(pose: Pose): void {
    const [x, y, z] = pose.position;
    this.#robot.visible = true;
    this.#robot.position.set(x, y, z);
    const [qx, qy, qz, qw] = pose.rotation;
    this.#robot.quaternion.set(qx, qy, qz, qw);
    this.#pose = pose;
    if (this.#view === "riding") this.#ride();
    this.invalidate();
  }

  /** The way so far: a line where the pose was well known, broken up where it was not; keyframes are arrowheads on it. */
  showTrail(trail: Trail | null): void {
    const ends: number[] = [];
    if (trail !== null) {
      const { points, codes, classes } = trail;
      for (let n = 1; n < codes.length; n++) {
        const line = lineOf(classes[codes[n]!] ?? "");
        const [from, to] = [3 * (n - 1), 3 * n];
        if (line === "rungs") {
          addRung(ends, points.subarray(from, from + 6));
          continue;
        }
        const share = line === "whole" ? 1 : line === "dashed" ? 0.5 : 0.15;
        for (let k = 0; k < 3; k++) ends.push(points[from + k]! + (k === 2 ? LIFT : 0));
        for (let k = 0; k < 3; k++) {
          ends.push(points[from + k]! + share * (points[to + k]! - points[from + k]!) + (k === 2 ? LIFT : 0));
        }
      }
      this.#addKeyframes(ends, trail);
    }
    this.#path.geometry.dispose();
    this.#path.geometry = new BufferGeometry();
    this.#path.geometry.setAttribute("position", new BufferAttribute(new Float32Array(ends), 3));
    this.invalidate();
  }

  #addKeyframes(ends: number[], { keyframes, keyframeCodes, classes }: Trail): void {
    for (let n = 0; n < keyframeCodes.length; n++) {
      const [x, y, bearing] = keyframes.subarray(3 * n, 3 * n + 3) as unknown as [number, number, number];
      const open = lineOf(classes[keyframeCodes[n]!] ?? "") === "whole" ? 2.5 : 2;
      for (const side of [open, -open]) {
        ends.push(x, y, LIFT, x + 0.09 * Math.cos(bearing + side), y + 0.09 * Math.sin(bearing + side), LIFT);
      }
    }
  }

  /** The floor around the base as it is known now: what lay farther off before is not shown any more. */
  showGround(ground: Ground | null): void {
    this.#ground = ground;
    this.#drawGround();
  }

  /** Whether the footing is drawn. */
  setGround(isShown: boolean): void {
    this.#isGroundShown = isShown;
    this.#drawGround();
  }

  #drawGround(): void {
    const ground = this.#isGroundShown ? this.#ground : null;
    const { groundAt, ground: uniform } = this.#uniforms;
    this.#sheet.visible = ground !== null;
    if (ground === null) groundAt.value.set(0, 0, 0, 0);
    else {
      const { col, row, width, height, cell, floor, cells } = ground;
      const { image } = uniform.value;
      if (image.width !== width || image.height !== height) {
        uniform.value.dispose();
        uniform.value = new DataTexture(new Uint8Array(width * height), width, height, RedFormat);
        uniform.value.unpackAlignment = 1;
      }
      (uniform.value.image.data as Uint8Array).set(cells);
      uniform.value.needsUpdate = true;
      const [wide, high] = [width * cell, height * cell];
      groundAt.value.set(col * cell, row * cell, wide, high);
      this.#sheet.position.set(col * cell + wide / 2, row * cell + high / 2, floor + 0.01);
      this.#sheet.scale.set(wide, high, 1);
    }
    this.invalidate();
  }

  /** Edges of the floor: two lines, one above the other, and a comb of teeth as long as the drop, so that none is taken for a wall. */
  showBrinks(brinks: FromServer<"brinks">["brinks"]): void {
    const ends: number[] = [];
    for (const { points, drop } of brinks) {
      const tooth = Math.min(drop ?? DEEPEST_TOOTH, DEEPEST_TOOTH);
      points.forEach(([x, y], n) => {
        ends.push(x, y, 0.02, x, y, 0.02 - tooth);
        const next = points[n + 1];
        if (next === undefined) return;
        for (const z of [0.02, 0.05]) ends.push(x, y, z, next[0], next[1], z);
      });
    }
    this.#brinks.geometry.dispose();
    this.#brinks.geometry = new BufferGeometry();
    this.#brinks.geometry.setAttribute("position", new BufferAttribute(new Float32Array(ends), 3));
    this.invalidate();
  }

  /** The map is of another head: the next is brought into view as the first was. */
  fitAnew(): void {
    this.#isFitted = false;
  }

  get view(): View {
    return this.#view;
  }

  setView(view: View): void {
    this.#view = view;
    this.#controls.enableRotate = view === "around";
    this.#controls.enabled = view !== "riding";
    if (view === "riding") this.#ride();
    else this.fit();
    this.invalidate();
  }

  #ride(): void {
    if (this.#pose === null) return;
    const [x, y, z] = this.#pose.position;
    const ahead = new Vector3(1, 0, 0).applyQuaternion(this.#robot.quaternion);
    const heading = Math.atan2(ahead.y, ahead.x);
    const back = 1.3;
    this.#camera.position.set(x - back * Math.cos(heading), y - back * Math.sin(heading), z + 1.1);
    this.#camera.lookAt(x + 1.5 * Math.cos(heading), y + 1.5 * Math.sin(heading), z);
  }

  /** Brings the whole map into view. */
  fit(): void {
    const low = new Vector3(Number.POSITIVE_INFINITY, Number.POSITIVE_INFINITY, Number.POSITIVE_INFINITY);
    const high = low.clone().negate();
    for (const { count, lowest, highest } of this.#chunks.values()) {
      if (count === 0) continue;
      low.min(lowest);
      high.max(highest);
    }
    if (low.x > high.x) return;
    this.#isFitted = true;
    const centre = low.clone().add(high).multiplyScalar(0.5);
    const { aspect } = this.#camera;
    const tangent = Math.tan((FIELD_OF_VIEW * Math.PI) / 360);
    if (this.#view === "above") {
      const away = Math.max((high.y - low.y) / 2 / tangent, (high.x - low.x) / 2 / tangent / aspect);
      // A hair off the vertical, or up would have no direction.
      this.#camera.position.set(centre.x, centre.y - 0.001 * away, high.z + 1.06 * away);
    } else {
      const across = Math.hypot(high.x - low.x, high.y - low.y) / 2;
      const away = (1.02 * across) / tangent / Math.min(1, 0.75 * aspect);
      this.#camera.position.set(centre.x - 0.42 * away, centre.y - 0.55 * away, centre.z + 0.72 * away);
    }
    this.#controls.target.copy(centre);
    this.#controls.update();
    this.invalidate();
  }

  /** Below 1 comes nearer. */
  zoom(factor: number): void {
    const { target } = this.#controls;
    this.#camera.position.sub(target).multiplyScalar(factor).add(target);
    this.#controls.update();
    this.invalidate();
  }

  /** World point and direction of a place on the canvas, -1 to 1 from left to right and from bottom to top. */
  rayThrough(x: number, y: number): { from: readonly number[]; along: readonly number[] } {
    this.#camera.updateMatrixWorld();
    const along = new Vector3(x, y, 0.5).unproject(this.#camera).sub(this.#camera.position).normalize();
    return { from: this.#camera.position.toArray(), along: along.toArray() };
  }

  /** Where a ray comes to the floor's height within what is known of the footing; null elsewhere. */
  onFloor(from: readonly number[], along: readonly number[]): Sighting | null {
    const ground = this.#ground;
    if (ground === null || along[2]! >= 0) return null;
    const distance = (ground.floor - from[2]!) / along[2]!;
    const point = from.map((v, k) => v + distance * along[k]!) as [number, number, number];
    const i = Math.floor(point[0] / ground.cell) - ground.col;
    const j = Math.floor(point[1] / ground.cell) - ground.row;
    if (i < 0 || j < 0 || i >= ground.width || j >= ground.height) return null;
    return ground.cells[j * ground.width + i] === 0 ? null : { point, distance };
  }

  /** Draws up to two points and the line between them. */
  showRuler(points: readonly (readonly number[])[]): void {
    const attribute = this.#ruler.geometry.attributes["position"]!;
    for (const [n, point] of points.entries()) attribute.setXYZ(n, point[0]!, point[1]!, point[2]!);
    attribute.needsUpdate = true;
    this.#ruler.geometry.setDrawRange(0, points.length);
    this.#ruler.visible = points.length === 2;
    this.#ends.visible = points.length > 0;
    this.invalidate();
  }

  /**
   * Draws what was marked: a line with ticks across it, an outline with spokes to its middle, posts at the corners of both, and each
   * with its tag.
   */
  showLabels(labels: readonly Marked[]): void {
    this.#labels = labels;
    const ends: number[] = [];
    const corners: number[] = [];
    for (const child of this.#tags.children) {
      const { material } = child as Sprite;
      material.map?.dispose();
      material.dispose();
    }
    this.#tags.clear();
    for (const label of labels) {
      addMarked(ends, label);
      for (const [x, y] of label.corners) corners.push(x, y, LIFT);
      if (label.corners.length > 0) this.#tags.add(this.#tagOf(label));
    }
    for (const [object, numbers] of [
      [this.#marked, ends],
      [this.#corners, corners],
    ] as const) {
      object.geometry.dispose();
      object.geometry = new BufferGeometry();
      object.geometry.setAttribute("position", new BufferAttribute(new Float32Array(numbers), 3));
    }
    this.invalidate();
  }

  #tagOf({ tag, corners }: Marked): Sprite {
    const canvas = document.createElement("canvas");
    const scale = 3;
    [canvas.width, canvas.height] = [scale * TAG * (0.5 + 0.6 * tag.length), scale * TAG];
    const context = canvas.getContext("2d")!;
    context.fillStyle = this.#colours.paper;
    context.fillRect(0, 0, canvas.width, canvas.height);
    context.strokeStyle = this.#colours.mark;
    context.lineWidth = 2 * scale;
    context.strokeRect(scale, scale, canvas.width - 2 * scale, canvas.height - 2 * scale);
    context.fillStyle = this.#colours.mark;
    context.font = `600 ${0.7 * scale * TAG}px system-ui, sans-serif`;
    context.textAlign = "center";
    context.textBaseline = "middle";
    context.fillText(tag, canvas.width / 2, canvas.height / 2 + scale);
    const map = new CanvasTexture(canvas);
    map.colorSpace = SRGBColorSpace;
    const sprite = new Sprite(
      new SpriteMaterial({ map, depthTest: false, sizeAttenuation: false, toneMapped: false }),
    );
    const middle = corners[corners.length >> 1]!;
    sprite.position.set(middle[0], middle[1], POST);
    sprite.center.set(-0.15, -0.15); // beside the corner, not on it
    sprite.renderOrder = 3;
    this.#sizeTag(sprite);
    return sprite;
  }

  #sizeTag(sprite: Sprite): void {
    const { width, height } = sprite.material.map!.image as HTMLCanvasElement;
    const share = (2 * Math.tan((FIELD_OF_VIEW * Math.PI) / 360) * TAG) / Math.max(TAG, this.#size[1]);
    sprite.scale.set((share * width) / height, share, 1);
  }

  /** Where a ray comes to the world's own zero height; null when it never does. */
  onZero(from: readonly number[], along: readonly number[]): Sighting | null {
    if (along[2]! >= 0) return null;
    const distance = -from[2]! / along[2]!;
    return { point: from.map((v, k) => v + distance * along[k]!) as [number, number, number], distance };
  }

  get quadCount(): number {
    let quads = 0;
    for (const { count } of this.#chunks.values()) quads += count;
    return quads;
  }

  /** Bytes of what the scene is made of, and of the map's quads. */
  get #bytes(): number {
    const arrays = new Set<ArrayLike<number> & { readonly byteLength: number }>();
    this.#scene.traverse((object) => {
      const geometry = (object as Mesh).geometry as BufferGeometry | undefined;
      if (geometry === undefined) return;
      for (const attribute of [...Object.values(geometry.attributes), geometry.index]) {
        if (attribute === null) continue;
        arrays.add("data" in attribute ? attribute.data.array : attribute.array);
      }
    });
    for (const { quads } of this.#chunks.values()) arrays.add(quads);
    let bytes = 0;
    for (const { byteLength } of arrays) bytes += byteLength;
    return bytes;
  }

  /** For a benchmark: what the map is drawn with, and what the graphics memory holds for it. */
  get figures(): {
    readonly chunks: number;
    readonly quads: number;
    readonly calls: number;
    readonly geometries: number;
    readonly textures: number;
    readonly buffers: number;
  } {
    const { memory, render } = this.#renderer.info;
    return {
      ...{ chunks: this.#chunks.size, quads: this.quadCount, calls: render.calls },
      ...{ geometries: memory.geometries, textures: memory.textures, buffers: this.#bytes },
    };
  }

  /** Part of a change of the map is still to be taken over. */
  get isComing(): boolean {
    return this.#isComing;
  }

  /** Called once what is known now has been drawn, with what drawing took of the page's own thread, milliseconds. */
  afterNextPicture(then: (milliseconds: number) => void): void {
    this.#after.push(then);
    this.invalidate();
  }

  /** Draws again soon: at the screen's rate where that is cheap, and else often enough to leave the page time for the rest. */
  invalidate(): void {
    if (this.#isDue) return;
    this.#isDue = true;
    if (!this.#isDrawing) this.#schedule();
  }

  #schedule(): void {
    const pause =
      this.#isUrgent || this.#cost < CHEAP ? 0 : SHARE * this.#cost - (performance.now() - this.#drawnAt);
    if (pause <= 0) requestAnimationFrame(() => this.#draw());
    else
      this.#pausing = setTimeout(() => {
        this.#pausing = undefined;
        requestAnimationFrame(() => this.#draw());
      }, pause);
  }

  /** Draws without a pause before it: a map that is whole now is waited for. */
  hurry(): void {
    this.#isUrgent = true;
    if (this.#pausing === undefined) {
      this.invalidate();
      return;
    }
    clearTimeout(this.#pausing);
    this.#pausing = undefined;
    requestAnimationFrame(() => this.#draw());
  }

  /** @param isSharp with all pixels of the screen, whatever it takes: for a picture that stays */
  #draw(isSharp = false): void {
    this.#isDue = false;
    this.#isUrgent = false;
    this.#isDrawing = true;
    this.drawn++;
    const ratio = isSharp ? SHARPEST : this.#resolution;
    if (this.#renderer.getPixelRatio() !== ratio) this.#renderer.setPixelRatio(ratio);
    // A picture of half a change does not count.
    const after = this.#isComing ? [] : this.#after.splice(0);
    const start = performance.now();
    this.#renderer.render(this.#scene, this.#camera);
    const own = performance.now() - start;
    this.#drawnAt = start;
    this.#whenMade(() => {
      for (const one of after) one(own);
      if (!isSharp) this.#settle(performance.now() - start);
      this.#isDrawing = false;
      if (this.#isDue) this.#schedule();
      else if (ratio < SHARPEST) this.#sharpenSoon();
    });
  }

  /** Dear pictures become coarser. */
  #settle(cost: number): void {
    this.#cost = cost;
    if (cost <= DEAR || this.#resolution <= COARSEST) return;
    this.#resolution = Math.max(COARSEST, this.#resolution / 1.5);
    this.invalidate();
  }

  /** Once nothing has changed for a while, the coarse picture is drawn again as sharp as the screen is. */
  #sharpenSoon(): void {
    clearTimeout(this.#sharpening);
    this.#sharpening = setTimeout(() => {
      if (!this.#isDue && !this.#isDrawing) this.#draw(true);
    }, QUIET);
  }

  /** The picture is made after its drawing was asked for, by another process or the card; a fence tells when it is done. */
  #whenMade(then: () => void): void {
    const gl = this.#renderer.getContext() as WebGL2RenderingContext;
    const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    gl.flush();
    const look = (): void => {
      const isMade =
        fence === null || gl.isContextLost() || gl.getSyncParameter(fence, gl.SYNC_STATUS) === gl.SIGNALED;
      if (!isMade) {
        setTimeout(look, FENCE);
        return;
      }
      gl.deleteSync(fence);
      then();
    };
    setTimeout(look, FENCE);
  }
}

/** Lines of a label: see `Place.showLabels`. */
function addMarked(ends: number[], { corners, isOutline }: Marked): void {
  const all = isOutline && corners.length > 2 ? [...corners, corners[0]!] : corners;
  for (const [x, y] of corners) ends.push(x, y, LIFT, x, y, POST);
  for (let n = 1; n < all.length; n++) {
    const [[ax, ay], [bx, by]] = [all[n - 1]!, all[n]!];
    ends.push(ax, ay, LIFT, bx, by, LIFT);
    const length = Math.hypot(bx - ax, by - ay);
    if (isOutline || length === 0) continue;
    const [acrossX, acrossY] = [(-TICK * (by - ay)) / length, (TICK * (bx - ax)) / length];
    for (let along = TICKS / 2; along < length; along += TICKS) {
      const [x, y] = [ax + (along / length) * (bx - ax), ay + (along / length) * (by - ay)];
      ends.push(x - acrossX, y - acrossY, LIFT, x + acrossX, y + acrossY, LIFT);
    }
  }
  if (!isOutline || corners.length < 3) return;
  const mean = (k: 0 | 1) => corners.reduce((sum, corner) => sum + corner[k], 0) / corners.length;
  const [x, y] = [mean(0), mean(1)];
  for (const [cx, cy] of corners) ends.push(x, y, LIFT, cx, cy, LIFT);
}

/** A stroke across the way in the middle of a stretch, of which `stretch` has both ends. */
function addRung(ends: number[], stretch: Float32Array): void {
  const [x, y, z, toX, toY] = stretch as unknown as [number, number, number, number, number];
  const length = Math.hypot(toX - x, toY - y);
  if (length === 0) return;
  const [acrossX, acrossY] = [(-RUNG * (toY - y)) / length, (RUNG * (toX - x)) / length];
  const [midX, midY] = [(x + toX) / 2, (y + toY) / 2];
  ends.push(midX - acrossX, midY - acrossY, z + LIFT, midX + acrossX, midY + acrossY, z + LIFT);
}
