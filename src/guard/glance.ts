import type { RayTable } from "../geometry/rays.ts";
import { REASON } from "../sense/mask.ts";
import { checkRangeNoise, type RangeNoise, rangeSigma } from "../sense/noise.ts";
import { END, type Sight } from "../terms/safety.ts";
import { missByRatio } from "./budget.ts";

/** What a row of a strip says about the place where it crosses the expected floor. */
export const EVIDENCE = {
  touched: 1,
  passed: 2,
  missing: 3,
  /** Returns too noisy to tell floor from a shallow drop, and nearer to the drop. */
  leaning: 4,
} as const;

export interface GlancerSettings {
  /** Metres: deeper steps down are drops; taller things are in the way; narrower unseen floor may be crossed. */
  readonly drop: number;
  readonly step: number;
  readonly gap: number;
  /** Metres from the floor to the body's top: what hangs higher is passed under. */
  readonly bodyHeight: number;
  /** Steepest floor, rise over run. */
  readonly slope: number;
  /** Most that the tilt trim may turn, radians. */
  readonly maxTrim: number;
  /** Metres: nothing farther is looked at. */
  readonly maxReach: number;
  /** Amplitude below which the sensor reports nothing; 0: the least amplitude that came with a return. */
  readonly gate: number;
  readonly noise: RangeNoise;
}

/** Image columns in one strip, and how many of them are looked at in a frame; the next frame takes the others. */
const STRIP = 8;
const LANES = 4;
/** Log-likelihoods at which a strip has decided on a drop. Source: Wald 1947, one false alarm in 3000. */
const DECIDED = 8;
/** While a drop is suspected this much, returns do not count as floor. */
const SUSPECTED = 1.5;
/** Most that one return may say, and most that is remembered: a few returns from floor end a run. */
const MOST_PER_RETURN = 3;
const MOST_HELD = 12;
/**
 * Metres below `drop` from which a return speaks for a drop rather than for floor, however noisy it is; and how many more of
 * the one than of the other are remembered along a strip. One return of a dark floor tells nothing; the balance of many does.
 */
const LEANING = 0.01;
const MOST_OWED = 4;
const MOST_OWNED = 2;
/** Fewest returns from below that make a drop: fewer are stray pixels. */
const FEWEST_BELOW = 4;
/** Height errors that do not depend on the pixel: left by the trim (radians), and of floor texture and calibration (m). */
const TILT_SIGMA = 0.003;
const HEIGHT_SIGMA = 0.003;
/**
 * Mean evidence (nats) of the missing returns just beyond the floor from which that floor is doubtful: a floor as bright as
 * the one before would be that much likelier seen than not. The mean and not the sum, because what would explain one miss
 * away, a floor darker than thought, explains its neighbours', too.
 */
const DOUBT = 1.5;
/** Metres by which a row must lie higher than expected to be a thing that the floor's surface has stepped onto. */
const STEP_UP = 0.012;
/** Metres by which the nearest floor in view may lie off the level on which the base stands: less than any drop. */
const MOST_OFFSET = 0.032;
/** Returns of a strip that tell its first floor for certain. */
const ENOUGH = 12;
/** Metres after which such a thing is the floor. */
const RAISED_FOR = 1;
/** Metres over the floor from where a thing hangs and does not stand. */
const HANGING = 0.1;
/** Metres along the floor between rows of which every other will do. */
const CLOSE_ROWS = 0.006;
/** Rays less steep than this meet no floor that could be told from the horizon. */
const LEAST_DOWN = 0.02;

// The hot loop's own copies: a property of a constant object costs a look-up there.
const UNSEEN: number = END.unseen;
const DOUBTFUL: number = END.doubtful;
const BRINK: number = END.brink;
const OBSTACLE: number = END.obstacle;
const OVERHANG: number = END.overhang;
const TOUCHED: number = EVIDENCE.touched;
const PASSED: number = EVIDENCE.passed;
const MISSING: number = EVIDENCE.missing;
const LEANS: number = EVIDENCE.leaning;
const FLYING: number = REASON.flying;
const SATURATED: number = REASON.saturated;

/** One frame, judged strip by strip. Belongs to the glance and is overwritten by its next `look`. Lengths are metres. */
export interface GlanceFrame {
  /** Strips, left to right in the image. */
  readonly strips: number;
  /** Where free, firm ground ends, in the level base frame (floor point, x forward, y left). */
  readonly endX: Float32Array;
  readonly endY: Float32Array;
  /** Nearest floor that the strip can see; equal to the end when none was seen. */
  readonly nearX: Float32Array;
  readonly nearY: Float32Array;
  /** An `END`, and for a brink the depth of the drop (Infinity when no bottom was seen). */
  readonly kind: Uint8Array;
  readonly drop: Float32Array;
  /** Distance along the ray of the end. */
  readonly range: Float32Array;
  /** Rows of evidence in use: where, which `EVIDENCE`, height above the base's floor point, range, strength. */
  evidence: number;
  readonly x: Float32Array;
  readonly y: Float32Array;
  readonly what: Uint8Array;
  readonly height: Float32Array;
  readonly far: Float32Array;
  readonly weight: Float32Array;
  /** By how much the pitch (nose down) and roll were believed too large, radians, and over how many samples. */
  trimPitch: number;
  trimRoll: number;
  trimSamples: number;
  sight: Sight;
  /** Share of pixels that gave a usable return. */
  returns: number;
}

