import type { RayTable } from "../geometry/rays.ts";
import { checkRangeNoise, type RangeNoise, rangeSigma } from "../sense/noise.ts";
import type { Sight } from "../terms/safety.ts";
import { type GlanceFrame, openGlanceFrame } from "./glance-frame.ts";
import { type LevelView, STRIP } from "./level-view.ts";
import { MirrorCheck, type Whereabouts } from "./mirror-check.ts";
import { SightJudge } from "./sight.ts";
import { type StripLimits, StripWalk } from "./strip-walk.ts";
import { TiltTrim } from "./tilt-trim.ts";

export interface GlancerSettings extends StripLimits {
  /** Most that the tilt trim may turn, radians. */
  readonly maxTrim: number;
  /** Amplitude below which the sensor reports nothing; 0: the least amplitude that came with a return. */
  readonly gate: number;
  readonly noise: RangeNoise;
}

/** One masked frame; row-major, as the rays are. */
export interface GlanceImage {
  /** z-depth as the mask gives it, 0 for none, and the mask's reasons. */
  readonly depth: Uint16Array;
  readonly reason: Uint8Array;
  /** Null when the sensor gives none. */
  readonly amplitude: Uint16Array | null;
}

const ORIGIN: Whereabouts = { x: 0, y: 0, yaw: 0 };
/** A frame with fewer returns from below is not checked for images in the floor. */
const FEWEST_BELOW = 4;
/** Fewest rows of an image that can be judged. */
const FEWEST_ROWS = 4;
/** Upper bound of a depth's sigma, metres: without it one wrong noise model would hide all drops. Chosen by hand. */
const MOST_SIGMA = 0.5;
/** Sizes of the noise tables, by amplitude and by depth; larger depths do not occur indoors. */
const AMPLITUDES = 65536;
const DEPTHS = 32768;

/**
 * Judges each depth frame on its own: where does free, firm ground end? It needs gravity and the lens's height, and no position.
 * docs/how-the-floor-is-judged.md has the physics.
 *
 * The image is cut into strips of a few columns; each is walked outwards along the floor (`StripWalk`).
 */
export class Glancer {
  readonly #view: LevelView;
  readonly #frame: GlanceFrame;
  readonly #trim: TiltTrim;
  readonly #walk: StripWalk;
  readonly #sight: SightJudge;
  readonly #mirrors: MirrorCheck;
  /** Noise by amplitude, for sensors whose noise depends on it; else null. */
  readonly #sigmaByAmplitude: Float32Array | null;
  readonly #sigmaByDepth: Float32Array;
  /** The sensor's gate; 0: it is learnt. */
  readonly #gate: number;
  #leastAmplitude = Number.POSITIVE_INFINITY;

