import { byId, setText } from "./dom.ts";
import { unfoldAll } from "./folds.ts";

/** The browser's storage key: the look was closed once, so it does not open by itself again. */
const CLOSED = "look closed";
/**
 * Windows in which the look does not open by itself, because it would leave too little room: on a desk for the panel above it, elsewhere for
 * state, Keep and the buttons of the map.
 */
const LOW = "(max-height: 560px), (min-width: 1100px) and (max-height: 690px)";

/** A part of the page, and what it is for. */
interface Stop {
  readonly part: string;
  readonly title: string;
  readonly text: string;
  /** Shown only beside a live head, or only while a recording is played. */
  readonly mode?: "live" | "played";
}

const STOPS: readonly Stop[] = [
  {
    part: "#state",
    title: "State, and why",
    text: "What the head sees, how old that is, and what limits the speed. A square marks a stop, a triangle a slow pace.",
  },
  {
    part: "#map-section",
    title: "Map",
    text: "Drag it, zoom with the wheel or two fingers, click it to ask about a place. Bold lines are edges of drops; “Layers and signs” has the rest.",
  },
  {
    part: "#robot > .pair",
    title: "Around the robot",
    text: "The robot from above, front up: free floor in each direction, and what ends it.",
  },
  {
    part: "#time",
    title: "Timeline",
    text: "The last two minutes: pace, stops and other events, and how old the head's answers were.",
    mode: "live",
  },
  {
    part: "#time",
    title: "Timeline",
    text: "The whole recording with its pace and its stops. Click it to go to a moment.",
    mode: "played",
  },
  {
    part: "#keep-section",
    title: "Keep",
    text: "Something went wrong? Keep the last minutes as a recording, and play it later.",
    mode: "live",
  },
  {
    part: "#settings",
    title: "Settings",
    text: "Change one, and the recording runs again with it, beside the results from before. Help opens this look again.",
    mode: "played",
  },
];

/**
 * A short look at what is what on the page: a card that names one part after the other and frames it. It opens by itself in a browser
 * that has not closed it yet, except in a low window. It leaves the focus where it is, and the page can be used meanwhile.
 */
export class GuidedLook {
  readonly #card = byId("look");
  #at = 0;
  #framed: Element | null = null;

  constructor() {
    byId("look-back").addEventListener("click", () => this.#go(this.#at - 1));
    byId("look-next").addEventListener("click", () => this.#go(this.#at + 1));
    byId("look-close").addEventListener("click", () => this.#close());
    this.#card.addEventListener("keydown", (event) => {
      if (event.key !== "Escape") return;
      event.stopPropagation();
      this.#close();
    });
    const help = byId<HTMLDialogElement>("help-dialog");
    help.addEventListener("close", () => {
      if (help.returnValue === "look") this.#openAsAsked();
      help.returnValue = ""; // Escape leaves the value of the time before
    });
    if (localStorage.getItem(CLOSED) === null && !matchMedia(LOW).matches) this.#show(0);
  }

  /** Opens the look for a person who asked for it: with all panels, and with the focus. */
  #openAsAsked(): void {
    unfoldAll();
    this.#go(0);
    byId("look-next").focus();
  }

  /** Follows a change between a live head and a recording, which have different parts. */
  update(): void {
    if (!this.#card.hidden) this.#show(Math.min(this.#at, this.#stops.length - 1));
  }

  get #stops(): readonly Stop[] {
    const shown = document.documentElement.dataset["mode"] ?? "live";
    return STOPS.filter(({ mode }) => mode === undefined || mode === shown);
  }

  /** Shows a stop and scrolls to its part. After the last stop, closes. */
  #go(to: number): void {
    if (to >= this.#stops.length) this.#close();
    else {
      this.#show(to);
      this.#framed?.scrollIntoView({ block: "nearest" });
    }
  }

  #show(at: number): void {
    const stops = this.#stops;
    const { part, title, text } = stops[at]!;
    this.#at = at;
    this.#card.hidden = false;
    document.documentElement.classList.add("is-looking");
    setText("look-title", title);
    setText("look-count", `${at + 1} of ${stops.length}`);
    setText("look-text", text);
    setText("look-next", at === stops.length - 1 ? "Done" : "Next");
    const back = byId<HTMLButtonElement>("look-back");
    // A disabled button takes no keys, so it must not keep the focus.
    if (at === 0 && document.activeElement === back) byId("look-next").focus();
    back.disabled = at === 0;
    this.#frame(document.querySelector(part));
  }

  #close(): void {
    const hadFocus = this.#card.contains(document.activeElement);
    this.#card.hidden = true;
    document.documentElement.classList.remove("is-looking");
    this.#frame(null);
    localStorage.setItem(CLOSED, "true");
    // The focus would be lost with the card.
    if (hadFocus) byId("map-section").focus({ preventScroll: true });
  }

  #frame(part: Element | null): void {
    this.#framed?.classList.remove("is-looked-at");
    part?.classList.add("is-looked-at");
    this.#framed = part;
  }
}