/**
 * Judges each depth frame on its own: where does free, firm ground end? It needs gravity and the lens's height, no
 * position. See docs/how-the-floor-is-judged.md for the physics.
 *
 * The image is cut into strips of a few columns. A column of an ideal camera meets a level floor in a straight line, so a
 * strip is walked along the floor from its nearest row outwards, the expected surface following what was seen at no more
 * than the steepest slope of a floor. A return at the surface is floor (touched); one from below has passed through it; a
 * missing one is weighed by the signal that was due.
 *
 * Removing returns can only shorten what is firm: nothing but a return makes floor.
 */
export class Glancer {
  readonly #rays: RayTable;
  readonly #unitsPerMetre: number;
  readonly #settings: GlancerSettings;
  readonly #strips: number;
  readonly #frame: GlanceFrame;
  /** Standard deviation of a depth, metres, by amplitude and by depth. */
  readonly #sigmaByAmplitude: Float32Array | null;
  readonly #sigmaByDepth: Float32Array;
  readonly #fit: TiltFit;
  readonly #turned = new Float64Array(9);
  readonly #moved = new Float64Array(3);
  readonly #before = new Float64Array(LANES);
  #phase = 0;
  #gate: number;
  /** Learnt while the sensor's own gate is not told. */
  #leastAmplitude = Number.POSITIVE_INFINITY;

