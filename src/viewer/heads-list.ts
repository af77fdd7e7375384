import { byId } from "./dom.ts";
import { authorization } from "./token.ts";

/** Milliseconds between two loads of the list while its panel is open. */
const LOAD_EVERY = 10_000;

interface FoundHead {
  readonly name: string;
  readonly url: string;
}

/** Other heads on the network, as links that open in tabs of their own. Shown only where the head searches for them. */
export class HeadsList {
  readonly #panel = byId<HTMLDetailsElement>("head-box");
  readonly #list = byId("heads");
  #listed = "";

  constructor() {
    this.#panel.addEventListener("toggle", () => void this.load());
    setInterval(() => {
      if (this.#panel.open && !document.hidden) void this.load();
    }, LOAD_EVERY);
  }

  async load(): Promise<void> {
    const answer = await fetch(new URL("heads", document.baseURI), { headers: authorization() }).catch(
      () => null,
    );
    // The state line tells that the head is gone or wants a token.
    if (answer === null || !answer.ok) return;
    const { isOn, heads } = (await answer.json()) as { isOn: boolean; heads: readonly FoundHead[] };
    byId("heads-box").hidden = !isOn;
    byId("heads-none").hidden = heads.length > 0;
    const said = JSON.stringify(heads);
    if (said === this.#listed) return;
    this.#listed = said;
    this.#list.replaceChildren(...heads.map(rowOf));
  }
}

function rowOf({ name, url }: FoundHead): HTMLElement {
  const link = document.createElement("a");
  link.href = url;
  link.target = "_blank";
  link.rel = "noopener noreferrer";
  link.textContent = `${name}, ${new URL(url).host}`;
  link.title = "Opens the page of this head in a tab of its own";
  const row = document.createElement("li");
  row.append(link);
  return row;
}
