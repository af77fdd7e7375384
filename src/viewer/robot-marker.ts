import { ConeGeometry, DoubleSide, Group, Mesh, MeshBasicMaterial, RingGeometry } from "three";
import type { FromServer } from "../wire/messages.ts";
import type { Theme } from "./theme.ts";

/** The robot on the map: a ring about its place, and a cone whose tip is its front. */
export class RobotMarker {
  readonly object = new Group();
  readonly #material = new MeshBasicMaterial({ side: DoubleSide });

  constructor() {
    const cone = new ConeGeometry(0.14, 0.4, 20);
    cone.rotateZ(-Math.PI / 2); // its tip ahead
    const front = new Mesh(cone, this.#material);
    front.position.z = 0.15;
    const ring = new Mesh(new RingGeometry(0.26, 0.3, 40), this.#material);
    ring.position.z = 0.06;
    this.object.add(front, ring);
    this.object.visible = false;
  }

  paint(theme: Theme): void {
    this.#material.color.set(theme.robot);
  }

  moveTo({ position, rotation }: FromServer<"pose">["worldFromBase"]): void {
    this.object.visible = true;
    this.object.position.set(...position);
    this.object.quaternion.set(...rotation);
  }
}