  /**
   * @param rays of the depth that `look` gets: a point in the lens frame is ray * depth / unitsPerMetre
   * @throws {RangeError} if a setting is invalid
   */
  constructor(rays: RayTable, unitsPerMetre: number, settings: GlancerSettings) {
    for (const field of ["drop", "step", "gap", "bodyHeight", "slope", "maxTrim", "maxReach"] as const) {
      const value = settings[field];
      if (!(value > 0 && Number.isFinite(value))) {
        throw new RangeError(`guard.${field} is ${value}; it must be above 0`);
      }
    }
    if (rays.width < STRIP || rays.height < FEWEST_ROWS) {
      throw new RangeError(
        `the guard needs images of at least ${STRIP}x${FEWEST_ROWS} pixels, got ${rays.width}x${rays.height}`,
      );
    }
    const { noise } = settings;
    checkRangeNoise(noise);
    this.#sight = new SightJudge(rays.width, unitsPerMetre);
    this.#gate = settings.gate;
    this.#trim = new TiltTrim(rays, unitsPerMetre, settings.maxTrim);
    this.#walk = new StripWalk(settings);
    this.#mirrors = new MirrorCheck(settings);
    const strips = Math.floor(rays.width / STRIP);
    this.#frame = openGlanceFrame(strips, strips * rays.height);
    this.#view = {
      rays,
      metresPerUnit: 1 / unitsPerMetre,
      rotation: this.#trim.rotation,
      position: this.#trim.position,
      depth: new Uint16Array(0),
      reason: new Uint8Array(0),
      amplitude: null,
      sigma: { table: new Float32Array(0), key: new Uint16Array(0) },
      signal: { gate: 0, least: Number.POSITIVE_INFINITY },
      surface: new Float32Array(strips * rays.height),
      phase: 0,
    };
    const sigma = (range: number, amplitude: number | null) =>
      Math.min(MOST_SIGMA, rangeSigma(noise, range, amplitude));
    this.#sigmaByAmplitude =
      noise.kind === "structured-light"
        ? null
        : Float32Array.from({ length: AMPLITUDES }, (_, a) => sigma(1, a));
    this.#sigmaByDepth = Float32Array.from({ length: DEPTHS }, (_, d) => sigma(d / unitsPerMetre, null));
  }

  /**
   * Judges a frame.
   * @param image    its depth is changed: images in a mirror-like floor are removed
   * @param rotation (9) row-major levelFromLens: the base's own axes, turned upright against gravity
   * @param position (3) of the lens in that frame, metres; the origin is the base's floor point
   * @param at       of the base in the local frame, in which votes on mirror-like floor are kept
   * @returns the frame, overwritten by the next look
   * @throws {RangeError} if an image has the wrong length
   */
  look(
    { depth, reason, amplitude }: GlanceImage,
    rotation: Float64Array,
    position: Float64Array,
    at: Whereabouts = ORIGIN,
  ): GlanceFrame {
    const view = this.#view;
    const { width, height } = view.rays;
    if (depth.length !== width * height || reason.length !== depth.length) {
      throw new RangeError(`${width}x${height} rays: got ${depth.length} depths, ${reason.length} reasons`);
    }
    if (amplitude !== null && amplitude.length !== depth.length) {
      throw new RangeError(`${width}x${height} rays: got ${amplitude.length} amplitudes`);
    }
    const frame = this.#frame;
    this.#level(depth, rotation, position);
    const byAmplitude = amplitude === null ? null : this.#sigmaByAmplitude;
    view.depth = depth;
    view.reason = reason;
    view.amplitude = amplitude;
    view.sigma =
      amplitude === null || byAmplitude === null
        ? { table: this.#sigmaByDepth, key: depth }
        : { table: byAmplitude, key: amplitude };
    view.signal = { gate: this.#knownGate(), least: this.#leastAmplitude };
    view.phase ^= 1;
    this.#walkAll();
    // Most frames show nothing below the floor.
    const mayMirror = amplitude !== null && this.#walk.below >= FEWEST_BELOW;
    if (mayMirror && this.#mirrors.check(view, amplitude, at) > 0) this.#walkAll();
    this.#leastAmplitude = view.signal.least;
    this.#judgeSight(depth, reason);
    return frame;
  }

  /** The sight alone, as `look` would find it, without its other work; call it instead of `look`. */
  judge(depth: Uint16Array, reason: Uint8Array, rotation: Float64Array, position: Float64Array): Sight {
    this.#level(depth, rotation, position);
    this.#judgeSight(depth, reason);
    return this.#frame.sight;
  }

  #walkAll(): void {
    const frame = this.#frame;
    frame.evidence = 0;
    this.#walk.below = 0;
    this.#view.surface.fill(Number.NaN);
    for (let strip = 0; strip < frame.strips; strip++) this.#walk.walk(this.#view, strip, frame);
  }

  /** The setting, or what was learnt; 0 before the first floor return. */
  #knownGate(): number {
    if (this.#gate > 0) return this.#gate;
    return Number.isFinite(this.#leastAmplitude) ? this.#leastAmplitude : 0;
  }

  /** Trims the lens's attitude; `#view` looks through the trimmed one. */
  #level(depth: Uint16Array, rotation: Float64Array, position: Float64Array): void {
    const trim = this.#trim;
    trim.fit(depth, rotation, position);
    this.#frame.trimPitch = trim.pitch;
    this.#frame.trimRoll = trim.roll;
    this.#frame.trimSamples = trim.samples;
  }

  #judgeSight(depth: Uint16Array, reason: Uint8Array): void {
    const { sight, returns } = this.#sight.judge(depth, reason, this.#view.position[2]!);
    this.#frame.sight = sight;
    this.#frame.returns = returns;
  }
}
