import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { toMatrix } from "../../src/geometry/rigid.ts";
import { Glancer, type GlancerSettings } from "../../src/guard/glance.ts";
import type { GlanceFrame } from "../../src/guard/glance-frame.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { DEFAULT_RANGE_NOISE } from "../../src/sense/noise.ts";
import { Random } from "../../src/simulate/random.ts";
import { renderDepth, type SensorNoise } from "../../src/simulate/render.ts";
import type { Scene } from "../../src/simulate/scene.ts";
import { usualNoise } from "../../src/simulate/usual-noise.ts";

const FOCAL = 120 / Math.tan((83 / 2) * (Math.PI / 180));

/** 240 x 180 pixels, 83 degrees across: the lens of references' profile scenes with three times the pixels. */
export const OPTICS: PinholeOptics = {
  model: "pinhole",
  width: 240,
  height: 180,
  fx: FOCAL,
  fy: FOCAL,
  cx: 119.5,
  cy: 89.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.05,
  maxRange: 7.5,
};

export const GLANCE: GlancerSettings = {
  drop: 0.015,
  step: 0.015,
  gap: 0.075,
  bodyHeight: 0.6,
  slope: 1 / 12 + 0.015,
  maxTrim: (5.5 * Math.PI) / 180,
  maxReach: 3,
  gate: 0,
  noise: DEFAULT_RANGE_NOISE,
};

/** A time-of-flight sensor that just sees a wall of reflectance 0.8 at 4 m; its noise is what the product's model says. */
export const sensorNoise = (seed: number, more: Partial<SensorNoise> = {}): SensorNoise =>
  usualNoise(4, new Random(seed), more);

export const rowMajor = (pose: Pose): Float64Array => {
  const m = toMatrix(pose);
  return Float64Array.from({ length: 9 }, (_, n) => m[4 * (n % 3) + Math.floor(n / 3)]!);
};

export interface Shot {
  readonly counts: Uint16Array;
  readonly amplitude: Uint16Array;
}

export function shoot(scene: Scene, pose: Pose, noise: SensorNoise | null, optics = OPTICS): Shot {
  const counts = new Uint16Array(optics.width * optics.height);
  const amplitude = new Uint16Array(counts.length);
  renderDepth(scene, optics, { worldFromLens: pose, time: 0, noise }, { counts, amplitude });
  if (noise === null) {
    // Exact frames have amplitude 1000 rho cos / r^2 and no gate: this one is that of the noisy sensor.
    for (let i = 0; i < counts.length; i++) if (amplitude[i]! < 50) counts[i] = 0;
  }
  return { counts, amplitude };
}

/** A glance that is shown frames as they come. */
export class Watcher {
  readonly mask: DepthMask;
  readonly glance: Glancer;
  constructor(optics = OPTICS, settings: Partial<GlancerSettings> = {}) {
    this.mask = new DepthMask(optics);
    this.glance = new Glancer(this.mask.rays, this.mask.unitsPerMetre, { ...GLANCE, ...settings });
  }
  /** `believed` is where the lens is taken to be. */
  see({ counts, amplitude }: Shot, believed: Pose): GlanceFrame {
    const { depth, reason } = this.mask.apply(counts, amplitude);
    return this.glance.look(
      { depth, reason, amplitude },
      rowMajor(believed),
      Float64Array.from(believed.position),
    );
  }
}
