import type { Guard } from "../guard/guard.ts";
import { COLUMN, type LayersView } from "../map/layers.ts";
import type { Ground } from "./ground.ts";

/** Tells the guard, and the ground in the world, in which cells the map has something in the body's way. */
export class BlockedCells {
  /** Counts up with each report: the receivers look at a cell again when it has changed. */
  #revision = 0;

  report(layers: LayersView, ground: Ground, guard: Guard): void {
    const isColumnBlocked = (i: number, j: number) => layers.kindAt(i, j) === COLUMN.blocked;
    const isBlocked = ground.blockedBy(isColumnBlocked);
    this.#revision++;
    ground.footing.setBlocked(isColumnBlocked, this.#revision);
    guard.setBlocked(isBlocked, this.#revision);
  }
}
