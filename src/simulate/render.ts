import { atan2Of, cosOf, expOf, sinOf, square } from "../geometry/elementary.ts";
import type { Optics, Pose, Vec3 } from "../geometry/optics.ts";
import { lensRays } from "./lens.ts";
import type { Random } from "./random.ts";
import type { Scene } from "./scene.ts";
import type { Material } from "./solids.ts";

const LIGHT_SPEED = 299_792_458; // m/s

/** A floor area under sunlight: it adds to the mean level of every sample there, in proportion to reflectance. */
export interface SunPatch {
  /** min x, min y, max x, max y; metres. */
  readonly rect: readonly [number, number, number, number];
  /** Counts that a white (reflectance 1) surface adds. */
  readonly counts: number;
}

/**
 * A continuous-wave time-of-flight sensor. Signal is counted per sample as the four-phase method does:
 * C_k ~ Poisson(B + A cos(phi + k pi / 2)), A the modulation amplitude, B the mean level.
 */
export interface SensorNoise {
  /** Amplitude in counts below which a return is not reported. */
  readonly gate: number;
  /** A surface of this reflectance, met head on at this range (metres), returns exactly `gate`. */
  readonly seen: { readonly reflectance: number; readonly range: number };
  /** Modulation frequency, Hz; the effective one when the sensor combines several. */
  readonly frequency: number;
  /** Whether ranges beyond c / 2f come back short by whole multiples of it. */
  readonly wrap: boolean;
  /** Mean level in darkness, counts. */
  readonly dark: number;
  /** Amplitude over mean level of the sensor's own light. */
  readonly contrast: number;
  readonly sun: readonly SunPatch[];
  /** Amplitude above which the pixel is blinded and reports no range, counts. */
  readonly saturation: number;
  /** Counts for each unit of reported amplitude. */
  readonly amplitudeUnit: number;
  /** Photon noise; off leaves the signal budget, the gate and the mixing of edges. */
  readonly shot: boolean;
  /** An edge pixel is the sum of this many squared sub-rays; 1 takes the centre alone. */
  readonly subRays: number;
  readonly random: Random;
}

/** Relative to the range: a nearer neighbour than this is the same surface, and its pixel no edge. */
const EDGE_STEP = 0.01;
/** Angle from the normal within which glints are visible (radians); our choice, for a satin finish. */
const GLINT_WIDTH = 0.035;
/** Surfaces followed along one ray: panes passed and one mirror. */
const MOST_SURFACES = 4;

interface Scratch {
  readonly ranges: Float64Array;
  readonly solids: Int32Array;
  /** Cosine of the incidence angle on the solid met. */
  readonly cosines: Float64Array;
  readonly edge: Uint8Array;
  /** World directions of the centre rays. */
  readonly rays: Float64Array;
}

const scratches = new WeakMap<Optics, Scratch>();

function scratchOf(optics: Optics): Scratch {
  let scratch = scratches.get(optics);
  if (!scratch) {
    const pixels = optics.width * optics.height;
    scratch = {
      ranges: new Float64Array(pixels),
      solids: new Int32Array(pixels),
      cosines: new Float64Array(pixels),
      edge: new Uint8Array(pixels),
      rays: new Float64Array(3 * pixels),
    };
    scratches.set(optics, scratch);
  }
  return scratch;
}

/** Row-major 3x3 of a unit quaternion. */
function matrixOf(pose: Pose): Float64Array {
  const [x, y, z, w] = pose.rotation;
  return Float64Array.of(
    1 - 2 * (y * y + z * z),
    2 * (x * y - z * w),
    2 * (x * z + y * w),
    2 * (x * y + z * w),
    1 - 2 * (x * x + z * z),
    2 * (y * z - x * w),
    2 * (x * z - y * w),
    2 * (y * z + x * w),
    1 - 2 * (x * x + y * y),
  );
}

