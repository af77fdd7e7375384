import type { Camera, Scene, WebGLRenderer } from "three";

/** Pictures that take less than this are drawn as often as the screen shows them, milliseconds. */
const CHEAP = 25;
/** After a picture that takes longer, this many times its duration passes before the next: the page keeps time for the rest. */
const REST = 4;
/** Milliseconds between looks at the fence that tells whether a picture is complete. */
const FENCE = 4;
/** A picture that takes longer than this makes the next coarser, milliseconds; at worst it has this share of the pixels a side. */
const DEAR = 120;
const COARSER = 1.5;
const COARSEST = 0.5;
const SHARPEST = Math.min(2, globalThis.devicePixelRatio || 1);
/**
 * Milliseconds without a change before a coarse picture is drawn again with all pixels: after a person has moved the view, and after other
 * changes, of which more follow while the robot moves.
 */
const QUIET_HAND = 100;
const QUIET = 1000;

/**
 * Draws a scene when something in it changed, and not otherwise: at the screen's rate where that is cheap, and else as often
 * as leaves the page time for the rest.
 */
export class Redraw {
  readonly #renderer: WebGLRenderer;
  readonly #scene: Scene;
  readonly #camera: () => Camera;
  #isDue = false;
  #isDrawing = false;
  #isUrgent = false;
  #pausing: ReturnType<typeof setTimeout> | undefined;
  #drawnAt = 0;
  #cost = 0;
  #resolution = SHARPEST;
  #isMoving = false;
  #sharpening: ReturnType<typeof setTimeout> | undefined;
  readonly #after: ((milliseconds: number) => void)[] = [];
  /** While true, a picture shows half a change: `afterNextPicture` waits for the next. */
  isPartial: () => boolean = () => false;
  /** Frames drawn since the start. */
  drawn = 0;
  /** Called after each picture, for what is drawn over it. */
  onDrawn: () => void = () => {};

  /** @param camera through which the next picture is drawn */
  constructor(renderer: WebGLRenderer, scene: Scene, camera: () => Camera) {
    this.#renderer = renderer;
    this.#scene = scene;
    this.#camera = camera;
    renderer.setPixelRatio(SHARPEST);
  }

  /** A person is moving the view: pictures come fast and may be coarse. */
  set isMoving(isMoving: boolean) {
    clearTimeout(this.#sharpening);
    if (isMoving) {
      this.#isMoving = true;
      if (this.#pausing !== undefined) this.hurry();
      return;
    }
    this.#isMoving = false;
    this.#sharpenSoon(QUIET_HAND);
  }

  /** Something changed: a picture follows soon. */
  invalidate(): void {
    if (this.#isDue) return;
    this.#isDue = true;
    if (!this.#isDrawing) this.#schedule();
  }

  /** Calls `then` once all that is known now has been drawn, with the milliseconds that drawing took of the page's own thread. */
  afterNextPicture(then: (milliseconds: number) => void): void {
    this.#after.push(then);
    this.invalidate();
  }

  /** Draws the next picture without a pause before it. */
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

  /** Draws now: after a change of size the canvas is empty. */
  drawNow(): void {
    this.#renderer.render(this.#scene, this.#camera());
    this.onDrawn();
    this.invalidate();
  }

  #schedule(): void {
    const isFree = this.#isUrgent || this.#isMoving || this.#cost < CHEAP;
    const pause = isFree ? 0 : REST * this.#cost - (performance.now() - this.#drawnAt);
    if (pause <= 0) {
      requestAnimationFrame(() => this.#draw());
      return;
    }
    this.#pausing = setTimeout(() => {
      this.#pausing = undefined;
      requestAnimationFrame(() => this.#draw());
    }, pause);
  }

  /** @param isSharp with all pixels of the screen, whatever it takes: for a picture that stays */
  #draw(isSharp = false): void {
    this.#isDue = false;
    this.#isUrgent = false;
    this.#isDrawing = true;
    this.drawn++;
    const ratio = isSharp ? SHARPEST : this.#resolution;
    if (this.#renderer.getPixelRatio() !== ratio) this.#renderer.setPixelRatio(ratio);
    const after = this.isPartial() ? [] : this.#after.splice(0);
    const start = performance.now();
    this.#renderer.render(this.#scene, this.#camera());
    const own = performance.now() - start;
    this.onDrawn();
    this.#drawnAt = start;
    this.#whenComplete(() => {
      for (const one of after) one(own);
      if (!isSharp) this.#settle(performance.now() - start);
      this.#isDrawing = false;
      if (this.#isDue) this.#schedule();
      else if (ratio < SHARPEST && !this.#isMoving) this.#sharpenSoon(QUIET);
    });
  }

  /** Makes pictures coarser where they take long. */
  #settle(cost: number): void {
    this.#cost = cost;
    if (cost > DEAR) this.#resolution = Math.max(COARSEST, this.#resolution / COARSER);
  }

  #sharpenSoon(quiet: number): void {
    clearTimeout(this.#sharpening);
    this.#sharpening = setTimeout(() => {
      if (!this.#isDue && !this.#isDrawing) this.#draw(true);
    }, quiet);
  }

  /** The graphics process or card works after `render` returns; a fence tells when the picture is complete. */
  #whenComplete(then: () => void): void {
    const gl = this.#renderer.getContext() as WebGL2RenderingContext;
    const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    gl.flush();
    const look = (): void => {
      const isComplete =
        fence === null || gl.isContextLost() || gl.getSyncParameter(fence, gl.SYNC_STATUS) === gl.SIGNALED;
      if (!isComplete) {
        setTimeout(look, FENCE);
        return;
      }
      gl.deleteSync(fence);
      then();
    };
    setTimeout(look, FENCE);
  }
}
