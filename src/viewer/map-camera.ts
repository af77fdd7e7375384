import { type Camera, MOUSE, OrthographicCamera, PerspectiveCamera, Quaternion, TOUCH, Vector3 } from "three";
import { OrbitControls } from "three/addons/controls/OrbitControls.js";
import type { FromServer } from "../wire/messages.ts";
import type { View } from "./views.ts";
import type { Ray } from "./worker-messages.ts";

type Pose = FromServer<"pose">["worldFromBase"];

const FIELD_OF_VIEW = 45;
/** Half the height of the picture at distance 1. */
const TANGENT = Math.tan((FIELD_OF_VIEW * Math.PI) / 360);
/** Directions from the map to the camera. That of the plan is slightly off the vertical, so that "up" in the picture is defined. */
const FROM_ABOVE = new Vector3(0, -0.0002, 1).normalize();
const FROM_ASIDE = new Vector3(-0.42, -0.55, 0.72).normalize();
/** Metres: height of the plan's camera above the map, and visible depth below it. Larger than any map is high. */
const PLAN_EYE = 100;
/** Size of the fitted view relative to the map. */
const BORDER = 1.06;
/** The view that rides behind the robot. Metres: camera behind and above the robot, and the point ahead of it that the camera looks at. */
const RIDE = { back: 2, up: 1.7, ahead: 1.5 } as const;
const FARTHEST_RIDE = 6;

/** Keys that move or zoom the view. */
const MOVING = /^(Arrow|[+=-])/;

/** A camera that a person moves, with its target. */
interface Eye {
  readonly camera: PerspectiveCamera | OrthographicCamera;
  readonly controls: OrbitControls;
  /** Whether a person has turned or moved the view since it was fitted. */
  isMoved: boolean;
  /** Whether it has been fitted at all. */
  isPlaced: boolean;
}

/** The cameras of the map: orthographic from above, orbiting, or behind the robot. Each view keeps its own position. */
export class MapCamera {
  readonly #plan: Eye;
  readonly #orbit: Eye;
  readonly #ride = new PerspectiveCamera(FIELD_OF_VIEW, 1, 0.05, 500);
  #rideScale = 1;
  #view: View = "orbit";
  #pose: Pose | null = null;
  #isFollowing = false;
  /** Size of the canvas in pixels of the page. */
  #width = 1;
  #height = 1;
  /** Pixels at the right that another element covers. */
  #covered = 0;
  readonly #changed: () => void;
  /** Metres: the plan leaves out everything higher. */
  planFrom = 0.6;
  /** Called when a person begins and ends to move the view. */
  onInteraction: (isMoving: boolean) => void = () => {};

  /** @param changed called when a person turns or moves the view */
  constructor(canvas: HTMLCanvasElement, changed: () => void) {
    this.#changed = changed;
    this.#plan = this.#eye(new OrthographicCamera(-5, 5, 5, -5, 0.1, 2 * PLAN_EYE), canvas);
    this.#orbit = this.#eye(new PerspectiveCamera(FIELD_OF_VIEW, 1, 0.05, 500), canvas);
    this.#orbit.camera.position.set(-4, -4, 5);
    const plan = this.#plan.controls;
    plan.enableRotate = false;
    plan.screenSpacePanning = true;
    plan.mouseButtons = { LEFT: MOUSE.PAN, MIDDLE: MOUSE.DOLLY, RIGHT: MOUSE.PAN };
    plan.touches = { ONE: TOUCH.PAN, TWO: TOUCH.DOLLY_PAN };
    this.#orbit.controls.maxPolarAngle = 0.52 * Math.PI;
    this.#orbit.controls.screenSpacePanning = false; // along the floor
    this.#ride.up.set(0, 0, 1);
    canvas.addEventListener("keydown", ({ key }) => {
      if (MOVING.test(key)) this.hold();
    });
    canvas.addEventListener(
      "wheel",
      (event) => {
        if (this.#view !== "ride") return;
        event.preventDefault();
        this.zoom(event.deltaY > 0 ? 1.1 : 1 / 1.1);
        changed();
      },
      { passive: false },
    );
    // The style sheet decides which touches scroll the page: on a phone, one finger scrolls past the map.
    canvas.style.touchAction = "";
    this.setView("orbit");
  }

  #eye(camera: PerspectiveCamera | OrthographicCamera, canvas: HTMLCanvasElement): Eye {
    camera.up.set(0, 0, 1); // the controls read it when they are made
    const controls = new OrbitControls(camera, canvas);
    const eye = { camera, controls, isMoved: false, isPlaced: false };
    controls.zoomToCursor = true;
    controls.addEventListener("change", this.#changed);
    controls.addEventListener("start", () => {
      eye.isMoved = true;
      this.onInteraction(true);
    });
    controls.addEventListener("end", () => this.onInteraction(false));
    controls.listenToKeyEvents(canvas);
    return eye;
  }

  get camera(): Camera {
    return this.#view === "ride" ? this.#ride : this.#activeEye!.camera;
  }

  get view(): View {
    return this.#view;
  }

  /** The camera of the present view, if a person can move it. */
  get #activeEye(): Eye | null {
    return this.#view === "plan" ? this.#plan : this.#view === "orbit" ? this.#orbit : null;
  }