/** Casts every pixel's centre ray; fills all of the scratch but `edge`. */
function castCentres(scene: Scene, optics: Optics, worldFromLens: Pose, time: number): Scratch {
  const scratch = scratchOf(optics);
  const { rays, ranges, solids, cosines } = scratch;
  const lens = lensRays(optics, 1).centre;
  const m = matrixOf(worldFromLens);
  const [ox, oy, oz] = worldFromLens.position;
  let guess = -1;
  for (let i = 0, k = 0; i < ranges.length; i++, k += 3) {
    const x = lens[k]!;
    const y = lens[k + 1]!;
    const z = lens[k + 2]!;
    const dx = m[0]! * x + m[1]! * y + m[2]! * z;
    const dy = m[3]! * x + m[4]! * y + m[5]! * z;
    const dz = m[6]! * x + m[7]! * y + m[8]! * z;
    rays[k] = dx;
    rays[k + 1] = dy;
    rays[k + 2] = dz;
    ranges[i] = scene.cast(ox, oy, oz, dx, dy, dz, time, -1, guess);
    guess = scene.hitSolid;
    solids[i] = guess;
    if (guess >= 0) cosines[i] = -(dx * scene.hitNormalX + dy * scene.hitNormalY + dz * scene.hitNormalZ);
  }
  return scratch;
}

/**
 * Exact distances along every pixel's centre ray to the first surface, panes and mirrors included; the time is in seconds.
 * @param out (height * width) receives metres, Infinity where there is nothing
 * @throws {RangeError} if `out` has the wrong length
 */
export function renderRanges(
  scene: Scene,
  optics: Optics,
  { worldFromLens, time }: { readonly worldFromLens: Pose; readonly time: number },
  out: Float64Array,
): void {
  if (out.length !== optics.width * optics.height) {
    throw new RangeError(`${optics.width}x${optics.height} optics: out has ${out.length}`);
  }
  out.set(castCentres(scene, optics, worldFromLens, time).ranges);
}

/** The light of one pixel: returns of several strengths from several ranges, and their sum. */
class Light {
  #count = 0;
  readonly #signal: Float64Array;
  readonly #range: Float64Array;
  /** Counts that sunlight adds. */
  sun = 0;
  /** The strongest return's range; the sum's phase is taken against it. */
  about = 0;
  /** Sum of the strengths of all returns, and of their phasors. */
  level = 0;
  inPhase = 0;
  quadrature = 0;

  constructor(rays: number) {
    this.#signal = new Float64Array(rays * MOST_SURFACES);
    this.#range = new Float64Array(rays * MOST_SURFACES);
  }

  get isDark(): boolean {
    return this.#count === 0;
  }

  clear(): void {
    this.#count = 0;
    this.sun = 0;
  }

  add(signal: number, range: number): void {
    this.#signal[this.#count] = signal;
    this.#range[this.#count++] = range;
  }

  /**
   * Follows a ray through panes and off one mirror and adds what each surface returns: `scale` times reflectance *
   * cos / range^2 (Lambert's law and the inverse square), panes and mirrors taking their share on both ways.
   */
  follow(
    scene: Scene,
    [ox, oy, oz]: Vec3,
    rayX: number,
    rayY: number,
    rayZ: number,
    time: number,
    guess: number,
    scale: number,
    patches: readonly SunPatch[],
  ): void {
    let dx = rayX;
    let dy = rayY;
    let dz = rayZ;
    let x = ox;
    let y = oy;
    let z = oz;
    let gone = 0;
    let share = scale;
    let ignore = -1;
    let mirrored = false;
    for (let surface = 0; surface < MOST_SURFACES; surface++) {
      const t = scene.cast(x, y, z, dx, dy, dz, time, ignore, surface === 0 ? guess : -1);
      if (t === Number.POSITIVE_INFINITY) return;
      gone += t;
      x += t * dx;
      y += t * dy;
      z += t * dz;
      const nx = scene.hitNormalX;
      const ny = scene.hitNormalY;
      const nz = scene.hitNormalZ;
      const cos = -(nx * dx + ny * dy + nz * dz);
      const { reflectance, mirror, transparent, glint } = scene.materialOf(scene.hitSolid);
      let returned = reflectance * cos;
      if (glint > 0) returned += glint * expOf((cos * cos - 1) / (2 * GLINT_WIDTH * GLINT_WIDTH));
      this.add((share * returned) / (gone * gone), gone);
      for (const { rect, counts } of surface === 0 ? patches : []) {
        if (x > rect[0] && x < rect[2] && y > rect[1] && y < rect[3]) {
          this.sun += (counts * reflectance * share) / scale;
        }
      }
      if (transparent > 0) {
        share *= transparent * transparent;
      } else if (mirror > 0 && !mirrored) {
        share *= mirror * mirror;
        dx += 2 * cos * nx;
        dy += 2 * cos * ny;
        dz += 2 * cos * nz;
        mirrored = true;
      } else return;
      ignore = scene.hitSolid; // convex: what leaves it does not come back to it
    }
  }

