import type { Camera, Scene, WebGLRenderer } from "three";

/** Milliseconds: pictures that take less are drawn at the screen's rate. */
const FAST_PICTURE = 25;
/** Pause after a longer picture, in multiples of its duration, so that the page has time for everything else. */
const PAUSE_FACTOR = 4;
/** Milliseconds between polls of the fence that signals a complete picture. */
const FENCE = 4;
/** Milliseconds: a longer picture lowers the resolution of the next; and the lowest resolution, as a share of the pixels a side. */
const SLOW_PICTURE = 80;
const COARSER = 1.5;
const COARSEST = 0.5;
const SHARPEST = Math.min(2, globalThis.devicePixelRatio || 1);
/** Without a graphics card edges are not smoothed while drawing, which would double the work; a picture that stays has more pixels instead. */
const SMOOTHED = 1.5;
/**
 * Milliseconds without a change before a coarse picture is drawn again at full resolution: after a person has moved the view (a wheel turns in
 * steps that are nearer to each other), and after other changes, which come in series while the robot moves.
 */
const QUIET_INTERACTION = 40;
const QUIET = 1000;

/**
 * Draws a scene only when it has changed: at the screen's rate where a picture is cheap, else at a rate that leaves the page time for
 * everything else.
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
  /** Pixels a side of a picture that stays, per pixel of the page. */
  readonly #sharpest: number;
  #isMoving = false;
  #sharpening: ReturnType<typeof setTimeout> | undefined;
  /** Whether the next picture is drawn at full resolution, because a person has moved the view. */
  #isSharpDue = false;
  readonly #after: ((milliseconds: number) => void)[] = [];
  /** While true, a picture shows a change only in part, and `afterNextPicture` waits. */
  isPartial: () => boolean = () => false;
  /** Pictures drawn since the start. */
  drawn = 0;
  /** When a person has ended moving the view, until a sharp picture of it is complete. */
  #stillSince: number | null = null;
  /** For the benchmark: milliseconds from the last end of a movement to its sharp picture; null: still moving, or not sharp yet. */
  sharpAfter: number | null = null;
  /** Called after each picture, to draw the marks over it. */
  onDrawn: () => void = () => {};

  /**
   * @param camera     returns the camera of the next picture
   * @param isSoftware whether the processor draws
   */
  constructor(renderer: WebGLRenderer, scene: Scene, camera: () => Camera, isSoftware: boolean) {
    this.#renderer = renderer;
    this.#scene = scene;
    this.#camera = camera;
    this.#sharpest = isSoftware ? SHARPEST * SMOOTHED : SHARPEST;
    renderer.setPixelRatio(SHARPEST);
  }

  /** Whether a person is moving the view: then pictures come fast and may be coarse. */
  set isMoving(isMoving: boolean) {
    clearTimeout(this.#sharpening);
    if (isMoving) {
      this.#isMoving = true;
      this.#stillSince = this.sharpAfter = null;
      this.#isSharpDue = false;
      if (this.#pausing !== undefined) this.hurry();
      return;
    }
    this.#isMoving = false;
    this.#stillSince = performance.now();
    this.#sharpenSoon(QUIET_INTERACTION);
  }

  /** Schedules a picture after a change. */
  invalidate(): void {
    if (this.#isDue) return;
    this.#isDue = true;
    if (!this.#isDrawing) this.#schedule();
  }

  /** Calls `then` once the present state has been drawn, with the milliseconds of the page's thread that drawing took. */
  afterNextPicture(then: (milliseconds: number) => void): void {
    this.#after.push(then);
    this.invalidate();
  }

  /** Draws the next picture without a pause. */
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

  /** Draws at once. After a change of size the canvas is empty. */
  drawNow(): void {
    this.#renderer.render(this.#scene, this.#camera());
    this.onDrawn();
    this.invalidate();
  }

  #schedule(): void {
    const isFree = this.#isUrgent || this.#isMoving || this.#cost < FAST_PICTURE;
    const pause = isFree ? 0 : PAUSE_FACTOR * this.#cost - (performance.now() - this.#drawnAt);
    if (pause <= 0) {
      requestAnimationFrame(() => this.#draw());
      return;
    }
    this.#pausing = setTimeout(() => {
      this.#pausing = undefined;
      requestAnimationFrame(() => this.#draw());
    }, pause);
  }

  /** @param isSharp whether to draw at full resolution at any cost, for a picture that stays */
  #draw(isSharp = this.#isSharpDue): void {
    this.#isSharpDue = false;
    this.#isDue = false;
    this.#isUrgent = false;
    this.#isDrawing = true;
    this.drawn++;
    const ratio = isSharp ? this.#sharpest : this.#resolution;
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
      if (ratio >= SHARPEST && this.#stillSince !== null && start >= this.#stillSince) {
        this.sharpAfter = performance.now() - this.#stillSince;
        this.#stillSince = null;
      }
      this.#isDrawing = false;
      if (this.#isDue) this.#schedule();
      else if (ratio < this.#sharpest && !this.#isMoving) this.#sharpenSoon(QUIET);
    });
  }

  /** Adapts the resolution to the time that a picture takes. */
  #settle(cost: number): void {
    this.#cost = cost;
    if (cost > SLOW_PICTURE) this.#resolution = Math.max(COARSEST, this.#resolution / COARSER);
  }

  #sharpenSoon(quiet: number): void {
    clearTimeout(this.#sharpening);
    this.#sharpening = setTimeout(() => {
      if (!this.#isDue && !this.#isDrawing) this.#draw(true);
      else if (quiet === QUIET_INTERACTION) {
        this.#isSharpDue = true;
        this.hurry();
      }
    }, quiet);
  }

  /** Calls `then` when the picture is complete: the graphics card or process continues after `render` returns, and a fence signals the end. */
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