  /**
   * @param rays          of the depth that `look` gets: point in the lens frame = ray * depth / unitsPerMetre
   * @throws {RangeError} if a setting makes no sense
   */
  constructor(rays: RayTable, unitsPerMetre: number, settings: GlancerSettings) {
    for (const field of ["drop", "step", "gap", "bodyHeight", "slope", "maxTrim", "maxReach"] as const) {
      const value = settings[field];
      if (!(value > 0 && Number.isFinite(value))) {
        throw new RangeError(`guard.${field} is ${value}; it must be above 0`);
      }
    }
    if (rays.width < STRIP || rays.height < 4) {
      throw new RangeError(
        `the guard needs images of at least ${STRIP}x4 pixels, got ${rays.width}x${rays.height}`,
      );
    }
    checkRangeNoise(settings.noise);
    this.#rays = rays;
    this.#unitsPerMetre = unitsPerMetre;
    this.#settings = settings;
    this.#gate = settings.gate;
    this.#strips = Math.floor(rays.width / STRIP);
    const n = this.#strips;
    const rows = n * rays.height;
    this.#frame = {
      strips: n,
      endX: new Float32Array(n),
      endY: new Float32Array(n),
      nearX: new Float32Array(n),
      nearY: new Float32Array(n),
      kind: new Uint8Array(n),
      drop: new Float32Array(n),
      range: new Float32Array(n),
      evidence: 0,
      x: new Float32Array(rows),
      y: new Float32Array(rows),
      what: new Uint8Array(rows),
      height: new Float32Array(rows),
      far: new Float32Array(rows),
      weight: new Float32Array(rows),
      trimPitch: 0,
      trimRoll: 0,
      trimSamples: 0,
      sight: "blind",
      returns: 0,
    };
    const { noise } = settings;
    this.#sigmaByAmplitude =
      noise.kind === "structured-light"
        ? null
        : Float32Array.from({ length: 65536 }, (_, a) => Math.min(0.5, rangeSigma(noise, 1, a)));
    this.#sigmaByDepth = Float32Array.from({ length: 32768 }, (_, d) =>
      Math.min(0.5, rangeSigma(noise, d / unitsPerMetre, null)),
    );
    this.#fit = new TiltFit(rays, unitsPerMetre, settings.maxTrim);
  }

  /**
   * @param depth     (height * width) z-depth as the mask gives it, 0 for none
   * @param reason    (height * width) the mask's reasons
   * @param amplitude (height * width) or null when the sensor gives none
   * @param rotation  (9) row-major levelFromLens: the base's own axes, turned upright against gravity
   * @param position  (3) of the lens in that frame, metres: the origin is the base's floor point
   */
  look(
    depth: Uint16Array,
    reason: Uint8Array,
    amplitude: Uint16Array | null,
    rotation: Float64Array,
    position: Float64Array,
  ): GlanceFrame {
    const { width, height } = this.#rays;
    if (depth.length !== width * height || reason.length !== depth.length) {
      throw new RangeError(`${width}x${height} rays: got ${depth.length} depths, ${reason.length} reasons`);
    }
    if (amplitude !== null && amplitude.length !== depth.length) {
      throw new RangeError(`${width}x${height} rays: got ${amplitude.length} amplitudes`);
    }
    const frame = this.#frame;
    this.#trim(depth, rotation, position);
    this.#phase ^= 1;
    frame.evidence = 0;
    if (this.#settings.gate === 0) {
      this.#gate = Number.isFinite(this.#leastAmplitude) ? this.#leastAmplitude : 0;
    }
    for (let strip = 0; strip < this.#strips; strip++) this.#walk(strip, depth, reason, amplitude);
    this.#judgeSight(depth, reason);
    return frame;
  }

  /** The sight alone that `look` would find; takes the same, and is called in its place for every frame. */
  judge(depth: Uint16Array, reason: Uint8Array, rotation: Float64Array, position: Float64Array): Sight {
    this.#trim(depth, rotation, position);
    this.#judgeSight(depth, reason);
    return this.#frame.sight;
  }

  /** Turns the lens's attitude so that the nearest floor in view comes to lie level. */
  #trim(depth: Uint16Array, rotation: Float64Array, position: Float64Array): void {
    const fit = this.#fit;
    fit.fit(depth, rotation, position);
    this.#frame.trimPitch = fit.pitch;
    this.#frame.trimRoll = fit.roll;
    this.#frame.trimSamples = fit.samples;
    level(rotation, position, fit.pitch, fit.roll, this.#turned, this.#moved);
  }

  /** Walks one strip from its nearest floor outwards. */
  #walk(strip: number, depth: Uint16Array, reason: Uint8Array, amplitude: Uint16Array | null): void {
    const { width, height, x: rayX, y: rayY, z: rayZ } = this.#rays;
    const { drop, step, gap, bodyHeight, slope, maxReach } = this.#settings;
    const frame = this.#frame;
    const R = this.#turned; // taking it apart as an array would go through an iterator, thirty times a frame
    const r0 = R[0]!;
    const r1 = R[1]!;
    const r2 = R[2]!;
    const r3 = R[3]!;
    const r4 = R[4]!;
    const r5 = R[5]!;
    const r6 = R[6]!;
    const r7 = R[7]!;
    const r8 = R[8]!;
    const px = this.#moved[0]!;
    const py = this.#moved[1]!;
    const h = this.#moved[2]!;
    const scale = 1 / this.#unitsPerMetre;
    const sigmas =
      amplitude !== null && this.#sigmaByAmplitude !== null ? this.#sigmaByAmplitude : this.#sigmaByDepth;
    const key = amplitude !== null && this.#sigmaByAmplitude !== null ? amplitude : depth;
    const gate = this.#gate;
    const first = strip * STRIP + this.#phase;
    const middle = first + (STRIP >> 1) - this.#phase;

    // The line that the middle column draws on the floor: from its lowest row to the last that looks down.
    let low = height - 1;
    while (low >= 0 && rayZ[low * width + middle]! === 0) low--;
    let high = -1;
    for (let v = 0; v < low; v += 2) {
      const i = v * width + middle;
      if (rayZ[i]! > 0 && r6 * rayX[i]! + r7 * rayY[i]! + r8 < -2 * LEAST_DOWN) {
        high = v;
        break;
      }
    }
    frame.drop[strip] = 0;
    if (high < 0 || low < 0) {
      frame.endX[strip] = frame.nearX[strip] = px;
      frame.endY[strip] = frame.nearY[strip] = py;
      frame.kind[strip] = END.unseen;
      frame.range[strip] = 0;
      return;
    }
    const a = low * width + middle;
    const b = high * width + middle;
    const toA = -h / (r6 * rayX[a]! + r7 * rayY[a]! + r8);
    const toB = -h / (r6 * rayX[b]! + r7 * rayY[b]! + r8);
    const nearX = (r0 * rayX[a]! + r1 * rayY[a]! + r2) * toA;
    const nearY = (r3 * rayX[a]! + r4 * rayY[a]! + r5) * toA;
    let ex = (r0 * rayX[b]! + r1 * rayY[b]! + r2) * toB - nearX;
    let ey = (r3 * rayX[b]! + r4 * rayY[b]! + r5) * toB - nearY;
    const length = Math.sqrt(ex * ex + ey * ey);
    ex /= length;
    ey /= length;
    // Distance along that line from below the lens, per unit of depth.
    const q0 = r0 * ex + r3 * ey;
    const q1 = r1 * ex + r4 * ey;
    const q2 = r2 * ex + r5 * ey;
    const nearest = nearX * ex + nearY * ey;

    let surface = this.#firstSurface(first, low, depth, Math.hypot(px + nearX, py + nearY));
    // The level from which the surface has stepped up onto something, and where: what leads down to it again is no drop.
    let isRaised = surface > STEP_UP;
    let ground = 0;
    let raisedAt = nearest;
    let followed = Math.max(0, nearest); // how far out the surface has followed
    let firm = nearest; // how far out floor was seen without a gap
    let firmX = px + nearX;
    let firmY = py + nearY;
    let firmRange = 0;
    let isOpen = true; // nothing has ended the floor yet
    let suspicion = 0;
    let runStart = -1; // first row of evidence of the run that is under suspicion
    let runRow = 0;
    let runAlong = 0;
    let below = 0;
    let absent = 0;
    let depthBelow = 0;
    let kind = UNSEEN;
    let dropDepth = 0;
    let doubt = 0;
    let doubted = 0;
    let strength = 0; // amplitude * range^3 / gate of the floor so far
    let standing = Number.POSITIVE_INFINITY;
    let standingAt = -1;
    let lowest = 0; // height at which it was first met
    let balance = 0;
    let least = this.#leastAmplitude;
    const before = this.#before;
    for (let lane = 0; lane < LANES; lane++) before[lane] = -1;
    const stepUp = step + 3 * HEIGHT_SIGMA;
    let n = frame.evidence;

    for (let v = low; v >= 0; v--) {
      const row = v * width + first;
      const at = row + 2; // its second lane stands for the row
      const atX = rayX[at]!;
      const atY = rayY[at]!;
      const atDown = r6 * atX + r7 * atY + r8;
      const toFloor = (surface - h) / atDown;
      const along = (q0 * atX + q1 * atY + q2) * toFloor;
      if (atDown > -LEAST_DOWN || along > maxReach) {
        // Nothing but what stands or hangs here. That is several rows thick: every other row will do.
        for (let lane = 0; lane < LANES; lane++) {
          const i = row + 2 * lane;
          const t = depth[i]! * scale;
          if (t === 0) continue;
          const rx = rayX[i]!;
          const ry = rayY[i]!;
          const s = (q0 * rx + q1 * ry + q2) * t;
          if (s >= standing || s > maxReach) continue;
          const off = h + (r6 * rx + r7 * ry + r8) * t - surface;
          if (off > bodyHeight || off < 0.1) continue;
          if (Math.abs(s - before[lane]!) < 0.05 + 0.03 * s) {
            if (s < standing - 0.15) lowest = off;
            standing = s;
            standingAt = i;
          }
          before[lane] = s;
        }
        v--;
        continue;
      }
      let touched = 0;
      let offs = 0;
      let leaning = 0;
      let back = 0;
      let passed = 0;
      let missing = 0;
      for (let lane = 0; lane < LANES; lane++) {
        const i = row + 2 * lane;
        const t = depth[i]! * scale;
        if (t === 0) {
          const why = reason[i]!;
          if (why !== FLYING && why !== SATURATED) missing++;
          continue;
        }
        const rx = rayX[i]!;
        const ry = rayY[i]!;
        const down = r6 * rx + r7 * ry + r8;
        const off = h + down * t - surface; // height over the expected surface
        if (suspicion === 0 && off > -drop && off < stepUp) {
          touched++; // as nearly all are
          offs += off;
          continue;
        }
        const sigma = sigmas[key[i]!]! * -down + TILT_SIGMA * along + HEIGHT_SIGMA;
        if (off > stepUp + 3 * sigma) {
          const s = (q0 * rx + q1 * ry + q2) * t;
          if (s < standing && s < maxReach && off < bodyHeight) {
            if (Math.abs(s - before[lane]!) < 0.05 + 0.03 * s) {
              if (s < standing - 0.15) lowest = off;
              standing = s;
              standingAt = i;
            }
            before[lane] = s;
          }
          continue;
        }
        if (isRaised && Math.abs(surface + off - ground) < Math.min(drop + 2 * sigma, 2 * drop)) {
          back++;
          continue;
        }
        // Page's cumulative sum of log-likelihoods that the surface has dropped; it starts anew whenever it is below 0.
        const says = (-off - drop) / sigma - 0.7;
        if (says > 0) {
          passed++;
          below++;
          depthBelow += off;
        }
        suspicion +=
          says > MOST_PER_RETURN ? MOST_PER_RETURN : says < -MOST_PER_RETURN ? -MOST_PER_RETURN : says;
        if (suspicion > MOST_HELD) suspicion = MOST_HELD;
        if (suspicion <= 0) {
          suspicion = 0;
          below = 0;
          absent = 0;
          depthBelow = 0;
          runStart = -1;
        }
        if (suspicion < SUSPECTED && off > -drop - 2 * sigma) {
          touched++;
          offs += off;
          if (off < -drop - LEANING) leaning++;
        }
      }
      const range = toFloor * Math.sqrt(atX * atX + atY * atY + 1);
      const x = px + (r0 * atX + r1 * atY + r2) * toFloor;
      const y = py + (r3 * atX + r4 * atY + r5) * toFloor;
      if (back > 1) {
        surface = ground;
        isRaised = false;
        suspicion = 0;
        below = 0;
        runStart = -1;
        touched += back;
      }
      if (isRaised && along > raisedAt + RAISED_FOR) isRaised = false;
      if (suspicion > 0 && runStart < 0) {
        runStart = n;
        runRow = v;
        runAlong = along;
      }
      absent += missing;
      frame.x[n] = x;
      frame.y[n] = y;
      frame.far[n] = range;
      frame.height[n] = surface;
      if (touched > 0 && suspicion < SUSPECTED) {
        const net = touched - 2 * leaning;
        balance += net;
        if (balance > MOST_OWNED) balance = MOST_OWNED;
        else if (balance < -MOST_OWED) balance = -MOST_OWED;
        const isFloor = net > 0 && balance > 0;
        frame.what[n] = isFloor ? TOUCHED : LEANS;
        frame.weight[n] = touched;
        n++;
        const lead = along - followed;
        if (!isRaised && offs > STEP_UP * touched) {
          isRaised = true;
          ground = surface;
          raisedAt = along;
        }
        if (lead > 0) {
          const most = slope * lead;
          const wish = (0.5 * offs) / touched;
          surface += wish > most ? most : wish < -most ? -most : wish;
          followed = along;
        }
        if (amplitude !== null) {
          const signal = amplitude[at]!;
          if (depth[at]! > 0 && signal > 0) {
            if (signal < least) least = signal;
            if (gate > 0) {
              const found = (signal * range * range * range) / gate;
              strength += (strength === 0 ? 1 : 0.25) * (found - strength);
            }
          }
        }
        if (!isFloor) {
          if (isOpen && along - firm > gap) isOpen = false;
        } else if (!isOpen) {
          if (suspicion === 0) v--; // beyond the end half the rows tell the map enough
        } else {
          // Near the lens rows lie millimetres apart.
          if (suspicion === 0 && along - firm < CLOSE_ROWS) v--;
          firm = along;
          firmX = x;
          firmY = y;
          firmRange = range;
          doubt = 0;
          doubted = 0;
        }
        continue;
      }
      const isDrop = suspicion >= DECIDED && below >= FEWEST_BELOW && below >= absent && runRow > v;
      if (isDrop) {
        isOpen = false;
        if (kind !== BRINK && runAlong - firm < 1.5 * gap) {
          kind = BRINK;
          // The edge lies between the last floor and the first ray that passed.
          firmX = 0.5 * (firmX + frame.x[runStart]!);
          firmY = 0.5 * (firmY + frame.y[runStart]!);
        }
        // Of a stair that is its first tread.
        if (runAlong - firm < 1.5 * gap && along - firm < 2 * gap) dropDepth = -depthBelow / below;
        for (let k = runStart; k < n; k++) {
          if (frame.what[k] !== TOUCHED) frame.what[k] = PASSED;
        }
        runStart = n;
        frame.what[n] = PASSED;
        frame.weight[n] = 1;
        n++;
      } else if (missing > 0 || passed > 0) {
        // What has been suspected but not decided is missing floor, too.
        const says = strength > 0 ? missByRatio(strength / (range * range * range)) : 0;
        frame.what[n] = MISSING;
        frame.weight[n] = says;
        n++;
        if (along - firm < 2 * gap) {
          doubt += says * missing;
          doubted += missing;
        }
      }
      if (isOpen && along - firm > gap) isOpen = false;
      if (!isOpen && suspicion < SUSPECTED) v--;
    }
    frame.evidence = n;
    this.#leastAmplitude = least;
    if (kind === UNSEEN && doubted > 0 && doubt >= DOUBT * doubted) kind = DOUBTFUL;
    // A drop of a few centimetres just before a wall is light that went from wall to floor to lens: too long a way.
    const isCorner = kind === BRINK && dropDepth < 0.04 && standing - firm < 0.15 && standing > firm;
    if (standing < firm + (kind === BRINK ? 0 : gap) || isCorner) {
      kind = firm > standing + gap && lowest > HANGING ? OVERHANG : OBSTACLE;
      if (standing < firm) {
        const t = depth[standingAt]! * scale;
        const rx = rayX[standingAt]!;
        const ry = rayY[standingAt]!;
        firmX = px + (r0 * rx + r1 * ry + r2) * t;
        firmY = py + (r3 * rx + r4 * ry + r5) * t;
        firmRange = t * Math.sqrt(rx * rx + ry * ry + 1);
      }
      dropDepth = 0;
    }
    frame.endX[strip] = firmX;
    frame.endY[strip] = firmY;
    frame.nearX[strip] = px + nearX;
    frame.nearY[strip] = py + nearY;
    frame.kind[strip] = kind;
    frame.drop[strip] = dropDepth;
    frame.range[strip] = firmRange;
  }

  /**
   * Height at which the strip's floor begins: the median of its lowest returns if a ramp could bring the floor there from the
   * base's own floor point; else they lie on something else, and the floor is taken to be level.
   */
  #firstSurface(first: number, low: number, depth: Uint16Array, away: number): number {
    const { width, height, x: rayX, y: rayY } = this.#rays;
    const r6 = this.#turned[6]!;
    const r7 = this.#turned[7]!;
    const r8 = this.#turned[8]!;
    const h = this.#moved[2]!;
    const scale = 1 / this.#unitsPerMetre;
    const some = this.#some;
    let count = 0;
    for (let v = low; v > low - height / 3 && v >= 0 && count < some.length; v--) {
      for (let lane = 0; lane < LANES && count < some.length; lane++) {
        const i = v * width + first + 2 * lane;
        const t = depth[i]! * scale;
        if (t > 0) some[count++] = h + (r6 * rayX[i]! + r7 * rayY[i]! + r8) * t;
      }
    }
    if (count === 0) return 0;
    // Insertion sort of at most 16.
    for (let i = 1; i < count; i++) {
      const value = some[i]!;
      let k = i;
      for (; k > 0 && some[k - 1]! > value; k--) some[k] = some[k - 1]!;
      some[k] = value;
    }
    // Far out, where a small ledge cannot be told from tilt, it may be more.
    const most = Math.min(MOST_OFFSET + 0.02 * Math.max(0, away - 1), this.#settings.slope * away);
    // A few noisy returns, of a floor nearly too dark to be seen, are no reason to leave the level.
    const share = Math.min(1, count / ENOUGH);
    const middle = some[count >> 1]!;
    return Math.abs(middle) <= share * most ? middle : 0;
  }
  readonly #some = new Float64Array(16);

  /** Blind: hardly any return. Covered: something close before the lens. Dark: floor in view, but little comes back. */
  #judgeSight(depth: Uint16Array, reason: Uint8Array): void {
    const { height, width } = this.#rays;
    let usable = 0;
    let close = 0;
    let blank = 0;
    const near = 0.25 * this.#unitsPerMetre;
    let total = 0;
    for (let i = width * ((height >> 3) | 0) + 3; i < depth.length; i += 31) {
      total++;
      const d = depth[i]!;
      if (d === 0) {
        if (reason[i] !== REASON.flying) blank++;
        if (reason[i] === REASON.saturated || reason[i] === REASON.outOfRange) close++;
        continue;
      }
      usable++;
      if (d < near) close++;
    }
    const frame = this.#frame;
    frame.returns = usable / total;
    if (usable < 0.01 * total) frame.sight = "blind";
    else if (close > 0.6 * total && this.#moved[2]! > 0.25) frame.sight = "covered";
    else frame.sight = blank > 0.7 * total ? "dark" : "clear";
  }
}

