import { download } from "./download.ts";
import type { Request } from "./talk.ts";

type Values = Readonly<Record<string, number | string>>;

/** The head's settings, changed while it runs. What the head refuses is said beside the list, in its own words. */
export class SettingsPanel {
  readonly #request: <T>(what: Request) => Promise<T>;
  readonly #changed: (values: Values) => void;
  #values: Values = {};

  constructor(request: <T>(what: Request) => Promise<T>, changed: (values: Values) => void) {
    this.#request = request;
    this.#changed = changed;
    document.getElementById("settings-copy")!.addEventListener("click", () => this.#save());
    for (const [id, action] of [
      ["map-save", "save"],
      ["map-clear", "clear"],
    ] as const) {
      document.getElementById(id)!.addEventListener("click", () => {
        this.#request<string>({ kind: "map", action }).then(
          (text) => this.#say(text),
          (error: Error) => this.#say(error.message),
        );
      });
    }
  }

  async load(): Promise<void> {
    try {
      this.#take(await this.#request<Values>({ kind: "settings" }));
    } catch (error) {
      this.#say(error instanceof Error ? error.message : String(error));
    }
  }

  #say(text: string): void {
    document.getElementById("settings-say")!.textContent = text;
  }

  #take(values: Values): void {
    this.#values = values;
    this.#changed(values);
    const list = document.getElementById("settings-list")!;
    const rows = Object.entries(values).map(([name, value]) => {
      const row = document.createElement("label");
      row.className = "setting";
      const text = document.createElement("span");
      text.textContent = name;
      const input = document.createElement("input");
      input.value = String(value);
      input.name = name;
      if (typeof value === "number") input.inputMode = "decimal";
      input.addEventListener("change", () => void this.#change(name, input));
      row.append(text, input);
      return row;
    });
    list.replaceChildren(...rows);
  }

  async #change(name: string, input: HTMLInputElement): Promise<void> {
    const before = this.#values[name]!;
    const value = typeof before === "number" ? Number(input.value) : input.value;
    try {
      const values = await this.#request<Values>({ kind: "settings", change: { [name]: value } });
      this.#values = values;
      this.#changed(values);
      this.#say(`${name} is now ${values[name]}`);
    } catch (error) {
      input.value = String(before);
      this.#say(error instanceof Error ? error.message : String(error));
    }
  }

  #save(): void {
    const blob = new Blob([`${JSON.stringify({ settings: this.#values }, null, 2)}\n`], {
      type: "application/json",
    });
    download(blob, "settings.json");
  }
}
