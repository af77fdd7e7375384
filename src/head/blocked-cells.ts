import type { Guard } from "../guard/guard.ts";
import type { KeepOut } from "../guard/keep-out.ts";
import { COLUMN, type LayersView } from "../map/layers.ts";
import type { Ground } from "./ground.ts";

/** Passes on which cells the map has blocked, and which lie in closed areas: to the guard, and to the ground in the world. */
export class BlockedCells {
  /** Counts up with each report; receivers discard cached answers when it changes. */
  #revision = 0;

  report(layers: LayersView, keepOut: KeepOut, ground: Ground, guard: Guard): void {
    const isColumnBlocked = (i: number, j: number) => layers.kindAt(i, j) === COLUMN.blocked;
    const hasAreas = keepOut.areas.length > 0;
    const areaAt = (i: number, j: number) => keepOut.at(i, j);
    const [isBlocked, keptOutBy] = ground.fromMap(isColumnBlocked, areaAt);
    this.#revision++;
    ground.footing.setBlocked(isColumnBlocked, this.#revision, hasAreas ? areaAt : null);
    guard.setBlocked(isBlocked, this.#revision, hasAreas ? keptOutBy : null);
  }
}