type Three = readonly [number, number, number];
type Nine = readonly [number, number, number, number, number, number, number, number, number];

/**
 * Turns a lens's attitude about the base's floor point so that the plane z = -tan(pitch) x + tan(roll) y comes to lie level.
 */
function level(
  rotation: Float64Array,
  position: Float64Array,
  pitch: number,
  roll: number,
  outRotation: Float64Array,
  outPosition: Float64Array,
): void {
  const bx = -Math.tan(pitch);
  const by = Math.tan(roll);
  const norm = Math.sqrt(1 + bx * bx + by * by);
  // The plane's normal, and the shortest rotation that takes it to z: I + [v] + [v]^2 / (1 + c), v = n x z.
  const vx = -by / norm;
  const vy = bx / norm;
  const c = 1 / norm;
  const k = 1 / (1 + c);
  const q = [
    1 - k * vy * vy,
    k * vx * vy,
    vy,
    k * vx * vy,
    1 - k * vx * vx,
    -vx,
    -vy,
    vx,
    1 - k * (vx * vx + vy * vy),
  ];
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 3; j++) {
      outRotation[3 * i + j] =
        q[3 * i]! * rotation[j]! + q[3 * i + 1]! * rotation[3 + j]! + q[3 * i + 2]! * rotation[6 + j]!;
    }
    outPosition[i] = q[3 * i]! * position[0]! + q[3 * i + 1]! * position[1]! + q[3 * i + 2]! * position[2]!;
  }
}

