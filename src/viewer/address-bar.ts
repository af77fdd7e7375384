import type { FromServer } from "../wire/messages.ts";
import { hashOf, momentOf } from "./address.ts";
import { VIEWS, type View } from "./views.ts";

/** The page's address in the browser: the view and moment that it had when the page was opened, and the present ones. */
export class AddressBar {
  /** The view in the opened address; null without one. */
  readonly view: View | null;
  /** Microseconds: the moment in the opened address; null without one, or once it was taken. */
  #at: number | null;

  constructor() {
    const { view, at } = momentOf(location.hash);
    this.view = view;
    this.#at = at;
  }

  /** Returns the moment in the opened address once, microseconds; null without one, or when it was taken before. */
  takeMoment(): number | null {
    const at = this.#at;
    this.#at = null;
    return at;
  }

  /** Writes the view, and the moment of a paused recording, to the address; not before the address's own moment was taken. */
  show(view: View, playing: FromServer<"playing"> | null): void {
    if (this.#at !== null) return;
    const at = playing?.goal === null && playing.speed === 0 ? playing.at : null;
    const hash = hashOf({ view: at === null && view === VIEWS[1] ? null : view, at });
    if (location.hash === hash) return;
    history.replaceState(null, "", hash === "" ? location.pathname : hash);
  }
}
