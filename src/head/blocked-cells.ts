import type { Guard } from "../guard/guard.ts";
import { COLUMN, type LayersView } from "../map/layers.ts";
import type { Ground } from "./ground.ts";

/** Passes on which cells the map has blocked: to the guard, and to the ground in the world. */
export class BlockedCells {
  /** Counts up with each report; receivers discard cached answers when it changes. */
  #revision = 0;

  report(layers: LayersView, ground: Ground, guard: Guard): void {
    const isColumnBlocked = (i: number, j: number) => layers.kindAt(i, j) === COLUMN.blocked;
    const isBlocked = ground.blockedBy(isColumnBlocked);
    this.#revision++;
    ground.footing.setBlocked(isColumnBlocked, this.#revision);
    guard.setBlocked(isBlocked, this.#revision);
  }
}