const FIT_COLUMNS = 16;
const FIT_ROWS = 14;
/** How far the tilt may be off before the frame is looked at, radians: stamps, brakes, and the mount. */
const PRIOR_SIGMA = 0.03;
/** And once it is known how far it usually is off: what a late stamp makes of a dip. */
const USUAL_SIGMA = 0.008;
/** Fewest samples for a fit, and how many it takes until more of them say nothing new. */
const FEWEST = 12;
const MANY = 60;
/** Fits from which on a trim counts as the usual one: whoever starts the base vouches for the floor before it. */
const SETTLED = 5;
/** Metres by which a trim may lower the floor in view without proof that it is a tilt. */
const MOST_LOWER = 0.012;
const SAMPLE_SIGMA = 0.006;
/** Metres by which a tilt may miss the base's floor point. */
const AT_BASE = 0.006;
const PROOF = { refuted: 0, harmless: 1, proved: 2 } as const;

/**
 * Small turns in pitch and roll about the base's floor point that bring the nearest floor in view to height 0.
 *
 * Each sampled column gives points from its nearest return outwards until its height jumps along the line of sight: what
 * lies beyond may be another level. Then weighted least squares with Tukey's weights and a prior; the plane must pass
 * through the point on which the base stands.
 */
class TiltFit {
  pitch = 0;
  roll = 0;
  samples = 0;
  /** The plane as it usually is, from so many fits. */
  #usualB = 0;
  #usualC = 0;
  #fits = 0;
  /** The last solution, z = b x + c y, and the height at which a sample no longer counts. */
  #b = 0;
  #c = 0;
  #cut = 0;
  readonly #rays: RayTable;
  readonly #unitsPerMetre: number;
  readonly #maxTrim: number;
  readonly #x = new Float64Array(FIT_COLUMNS * FIT_ROWS);
  readonly #y = new Float64Array(FIT_COLUMNS * FIT_ROWS);
  readonly #z = new Float64Array(FIT_COLUMNS * FIT_ROWS);

