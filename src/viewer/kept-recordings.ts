import { download } from "./download.ts";
import { bytesText, secondsText } from "./text.ts";
import { authorization } from "./token.ts";
import type { Request } from "./worker-messages.ts";

/** A stretch that the head has kept, as it lists it. */
interface Kept {
  readonly name: string;
  readonly reasons: readonly string[];
  readonly text: string;
  /** ISO 8601, by the head's wall clock. */
  readonly at: string;
  readonly seconds: number;
  readonly bytes: number;
}

const byId = <T extends HTMLElement>(id: string): T => document.getElementById(id) as T;

const NO_FOLDER =
  "This head keeps nothing: it has no folder to keep in. With pretrigger.folder in its settings it keeps the last minutes.";
const OF_RECORDING = "Stretches are kept by a live head; what is played here is a recording already.";

/** Milliseconds between looks for what was asked to be kept, and how many. */
const LOOK = 3000;
const MOST_LOOKS = 60;

async function get(path: string): Promise<Response> {
  const answer = await fetch(new URL(path, document.baseURI), { headers: authorization() });
  if (!answer.ok) throw new Error((await answer.text()).trim());
  return answer;
}

/** The last minutes as the head recorded them: asking for them to be kept, what was kept, and having one as a file. */
export class KeptList {
  readonly #request: <T>(what: Request) => Promise<T>;
  readonly #list = byId("kept");
  #isPlayed = false;
  #hasFolder = true;
  /** Requests for the list so far. */
  #asked = 0;

  constructor(request: <T>(what: Request) => Promise<T>) {
    this.#request = request;
    byId("keep").addEventListener("click", () => this.ask());
    const dialog = byId<HTMLDialogElement>("keep-dialog");
    dialog.addEventListener("close", () => {
      const input = byId<HTMLInputElement>("keep-text");
      const text = input.value.trim();
      if (dialog.returnValue !== "ok" || text === "") return;
      input.value = "";
      this.#keep(text);
    });
  }

  /** A recording keeps nothing: it is kept already. */
  setPlayed(isPlayed: boolean): void {
    this.#isPlayed = isPlayed;
    byId("keep").hidden = isPlayed;
    this.#list.hidden = isPlayed;
    if (isPlayed) this.#say(OF_RECORDING);
    else {
      this.#say("");
      void this.load();
    }
  }

  /** Asks what it is to be kept for, or says why nothing can be. */
  ask(): void {
    if (this.#isPlayed) this.#say(OF_RECORDING);
    else if (!this.#hasFolder) this.#say(NO_FOLDER);
    else byId<HTMLDialogElement>("keep-dialog").showModal();
  }

  #keep(text: string): void {
    this.#request({ kind: "keep", text }).then(
      () => {
        this.#say("It is kept once what follows is in it, too.");
        this.#await(this.#list.childElementCount, MOST_LOOKS);
      },
      (error: Error) => this.#say(error.message),
    );
  }

  /** The head says when it has kept something; but a note may be lost on a slow link, so the page looks as well. */
  #await(before: number, looks: number): void {
    if (looks === 0) return;
    setTimeout(() => {
      if (this.#list.childElementCount > before) return;
      void this.load().then(() => this.#await(before, looks - 1));
    }, LOOK);
  }

  /** Asks the head for what it has kept; called when it says that something was. */
  async load(): Promise<void> {
    const asked = ++this.#asked;
    try {
      const { isOn, kept, trouble } = (await (await get("kept")).json()) as {
        isOn: boolean;
        kept: readonly Kept[];
        trouble: string | null;
      };
      if (asked !== this.#asked) return; // a later answer tells more
      this.#hasFolder = isOn;
      this.#show(kept);
      if (!isOn) this.#say(NO_FOLDER);
      else if (trouble !== null) this.#say(trouble);
      else if (kept.length === 0 && asked === 1) this.#say("Nothing was kept yet.");
    } catch (error) {
      this.#say(error instanceof Error ? error.message : String(error));
    }
  }

  /** Newest first. */
  #show(kept: readonly Kept[]): void {
    // A list that somebody walks through by keys is not pulled from under them: what is new comes before, the rest stays.
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
    button.title = what;
    button.setAttribute("aria-label", `Download ${what}`);
    button.addEventListener("click", () => void this.#fetch(name));
    row.append(button);
    return row;
  }

  async #fetch(name: string): Promise<void> {
    try {
      this.#say(`${name} is on its way.`);
      download(await (await get(`kept/${name}`)).blob(), name);
      this.#say(`${name} is here.`);
    } catch (error) {
      this.#say(error instanceof Error ? error.message : String(error));
    }
  }

  #say(text: string): void {
    byId("kept-say").textContent = text;
  }
}
