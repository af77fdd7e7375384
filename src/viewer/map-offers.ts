import type { FromServer } from "../wire/messages.ts";
import { byId, setText } from "./dom.ts";
import type { Ask } from "./worker-messages.ts";

/** Offers of the head about its map, each as a line over the map with a button: confirm the assumed place, begin anew, undo the last clearing. */
export class MapOffers {
  constructor(ask: Ask) {
    for (const action of ["confirm", "undo", "anew"] as const) {
      byId(`map-${action}`).addEventListener("click", () => {
        ask<string>({ kind: "map", action }).then(
          (text) => setText("found", text),
          (error: Error) => setText("found", error.message),
        );
      });
    }
  }

  show({ isAssumed, isSeeking, undoLeft }: FromServer<"pulse">["map"]): void {
    byId("assumed").hidden = !isAssumed;
    byId("sought").hidden = !isSeeking;
    byId("cleared").hidden = undoLeft === null;
    if (undoLeft !== null) setText("undo-left", `${Math.ceil(undoLeft)} s`);
  }

  /** Takes all offers back: the connection is closed, and another head may answer next. */
  hide(): void {
    byId("assumed").hidden = byId("sought").hidden = byId("cleared").hidden = true;
  }
}