  constructor(rays: RayTable, unitsPerMetre: number, maxTrim: number) {
    this.#rays = rays;
    this.#unitsPerMetre = unitsPerMetre;
    this.#maxTrim = maxTrim;
  }

  fit(depth: Uint16Array, rotation: Float64Array, position: Float64Array): void {
    const { width, height, x: rayX, y: rayY } = this.#rays;
    const [r0, r1, r2, r3, r4, r5, r6, r7, r8] = rotation as unknown as Nine;
    const [px, py, pz] = position as unknown as Three;
    const scale = 1 / this.#unitsPerMetre;
    const xs = this.#x;
    const ys = this.#y;
    const zs = this.#z;
    let n = 0;
    const rows = Math.max(1, Math.floor(height / 24));
    for (let c = 0; c < FIT_COLUMNS; c++) {
      const u = Math.floor(((c + 0.5) * width) / FIT_COLUMNS);
      let lastZ = Number.NaN;
      let lastS = 0;
      let blank = 0;
      for (let v = height - 1 - rows, taken = 0; v >= 0 && taken < FIT_ROWS; v -= rows) {
        const i = v * width + u;
        const t = depth[i]! * scale;
        if (t === 0) {
          // Beyond a wide gap the floor may be another.
          if (++blank > 3 && taken > 0) break;
          continue;
        }
        const down = r6 * rayX[i]! + r7 * rayY[i]! + r8;
        if (down > -0.1) break;
        const z = pz + down * t;
        const dx = (r0 * rayX[i]! + r1 * rayY[i]! + r2) * t;
        const dy = (r3 * rayX[i]! + r4 * rayY[i]! + r5) * t;
        const s = Math.sqrt(dx * dx + dy * dy);
        // Steeper than any floor under any trim, for a level that is off or a thing that stands there.
        const away = Math.sqrt((px + dx) * (px + dx) + (py + dy) * (py + dy)); // Math.hypot takes ten times as long
        if (Math.abs(z) > 0.02 + 0.15 * away) break;
        if (taken > 0 && Math.abs(z - lastZ) > 0.015 + 0.3 * Math.max(0, s - lastS)) break;
        blank = 0;
        lastZ = z;
        lastS = s;
        xs[n] = px + dx;
        ys[n] = py + dy;
        zs[n++] = z;
        taken++;
      }
    }
    this.samples = n;
    // More than the most is no dip: a ramp, or another level. It is left as it is, for the walk to judge.
    let isFit = n >= FEWEST && !this.#isLower(n);
    if (isFit) {
      const isSettled = this.#fits >= SETTLED;
      if (isSettled) this.#solve(USUAL_SIGMA, this.#usualB, this.#usualC);
      // What is usual may have been learnt on a ramp: when it explains little, all tilts are as likely again.
      if (!isSettled || 2 * this.#count(3 * this.#cut) < n) this.#solve(PRIOR_SIGMA, 0, 0);
      isFit = Math.hypot(this.#b, this.#c) <= Math.tan(this.#maxTrim);
    }
    if (isFit) {
      const proof = this.#prove(3 * this.#cut);
      isFit = proof !== PROOF.refuted;
      if (proof === PROOF.proved) {
        // Few samples, of a floor too dark to be seen far, say little of what is usual.
        const share = Math.max(0.2 * Math.min(1, n / MANY), 1 / (1 + this.#fits++));
        this.#usualB += share * (this.#b - this.#usualB);
        this.#usualC += share * (this.#c - this.#usualC);
      }
    }
    this.pitch = -Math.atan(isFit ? this.#b : this.#usualB);
    this.roll = Math.atan(isFit ? this.#c : this.#usualC);
  }

  /** Least squares of z = b x + c y with Tukey's biweight and a prior. */
  #solve(sigma: number, priorB: number, priorC: number): void {
    const n = this.samples;
    const xs = this.#x;
    const ys = this.#y;
    const zs = this.#z;
    const prior = 1 / (sigma * sigma);
    let b = priorB;
    let c = priorC;
    // The first round takes in more, so that a dip of some degrees is found at all.
    let cut = 0.15;
    for (let round = 0; round < 5; round++) {
      let weights = 0;
      let squares = 0;
      let xx = prior;
      let yy = prior;
      let xy = 0;
      let xz = prior * priorB;
      let yz = prior * priorC;
      for (let k = 0; k < n; k++) {
        const x = xs[k]!;
        const y = ys[k]!;
        const off = (zs[k]! - b * x - c * y) / cut;
        if (off > 1 || off < -1) continue;
        // Farther samples are noisier, and more likely to lie on another floor.
        const w = (1 - off * off) ** 2 / (SAMPLE_SIGMA * SAMPLE_SIGMA) / (1 + 4 * (x * x + y * y)) / 4;
        weights += w;
        squares += w * off * off;
        xx += w * x * x;
        yy += w * y * y;
        xy += w * x * y;
        xz += w * x * zs[k]!;
        yz += w * y * zs[k]!;
      }
      const det = xx * yy - xy * xy;
      b = (yy * xz - xy * yz) / det;
      c = (xx * yz - xy * xz) / det;
      cut = Math.min(0.6 * cut, Math.max(0.012, 3 * cut * Math.sqrt(squares / Math.max(weights, 1e-9))));
    }
    this.#b = b;
    this.#c = c;
    this.#cut = cut;
  }

  /** How many samples lie within `cut` of the plane. */
  #count(cut: number): number {
    let count = 0;
    for (let k = 0; k < this.samples; k++) {
      if (Math.abs(this.#z[k]! - this.#b * this.#x[k]! - this.#c * this.#y[k]!) <= cut) count++;
    }
    return count;
  }

  /**
   * Whether a plane is a tilt, which passes through the base's floor point, and not another floor or an edge in view: drawn on
   * to that point, the samples must come out at height 0, and tell so. One that hardly lies lower than usual may be either.
   */
  #prove(cut: number): number {
    const n = this.samples;
    const b = this.#b;
    const c = this.#c;
    const db = b - this.#usualB;
    const dc = c - this.#usualC;
    const steep = Math.sqrt(db * db + dc * dc);
    let count = 0;
    let lower = 0;
    let u = 0;
    let uu = 0;
    let z = 0;
    let uz = 0;
    let zz = 0;
    for (let k = 0; k < n; k++) {
      const x = this.#x[k]!;
      const y = this.#y[k]!;
      const off = this.#z[k]! - b * x - c * y;
      if (off > cut || off < -cut) continue;
      const along = (db * x + dc * y) / steep;
      const height = this.#z[k]! - this.#usualB * x - this.#usualC * y;
      count++;
      lower += db * x + dc * y;
      u += along;
      uu += along * along;
      z += height;
      uz += along * height;
      zz += height * height;
    }
    lower /= count;
    const spread = uu - (u * u) / count;
    const slope = (uz - (u * z) / count) / spread;
    const atBase = z / count - (slope * u) / count;
    const rest = Math.max(0, zz - (z * z) / count - slope * slope * spread) / Math.max(1, count - 2);
    const sigma = Math.sqrt(rest * (1 / count + (u * u) / count / count / spread));
    if (Math.abs(atBase) + sigma < Math.max(AT_BASE, 0.4 * -lower)) return PROOF.proved;
    // Less than the shallowest drop hides none. But what is usual must not creep: many small steps down, none of them proved,
    // would add up to one.
    return lower < -MOST_LOWER ? PROOF.refuted : PROOF.harmless;
  }

  /** Whether the samples lie level but lower, better than tilted: all that is in view is then another floor, not a dip. */
  #isLower(n: number): boolean {
    let z = 0;
    let zz = 0;
    let xz = 0;
    let xx = 0;
    for (let k = 0; k < n; k++) {
      z += this.#z[k]!;
      zz += this.#z[k]! * this.#z[k]!;
      xz += this.#x[k]! * this.#z[k]!;
      xx += this.#x[k]! * this.#x[k]!;
    }
    return n >= FEWEST && z / n < -0.025 && (zz - (z * z) / n) * (1 + 9 / n) < zz - (xz * xz) / xx;
  }
}
