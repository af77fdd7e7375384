import { byId, messageOf, setText } from "./dom.ts";
import { download } from "./download.ts";
import { bytesText, secondsText } from "./text.ts";
import { authorization } from "./token.ts";
import type { Ask } from "./worker-messages.ts";

/** A recording from the pre-trigger ring, as the head lists it. */
interface Kept {
  readonly name: string;
  readonly reasons: readonly string[];
  readonly text: string;
  /** ISO 8601 time by the head's wall clock. */
  readonly at: string;
  readonly seconds: number;
  readonly bytes: number;
}

const NO_FOLDER =
  "This head has no folder to keep recordings in. Set pretrigger.folder in its settings file, and it keeps the last minutes.";
/** The reason that is sent when none was typed. */
const NO_REASON = "no reason given";
const OF_RECORDING = "A live head keeps recordings; this head plays one.";

/** Milliseconds between polls for a requested recording, and the number of polls. */
const LOOK = 3000;
const MOST_LOOKS = 60;

async function get(path: string): Promise<Response> {
  const answer = await fetch(new URL(path, document.baseURI), { headers: authorization() });
  if (!answer.ok) throw new Error((await answer.text()).trim());
  return answer;
}

/** The pre-trigger ring on the page: asks the head to keep the last minutes, and lists the kept recordings for download. */
export class KeptRecordings {
  readonly #ask: Ask;
  readonly #list = byId("kept");
  #isPlayed = false;
  #hasFolder = true;
  /** Number of requests for the list so far. */
  #loads = 0;

  constructor(ask: Ask) {
    this.#ask = ask;
    byId("keep").addEventListener("click", () => this.open());
    const dialog = byId<HTMLDialogElement>("keep-dialog");
    dialog.addEventListener("close", () => {
      const input = byId<HTMLInputElement>("keep-text");
      const text = input.value.trim();
      if (dialog.returnValue !== "ok") return;
      input.value = "";
      this.#keep(text || NO_REASON);
    });
  }

  /** @param isPlayed whether the head plays a recording; then it keeps none */
  setPlayed(isPlayed: boolean): void {
    this.#isPlayed = isPlayed;
    byId("keep").hidden = isPlayed;
    this.#list.hidden = isPlayed;
    this.#say("");
    if (!isPlayed) void this.load();
  }

  /** Opens the dialog for the reason, or shows why nothing can be kept. */
  open(): void {
    if (this.#isPlayed) setText("found", OF_RECORDING);
    else if (!this.#hasFolder) this.#say(NO_FOLDER);
    else byId<HTMLDialogElement>("keep-dialog").showModal();
  }

  #keep(text: string): void {
    this.#ask({ kind: "keep", text }).then(
      () => {
        this.#say("The recording is kept as soon as what follows is in it.");
        this.#await(this.#list.childElementCount, MOST_LOOKS);
      },
      (error: Error) => this.#say(error.message),
    );
  }

  /** Polls the list until a new recording is in it: on a slow link the head's own report may be lost. */
  #await(before: number, looks: number): void {
    if (looks === 0) return;
    setTimeout(() => {
      if (this.#list.childElementCount > before) return;
      void this.load().then(() => this.#await(before, looks - 1));
    }, LOOK);
  }

  /** Loads the list of what the head has kept. */
  async load(): Promise<void> {
    const load = ++this.#loads;
    try {
      const { isOn, kept, trouble } = (await (await get("kept")).json()) as {
        isOn: boolean;
        kept: readonly Kept[];
        trouble: string | null;
      };
      if (load !== this.#loads) return; // a newer request is under way
      this.#hasFolder = isOn;
      this.#show(kept);
      if (!isOn) this.#say(NO_FOLDER);
      else if (trouble !== null) this.#say(trouble);
      else if (kept.length === 0 && load === 1) this.#say("No recording kept yet.");
    } catch (error) {
      this.#say(messageOf(error));
    }
  }

  /** Shows the list, newest first. */
  #show(kept: readonly Kept[]): void {
    // New rows are inserted first and the others stay, so that a keyboard user keeps the position in the list.
    const there = new Map(
      [...this.#list.children].map((row) => [(row as HTMLElement).dataset["name"], row] as const),
    );
    const names = new Set(kept.map(({ name }) => name));
    for (const [name, row] of there) if (!names.has(name ?? "")) row.remove();
    for (const one of kept) if (!there.has(one.name)) this.#list.prepend(this.#rowOf(one));
  }

  #rowOf({ name, reasons, text, at, seconds, bytes }: Kept): HTMLElement {
    const row = document.createElement("li");
    row.dataset["name"] = name;
    const button = document.createElement("button");
    button.type = "button";
    const when = at.slice(0, 19).replace("T", " ");
    const what = `${when}, ${secondsText(1e6 * seconds)}, ${bytesText(bytes)}: ${reasons.join(", ")}, ${text}`;
    button.textContent = what;
    button.title = `Downloads ${name}`;
    button.setAttribute("aria-label", `Download ${what}`);
    button.addEventListener("click", () => void this.#fetch(name));
    row.append(button);
    return row;
  }

  async #fetch(name: string): Promise<void> {
    try {
      this.#say(`Downloading ${name}.`);
      download(await (await get(`kept/${name}`)).blob(), name);
      this.#say(`${name} is downloaded.`);
    } catch (error) {
      this.#say(messageOf(error));
    }
  }

  #say(text: string): void {
    setText("kept-say", text);
  }
}