  setView(view: View): void {
    this.#view = view;
    this.#plan.controls.enabled = view === "plan";
    this.#orbit.controls.enabled = view === "orbit";
    if (view === "ride") this.#placeRide();
  }

  /** Whether this view has not been fitted yet. */
  get isNew(): boolean {
    return this.#activeEye?.isPlaced === false;
  }

  resize(width: number, height: number): void {
    this.#width = width;
    this.#height = height;
    const aspect = width / height;
    for (const camera of [this.#orbit.camera as PerspectiveCamera, this.#ride]) camera.aspect = aspect;
    const plan = this.#plan.camera as OrthographicCamera;
    plan.left = -aspect * plan.top;
    plan.right = aspect * plan.top;
    this.#uncover();
    // A drag across the larger side turns the view by a full turn.
    this.#orbit.controls.rotateSpeed = height / Math.max(width, height);
  }

  /** Centres the view in the uncovered part. @param covered pixels at the right that another element covers */
  set covered(covered: number) {
    this.#covered = Math.min(covered, 0.6 * this.#width);
    this.#uncover();
  }

  #uncover(): void {
    const [wide, high] = [this.#width, this.#height];
    for (const camera of [this.#orbit.camera, this.#plan.camera, this.#ride]) {
      camera.setViewOffset(wide, high, this.#covered / 2, 0, wide, high);
    }
  }

  /** Aspect ratio of the uncovered part. */
  get #aspect(): number {
    return (this.#width - this.#covered) / this.#height;
  }

  /** Metres per pixel of the page: in the plan, or at the camera's target. */
  get metresPerPixel(): number {
    if (this.#view === "plan") {
      const plan = this.#plan.camera as OrthographicCamera;
      return (2 * plan.top) / plan.zoom / this.#height;
    }
    const { camera, controls } = this.#orbit;
    const away = this.#view === "ride" ? RIDE.back : camera.position.distanceTo(controls.target);
    return (2 * TANGENT * away) / this.#height;
  }

  /** Keeps the view until it is fitted again. */
  hold(): void {
    const eye = this.#activeEye;
    if (eye !== null) eye.isMoved = true;
  }

  /** Whether the view may be fitted to a map that grows. */
  get mayRefit(): boolean {
    return this.#activeEye?.isMoved === false && !this.#isFollowing;
  }

  /** Whether the views move with the robot, so that it stays in place in the picture. */
  set isFollowing(isFollowing: boolean) {
    this.#isFollowing = isFollowing;
    if (!isFollowing || this.#pose === null) return;
    const [x, y] = this.#pose.position;
    for (const { camera, controls } of [this.#plan, this.#orbit]) {
      const by = new Vector3(x - controls.target.x, y - controls.target.y, 0);
      camera.position.add(by);
      controls.target.add(by);
      controls.update();
    }
  }

  get isFollowing(): boolean {
    return this.#isFollowing;
  }

  /** Sets the robot's pose. */
  setPose(pose: Pose): void {
    const before = this.#pose;
    this.#pose = pose;
    if (this.#view === "ride") this.#placeRide();
    if (!this.#isFollowing) return;
    if (before === null) {
      this.isFollowing = true;
      return;
    }
    const by = new Vector3(...pose.position).sub(new Vector3(...before.position)).setZ(0);
    for (const { camera, controls } of [this.#plan, this.#orbit]) {
      camera.position.add(by);
      controls.target.add(by);
      controls.update();
    }
  }

  #placeRide(): void {
    if (this.#pose === null) return;
    const [x, y, z] = this.#pose.position;
    const front = new Vector3(1, 0, 0).applyQuaternion(new Quaternion(...this.#pose.rotation));
    const level = Math.hypot(front.x, front.y) || 1;
    const [ahead, left] = [front.x / level, front.y / level];
    const back = RIDE.back * this.#rideScale;
    this.#ride.position.set(x - back * ahead, y - back * left, z + RIDE.up * this.#rideScale);
    this.#ride.lookAt(x + RIDE.ahead * ahead, y + RIDE.ahead * left, z);
  }

  /** Fits the view to positions, metres, as close as shows all of them. */
  fit(places: readonly Vector3[]): void {
    const eye = this.#activeEye;
    if (eye === null) {
      this.#rideScale = 1;
      this.#placeRide();
      return;
    }
    eye.isMoved = false;
    eye.isPlaced = true;
    const isPlan = eye === this.#plan;
    const towards = isPlan ? FROM_ABOVE : FROM_ASIDE;
    const right = new Vector3(0, 0, 1).cross(towards).normalize();
    const up = towards.clone().cross(right);
    const [x, y] = [rangeOf(places, right), rangeOf(places, up)];
    const centre = right
      .clone()
      .multiplyScalar((x[0] + x[1]) / 2)
      .addScaledVector(up, (y[0] + y[1]) / 2);
    // Moves the target along the line of sight to the floor, so that the view turns about the point in the middle of the picture.
    centre.addScaledVector(towards, -centre.z / towards.z);
    if (isPlan) this.#fitPlan(centre, x[1] - x[0], y[1] - y[0]);
    else {
      let away = 0;
      for (const place of places) {
        const at = place.clone().sub(centre);
        const across = Math.abs(at.dot(right)) / (TANGENT * this.#aspect);
        const along = Math.abs(at.dot(up)) / TANGENT;
        away = Math.max(away, at.dot(towards) + Math.max(across, along) * BORDER);
      }
      eye.camera.position.copy(centre).addScaledVector(towards, away);
    }
    eye.controls.target.copy(centre);
    eye.controls.update();
  }

  #fitPlan(centre: Vector3, wide: number, high: number): void {
    const plan = this.#plan.camera as OrthographicCamera;
    plan.top = (BORDER / 2) * Math.max(high, wide / this.#aspect, 1);
    plan.bottom = -plan.top;
    plan.left = (-this.#width / this.#height) * plan.top;
    plan.right = -plan.left;
    plan.zoom = 1;
    plan.updateProjectionMatrix();
    plan.position.copy(centre).addScaledVector(FROM_ABOVE, PLAN_EYE);
  }

  /** Zooms. A factor below 1 moves closer. */
  zoom(factor: number): void {
    if (this.#view === "ride") {
      this.#rideScale = Math.min(FARTHEST_RIDE, Math.max(0.4, this.#rideScale * factor));
      this.#placeRide();
      return;
    }
    const { camera, controls } = this.#activeEye!;
    if (camera instanceof OrthographicCamera) {
      camera.zoom /= factor;
      camera.updateProjectionMatrix();
    } else camera.position.sub(controls.target).multiplyScalar(factor).add(controls.target);
    controls.update();
  }

  /** The ray through a point of the canvas, -1 to 1 from left to right and from bottom to top. */
  rayThrough(x: number, y: number): Ray {
    const { camera } = this;
    camera.updateMatrixWorld();
    if (this.#view === "plan") {
      const { x: atX, y: atY } = new Vector3(x, y, 0).unproject(camera);
      return { from: [atX, atY, this.planFrom], along: [0, 0, -1] };
    }
    const along = new Vector3(x, y, 0.5).unproject(camera).sub(camera.position).normalize();
    return { from: camera.position.toArray(), along: along.toArray() };
  }
}

/** Smallest and largest coordinate of positions along a direction. */
function rangeOf(places: readonly Vector3[], along: Vector3): readonly [number, number] {
  let [least, most] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (const place of places) {
    const at = place.dot(along);
    if (at < least) least = at;
    if (at > most) most = at;
  }
  return [least, most];
}