  /**
   * Sums the phasors. Phases are taken against the strongest return: photon noise is the same in every direction of
   * the plane, and that return's whole number of periods is the one a sensor of several frequencies would settle on.
   * @param share each return counts this much: 1 / the number of rays
   */
  sum(wavenumber: number, share: number): void {
    let strongest = 0;
    let level = 0;
    for (let k = 0; k < this.#count; k++) {
      level += this.#signal[k]!;
      if (this.#signal[k]! > this.#signal[strongest]!) strongest = k;
    }
    this.level = share * level;
    this.inPhase = this.level;
    this.quadrature = 0;
    this.about = this.#count > 0 ? this.#range[strongest]! : 0;
    if (this.#count < 2) return;
    let inPhase = 0;
    let quadrature = 0;
    for (let k = 0; k < this.#count; k++) {
      const phase = wavenumber * (this.#range[k]! - this.about);
      inPhase += this.#signal[k]! * cosOf(phase);
      quadrature += this.#signal[k]! * sinOf(phase);
    }
    this.inPhase = share * inPhase;
    this.quadrature = share * quadrature;
  }
}

/** Whether the light is the diffuse return alone, which the first cast has already computed. */
const isPlain = ({ mirror, transparent, glint }: Material): boolean =>
  mirror === 0 && transparent === 0 && glint === 0;

/** Pixels whose neighbour hits another solid at another range, and those neighbours. */
function markEdges({ ranges, solids, edge }: Scratch, width: number): void {
  edge.fill(0);
  for (let i = 0; i < ranges.length; i++) {
    const right = (i + 1) % width === 0 ? -1 : i + 1;
    for (let side = 0; side < 2; side++) {
      const k = side === 0 ? right : i + width;
      if (k < 0 || k >= ranges.length || solids[i] === solids[k]) continue;
      const near = Math.min(ranges[i]!, ranges[k]!);
      if (Math.abs(ranges[i]! - ranges[k]!) > EDGE_STEP * near) {
        edge[i] = 1;
        edge[k] = 1;
      }
    }
  }
}

/**
 * Renders one depth frame. One long function: a loop over the pixels, whose sums over sub-rays stay in local variables.
 *
 * @param view.time     seconds
 * @param view.noise    null for exact depth of the first surface and an amplitude of 1000 * reflectance * cos / range^2
 * @param out.counts    (height * width) receives depth in the optics' own unit and kind, 0 for no return
 * @param out.amplitude (height * width) receives the returned signal; kept below the gate too, as sensors do
 * @throws {RangeError} if a length is wrong
 * Sources: four-phase ranging and its shot noise sigma_d = c / (4 pi f) * sqrt(B / 2) / A (Lange & Seitz 2001);
 * an edge pixel is the complex sum of its returns.
 */
export function renderDepth(
  scene: Scene,
  optics: Optics,
  view: { readonly worldFromLens: Pose; readonly time: number; readonly noise: SensorNoise | null },
  out: { readonly counts: Uint16Array; readonly amplitude: Uint16Array },
): void {
  const { worldFromLens, time, noise } = view;
  const { counts: outCounts, amplitude: outAmplitude } = out;
  const { width, height, unit, minRange, maxRange } = optics;
  if (outCounts.length !== width * height || outAmplitude.length !== outCounts.length) {
    throw new RangeError(
      `${width}x${height} optics: ${outCounts.length} counts, ${outAmplitude.length} amplitudes`,
    );
  }
  const scratch = castCentres(scene, optics, worldFromLens, time);
  const { ranges, solids, cosines, edge, rays } = scratch;
  const centre = lensRays(optics, 1).centre;
  const alongAxis = optics.measures === "z";
  const put = (i: number, range: number): void => {
    const depth = alongAxis ? range * centre[3 * i + 2]! : range;
    const count = Math.round(depth / unit);
    outCounts[i] = depth >= minRange && depth <= maxRange && count <= 65535 ? count : 0;
  };
  if (!noise) {
    for (let i = 0; i < ranges.length; i++) {
      put(i, ranges[i]!);
      outAmplitude[i] = 0;
      if (solids[i]! < 0) continue;
      const signal = (scene.materialOf(solids[i]!).reflectance * cosines[i]!) / square(ranges[i]!);
      outAmplitude[i] = Math.min(65535, Math.round(1000 * signal));
    }
    return;
  }
  const { random, subRays, gate, seen, frequency, dark, contrast, sun } = noise;
  const each = subRays * subRays;
  if (subRays > 1) markEdges(scratch, width);
  else edge.fill(0);
  const spread = lensRays(optics, subRays).spread;
  const m = matrixOf(worldFromLens);
  const ambiguity = LIGHT_SPEED / (2 * frequency);
  const wavenumber = (2 * Math.PI) / ambiguity;
  const periods = noise.wrap ? 1 : Math.max(1, Math.ceil(maxRange / ambiguity));
  const scale = (gate * seen.range * seen.range) / seen.reflectance;
  const light = new Light(each);
  const lens = worldFromLens.position;
  for (let i = 0; i < ranges.length; i++) {
    const solid = solids[i]!;
    light.clear();
    if (edge[i] === 1) {
      for (let k = 3 * i * each; k < 3 * (i + 1) * each; k += 3) {
        const x = spread[k]!;
        const y = spread[k + 1]!;
        const z = spread[k + 2]!;
        const dx = m[0]! * x + m[1]! * y + m[2]! * z;
        const dy = m[3]! * x + m[4]! * y + m[5]! * z;
        const dz = m[6]! * x + m[7]! * y + m[8]! * z;
        light.follow(scene, lens, dx, dy, dz, time, solid, scale, sun);
      }
    } else if (solid >= 0) {
      const material = scene.materialOf(solid);
      if (sun.length === 0 && isPlain(material)) {
        light.add((scale * material.reflectance * cosines[i]!) / (ranges[i]! * ranges[i]!), ranges[i]!);
      } else {
        const k = 3 * i;
        light.follow(scene, lens, rays[k]!, rays[k + 1]!, rays[k + 2]!, time, solid, scale, sun);
      }
    }
    const share = edge[i] === 1 ? 1 / each : 1;
    light.sum(wavenumber, share);
    let { inPhase, quadrature } = light;
    if (noise.shot) {
      // Each difference of two samples, C0 - C2 and C3 - C1, has mean 2 A cos, 2 A sin and variance 2 B (the cosines
      // cancel); halves of them are the phasor. Normal stands in for Poisson: B is in the hundreds.
      const sigma = Math.sqrt((dark + light.level / contrast + share * light.sun) / 2);
      inPhase += sigma * random.gauss();
      quadrature += sigma * random.gauss();
    }
    const amplitude = Math.sqrt(inPhase * inPhase + quadrature * quadrature);
    outAmplitude[i] = Math.min(65535, Math.round(amplitude / noise.amplitudeUnit));
    outCounts[i] = 0;
    if (amplitude < gate || amplitude > noise.saturation) continue;
    let measured = light.about + atan2Of(quadrature, inPhase) / wavenumber;
    if (light.isDark) measured += (Math.floor(random.uniform() * periods) + 0.5) * ambiguity;
    if (noise.wrap) measured -= ambiguity * Math.floor(measured / ambiguity);
    put(i, measured);
  }
}
