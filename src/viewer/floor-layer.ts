import { Mesh, PlaneGeometry } from "three";
import { FOOTING } from "../terms/safety.ts";
import type { MapMaterials } from "./map-materials.ts";
import type { Ground, Ray, Sighting } from "./worker-messages.ts";

/** Metres: height of the sheet above the floor, so that the floor does not cover it. */
const LIFT = 0.01;

/** The state of the floor, drawn on the map's surface and, where there is none, on a sheet. */
export class FloorLayer {
  readonly object: Mesh;
  readonly #materials: MapMaterials;
  #ground: Ground | null = null;
  #isShown = true;
  #isPlan = false;

  constructor(materials: MapMaterials) {
    this.#materials = materials;
    this.object = new Mesh(new PlaneGeometry(1, 1), materials.sheet());
    this.object.visible = false;
  }

  /** Shows the present state of the floor. */
  show(ground: Ground | null): void {
    this.#ground = ground;
    this.#apply();
  }

  set isShown(isShown: boolean) {
    this.#isShown = isShown;
    this.#apply();
  }

  /** Whether the view is the plan, which draws the state of the floor itself. */
  set isPlan(isPlan: boolean) {
    this.#isPlan = isPlan;
    this.#apply();
  }

  #apply(): void {
    const ground = this.#isShown ? this.#ground : null;
    this.object.visible = ground !== null && !this.#isPlan;
    if (ground === null) {
      this.#materials.forgetFooting();
      return;
    }
    const { col, row, width, height, cell, floor, cells } = ground;
    const [wide, high] = [width * cell, height * cell];
    this.#materials.setFooting([col * cell, row * cell, wide, high], cells, width);
    this.object.position.set(col * cell + wide / 2, row * cell + high / 2, floor + LIFT);
    this.object.scale.set(wide, high, 1);
  }

  #codeAt(x: number, y: number): number {
    const ground = this.#ground;
    if (ground === null) return FOOTING.unseen;
    const i = Math.floor(x / ground.cell) - ground.col;
    const j = Math.floor(y / ground.cell) - ground.row;
    if (i < 0 || j < 0 || i >= ground.width || j >= ground.height) return FOOTING.unseen;
    return ground.cells[j * ground.width + i]!;
  }

  /** Whether the floor is gone at a position in the world, metres. */
  isGone(x: number, y: number): boolean {
    return this.#codeAt(x, y) === FOOTING.gone;
  }

  /** The intersection of a ray with the height of the floor; null where the state of the floor is unknown. */
  meet({ from, along }: Ray): Sighting | null {
    if (this.#ground === null) return null;
    const sighting = meetHeight({ from, along }, this.#ground.floor);
    if (sighting === null) return null;
    const [x, y] = sighting.point;
    return this.#codeAt(x, y) === FOOTING.unseen ? null : sighting;
  }
}

/** The intersection of a descending ray with a height, metres; null without one. */
export function meetHeight({ from, along }: Ray, height: number): Sighting | null {
  if (along[2]! >= 0) return null;
  const distance = (height - from[2]!) / along[2]!;
  return { point: from.map((v, k) => v + distance * along[k]!) as [number, number, number], distance };
}
