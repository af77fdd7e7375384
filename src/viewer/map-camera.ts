import { PerspectiveCamera, Quaternion, Vector3 } from "three";
import { OrbitControls } from "three/addons/controls/OrbitControls.js";
import type { FromServer } from "../wire/messages.ts";
import type { Ray } from "./worker-messages.ts";

type Pose = FromServer<"pose">["worldFromBase"];

export const VIEWS = ["plan", "orbit", "follow"] as const;
export type View = (typeof VIEWS)[number];

export const FIELD_OF_VIEW = 45;
/** Half the height of the picture at distance 1. */
const TANGENT = Math.tan((FIELD_OF_VIEW * Math.PI) / 360);
/** Directions from the map to the eye. The plan is a hair off the vertical, or up would have no direction. */
const FROM_ABOVE = new Vector3(0, -0.001, 1);
const FROM_ASIDE = new Vector3(-0.42, -0.55, 0.72);
/** Room around the map, as a share. */
const BORDER = 1.04;
/** Metres behind and above the robot, and ahead of it, of the view that follows it: it and its way are in the picture. */
const FOLLOW = { back: 2, up: 1.7, ahead: 1.5 } as const;

/** Where the map is looked at from: from above, around it, or behind the robot. */
export class MapCamera {
  readonly camera = new PerspectiveCamera(FIELD_OF_VIEW, 1, 0.05, 500);
  readonly #controls: OrbitControls;
  #view: View = "orbit";
  #pose: Pose | null = null;
  /** A person has turned or moved the view since it was fitted. */
  #isMoved = false;

  /** @param changed called when a person turns or moves the view */
  constructor(canvas: HTMLCanvasElement, changed: () => void) {
    this.camera.up.set(0, 0, 1);
    this.camera.position.set(-4, -4, 5);
    this.#controls = new OrbitControls(this.camera, canvas);
    this.#controls.addEventListener("change", changed);
    this.#controls.addEventListener("start", () => this.hold());
    canvas.addEventListener("keydown", () => this.hold());
    this.#controls.listenToKeyEvents(canvas);
  }

  setView(view: View): void {
    this.#view = view;
    this.#controls.enableRotate = view === "orbit";
    this.#controls.enabled = view !== "follow";
    if (view === "follow") this.#follow();
  }

  get view(): View {
    return this.#view;
  }

  resize(width: number, height: number): void {
    this.camera.aspect = width / height;
    this.camera.updateProjectionMatrix();
  }

  /** The view stays as it is until it is fitted again. */
  hold(): void {
    this.#isMoved = true;
  }

  /** Whether the view may be fitted to a map that grows. */
  get mayRefit(): boolean {
    return !this.#isMoved && this.#view !== "follow";
  }

  /** The robot moved. */
  setPose(pose: Pose): void {
    this.#pose = pose;
    if (this.#view === "follow") this.#follow();
  }

  #follow(): void {
    if (this.#pose === null) return;
    const [x, y, z] = this.#pose.position;
    const front = new Vector3(1, 0, 0).applyQuaternion(new Quaternion(...this.#pose.rotation));
    const level = Math.hypot(front.x, front.y) || 1;
    const [ahead, left] = [front.x / level, front.y / level];
    this.camera.position.set(x - FOLLOW.back * ahead, y - FOLLOW.back * left, z + FOLLOW.up);
    this.camera.lookAt(x + FOLLOW.ahead * ahead, y + FOLLOW.ahead * left, z);
  }

  /** Brings a box into view, metres: from as near as shows all of it. */
  fit(low: Vector3, high: Vector3): void {
    this.#isMoved = false;
    const centre = low.clone().add(high).multiplyScalar(0.5);
    const towards = (this.#view === "plan" ? FROM_ABOVE : FROM_ASIDE).clone().normalize();
    const right = new Vector3(0, 0, 1).cross(towards).normalize();
    const up = towards.clone().cross(right);
    let away = 0;
    for (let corner = 0; corner < 8; corner++) {
      const at = new Vector3(
        (corner & 1 ? high : low).x,
        (corner & 2 ? high : low).y,
        (corner & 4 ? high : low).z,
      ).sub(centre);
      const across = Math.abs(at.dot(right)) / (TANGENT * this.camera.aspect);
      const along = Math.abs(at.dot(up)) / TANGENT;
      away = Math.max(away, at.dot(towards) + Math.max(across, along) * BORDER);
    }
    this.camera.position.copy(centre).addScaledVector(towards, away);
    this.#controls.target.copy(centre);
    this.#controls.update();
  }

  /** Below 1 comes nearer. */
  zoom(factor: number): void {
    const { target } = this.#controls;
    this.camera.position.sub(target).multiplyScalar(factor).add(target);
    this.#controls.update();
  }

  /** The ray through a place on the canvas, -1 to 1 from left to right and from bottom to top. */
  rayThrough(x: number, y: number): Ray {
    this.camera.updateMatrixWorld();
    const along = new Vector3(x, y, 0.5).unproject(this.camera).sub(this.camera.position).normalize();
    return { from: this.camera.position.toArray(), along: along.toArray() };
  }
}
