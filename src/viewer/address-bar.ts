import type { FromServer } from "../wire/messages.ts";
import { hashOf, momentOf } from "./address.ts";
import { VIEWS, type View } from "./views.ts";

/** The page's address in the browser: what it asked for when the page was opened, and what it names now. */
export class AddressBar {
  /** The view that the address asked for; null when it named none. */
  readonly view: View | null;
  /** Microseconds: the moment that it asked for; null when it named none, or once the page goes there. */
  #at: number | null;

  constructor() {
    const { view, at } = momentOf(location.hash);
    this.view = view;
    this.#at = at;
  }

  /** The moment that the address asked for, microseconds; null when it named none, or was taken before. */
  takeMoment(): number | null {
    const at = this.#at;
    this.#at = null;
    return at;
  }

  /** Names the view, and the moment of a recording that stands still. Leaves the address alone while its own moment is still to come. */
  show(view: View, playing: FromServer<"playing"> | null): void {
    if (this.#at !== null) return;
    const at = playing?.goal === null && playing.speed === 0 ? playing.at : null;
    const hash = hashOf({ view: at === null && view === VIEWS[1] ? null : view, at });
    if (location.hash === hash) return;
    history.replaceState(null, "", hash === "" ? location.pathname : hash);
  }
}
