import type { FromServer } from "../wire/messages.ts";
import { byId } from "./dom.ts";
import { signOf } from "./event-signs.ts";
import { secondsText } from "./text.ts";

type Moments = FromServer<"recording">["moments"];

/** Microseconds: the frame of an event may begin this long before it. */
const SAME_MOMENT = 50_000;

/** The events of a recording as a list. A button for each kind shows its count, and shows or hides its events. */
export class EventList {
  readonly #seek: (to: number) => void;
  readonly #filtered: () => void;
  readonly #list = byId("events");
  readonly #kinds = byId("event-kinds");
  readonly #hidden = new Set<string>();
  #moments: Moments = [];
  #shown: Moments = [];
  #current = -1;
  #at = 0;

  /**
   * @param seek     is given the time of an event that was chosen, microseconds
   * @param filtered called when a kind was shown or hidden
   */
  constructor(seek: (to: number) => void, filtered: () => void) {
    this.#seek = seek;
    this.#filtered = filtered;
  }

  /** The events of the shown kinds, in order of time. */
  get shown(): Moments {
    return this.#shown;
  }

  show(moments: Moments): void {
    this.#moments = moments;
    this.#showKinds();
    this.#filter();
  }

  #filter(): void {
    const shown = this.#moments.filter(({ what }) => !this.#hidden.has(what));
    const isSame =
      shown.length === this.#shown.length &&
      shown.every(({ at, text }, n) => at === this.#shown[n]!.at && text === this.#shown[n]!.text);
    this.#shown = shown;
    // A list that has the focus is not replaced: a keyboard user would lose the position in it.
    if (isSame || this.#list.contains(document.activeElement)) return;
    this.#list.replaceChildren(...shown.map((one) => this.#rowOf(one)));
    this.#current = -1;
    this.markUpTo(this.#at);
  }

  /** Makes a button for each kind in the recording. */
  #showKinds(): void {
    const counts = new Map<string, number>();
    for (const { what } of this.#moments) counts.set(what, (counts.get(what) ?? 0) + 1);
    const said = JSON.stringify([...counts]);
    if (this.#kinds.dataset["counts"] === said) return;
    this.#kinds.dataset["counts"] = said;
    this.#kinds.replaceChildren(
      ...[...counts].map(([what, count]) => {
        const { sign, name } = signOf(what);
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = `${sign} ${name} ${count}`;
        button.title = "Shows or hides events of this kind";
        button.setAttribute("aria-pressed", String(!this.#hidden.has(what)));
        button.addEventListener("click", () => this.#toggle(what, button));
        return button;
      }),
    );
  }

  #toggle(what: string, button: HTMLElement): void {
    if (!this.#hidden.delete(what)) this.#hidden.add(what);
    button.setAttribute("aria-pressed", String(!this.#hidden.has(what)));
    this.#filter();
    this.#filtered();
  }

  #rowOf({ at, what, text }: Moments[number]): HTMLElement {
    const row = document.createElement("li");
    const button = document.createElement("button");
    button.type = "button";
    const { sign, name } = signOf(what);
    button.textContent = `${sign} ${secondsText(at)} ${name}: ${text}`;
    button.title = "Goes to this moment of the recording";
    button.addEventListener("click", () => this.#seek(at));
    row.append(button);
    return row;
  }

  /** Marks the newest event up to a time as the current one, and brings it into view. */
  markUpTo(at: number): void {
    this.#at = at;
    let current = this.#shown.length - 1;
    while (current >= 0 && this.#shown[current]!.at > at + SAME_MOMENT) current--;
    if (current === this.#current) return;
    const rows = this.#list.children;
    rows[this.#current]?.firstElementChild?.removeAttribute("aria-current");
    this.#current = current;
    const button = rows[current]?.firstElementChild;
    button?.setAttribute("aria-current", "true");
    // Scrolls the list only, and not the page.
    const row = rows[current] as HTMLElement | undefined;
    if (row === undefined || this.#list.scrollHeight <= this.#list.clientHeight) return;
    const top = row.offsetTop - this.#list.offsetTop;
    this.#list.scrollTop = top - this.#list.clientHeight / 2;
  }
}
