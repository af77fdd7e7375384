import { BufferAttribute, BufferGeometry, Points, PointsMaterial, Quaternion, Vector3 } from "three";
import type { FromServer } from "../wire/messages.ts";
import type { Theme } from "./theme.ts";
import { rayOf } from "./view-wedge.ts";
import type { UnpackedImage } from "./worker-messages.ts";

type Setup = FromServer<"welcome">["setup"];
type Pose = FromServer<"pose">["worldFromBase"];

/** Poses that are kept to find the one of an image: about two seconds. */
const POSES = 60;
/** Pixels of the page: size of a point. */
const POINT = 3;

/** The used pixels of the newest depth image as points in the world, each at the pose of its frame. */
export class FrameCloud {
  readonly object: Points<BufferGeometry, PointsMaterial>;
  setup: Setup | null = null;
  #poses: { readonly time: number; readonly pose: Pose }[] = [];
  #image: UnpackedImage | null = null;

  constructor() {
    this.object = new Points(
      new BufferGeometry(),
      new PointsMaterial({ size: POINT, sizeAttenuation: false }),
    );
    this.object.frustumCulled = false;
    this.object.visible = false;
  }

  paint(theme: Theme): void {
    this.object.material.color.set(theme.robot);
  }

  addPose(time: number, pose: Pose): void {
    // A recording that goes back begins again.
    if (time < (this.#poses.at(-1)?.time ?? 0)) this.#poses = [];
    this.#poses.push({ time, pose });
    if (this.#poses.length > POSES) this.#poses.shift();
    // A frame that waits for its pose is shown once it has one.
    if (this.#image !== null && this.#image.time <= time) this.show(this.#image);
  }

  /** Shows an image, or waits for its pose. */
  show(image: UnpackedImage | null): void {
    this.#image = image;
    const newest = this.#poses.at(-1);
    if (image === null) {
      this.#set(new Float32Array(0));
      return;
    }
    if (newest === undefined || newest.time < image.time || !this.object.visible) return;
    this.#image = null;
    const at = this.#poses.reduce((best, one) =>
      Math.abs(one.time - image.time) < Math.abs(best.time - image.time) ? one : best,
    );
    const sensor = this.setup?.sensors.find(({ name }) => name === image.sensor);
    if (sensor === undefined || this.setup === null) return;
    this.#set(pointsOf(image, sensor, { baseFromHead: this.setup.baseFromHead, worldFromBase: at.pose }));
  }

  #set(points: Float32Array): void {
    this.object.geometry.dispose();
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(points, 3));
    this.object.geometry = geometry;
  }
}

/** The used pixels of an image in the world, metres: x, y, z of each. */
export function pointsOf(
  { width, height, unit, depth, reason }: UnpackedImage,
  { optics, mount }: Setup["sensors"][number],
  { baseFromHead, worldFromBase }: { readonly baseFromHead: Pose; readonly worldFromBase: Pose },
): Float32Array {
  const chain = mount.on === "head" ? [mount.pose, baseFromHead, worldFromBase] : [mount.pose, worldFromBase];
  const turn = new Quaternion();
  const eye = new Vector3();
  for (const { rotation, position } of chain) {
    const own = new Quaternion(...rotation);
    eye.applyQuaternion(own).add(new Vector3(...position));
    turn.premultiply(own);
  }
  if (optics.model === "scan") return new Float32Array(0);
  // The image may have every n-th pixel of the sensor's.
  const by = Math.max(1, Math.floor(optics.width / width));
  const points = new Float32Array(3 * width * height);
  const point = new Vector3();
  let used = 0;
  for (let v = 0, n = 0; v < height; v++) {
    for (let u = 0; u < width; u++, n++) {
      if (reason[n] !== 0 || depth[n] === 0) continue;
      point.copy(rayOf(optics, u * by, v * by));
      point
        .multiplyScalar((depth[n]! * unit) / point.z)
        .applyQuaternion(turn)
        .add(eye);
      point.toArray(points, used);
      used += 3;
    }
  }
  return points.slice(0, used);
}
