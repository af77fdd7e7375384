import type { SettingRow } from "../wire/messages.ts";
import { byId, messageOf, setText } from "./dom.ts";
import { download } from "./download.ts";
import { RefusedError } from "./head-link.ts";
import { authorization } from "./token.ts";
import type { Ask } from "./worker-messages.ts";

/** Files of the map that the head makes. */
const MAP_FILES = ["ply", "npy", "svg", "png", "json"] as const;

type Values = Readonly<Record<string, number | string>>;
type Rows = Readonly<Record<string, SettingRow>>;

/** The head's settings, changed while it runs. A refusal is shown above the list and at the setting, in the head's own words. */
export class SettingsDialog {
  readonly #ask: Ask;
  readonly #changed: (values: Values) => void;
  #values: Values = {};
  #rows: Rows = {};

  /** @param changed gets all settings, after loading and after each change */
  constructor(ask: Ask, changed: (values: Values) => void) {
    this.#ask = ask;
    this.#changed = changed;
    byId("settings-copy").addEventListener("click", () => this.#save());
    for (const kind of MAP_FILES) {
      byId(`map-${kind}`).addEventListener("click", () => void this.#saveMap(kind));
    }
    byId("map-save").addEventListener("click", () => this.#askMap("save"));
    const clear = byId<HTMLDialogElement>("clear-dialog");
    byId("map-clear").addEventListener("click", () => clear.showModal());
    clear.addEventListener("close", () => {
      if (clear.returnValue === "ok") this.#askMap("clear", () => this.#showMap());
      clear.returnValue = "";
    });
    for (const id of ["settings-search", "settings-changed"]) {
      byId(id).addEventListener("input", () => this.#filter());
    }
    byId("settings-dialog").addEventListener("keydown", (event) => {
      // Enter in a field submits the value. It must not close the dialog, which would hide a refusal.
      if (event.key !== "Enter" || !(event.target instanceof HTMLInputElement)) return;
      event.preventDefault();
      event.target.dispatchEvent(new Event("change"));
    });
  }

  #askMap(action: "save" | "clear", done = (): void => {}): void {
    this.#ask<string>({ kind: "map", action }).then(
      (text) => {
        this.say(text);
        done();
      },
      (error: Error) => this.say(error.message),
    );
  }

  /** Makes way for the map, which has the offer to bring it back. On a phone the map may be scrolled away. */
  #showMap(): void {
    byId<HTMLDialogElement>("settings-dialog").close();
    byId("map-section").scrollIntoView();
  }

  /** Shows the settings whose names or texts contain the search words; with the tick box, only changed ones. */
  #filter(): void {
    const words = byId<HTMLInputElement>("settings-search").value.toLowerCase().split(/\s+/).filter(Boolean);
    const isChangedOnly = byId<HTMLInputElement>("settings-changed").checked;
    for (const group of byId("settings-list").querySelectorAll("fieldset")) {
      let any = false;
      for (const row of group.querySelectorAll<HTMLElement>(".setting")) {
        const text =
          `${row.textContent} ${row.querySelector<HTMLInputElement>("[name]")?.name}`.toLowerCase();
        const isChanged = row.classList.contains("is-changed");
        row.hidden = !words.every((word) => text.includes(word)) || (isChangedOnly && !isChanged);
        any ||= !row.hidden;
      }
      group.hidden = !any;
    }
  }

  /** Asks the head for all settings as they are now. Rejects with its refusal. */
  async latest(): Promise<Values> {
    const { values, rows } = await this.#ask<{ values: Values; rows: Rows }>({
      kind: "explain settings",
    });
    this.#rows = rows;
    this.#take(values);
    return values;
  }

  /** Changes settings from elsewhere on the page. @param question asks the person about a change that makes the robot stop later */
  async change(change: Values, question: string): Promise<void> {
    this.#take(await this.#request(change, question));
  }

  /** Takes a change by another client, unless a person has the settings open. */
  changedElsewhere(): void {
    if (!byId<HTMLDialogElement>("settings-dialog").open) void this.load();
  }

  async load(): Promise<void> {
    try {
      await this.latest();
    } catch (error) {
      this.say(messageOf(error));
    }
  }

  show(): void {
    byId<HTMLDialogElement>("settings-dialog").showModal();
    document.querySelector<HTMLElement>("#settings-list :is(input, select)")?.focus();
  }

  say(text: string): void {
    setText("settings-say", text);
  }

  #take(values: Values): void {
    this.#values = values;
    this.#changed(values);
    const groups = new Map<string, HTMLElement>();
    for (const [name, value] of Object.entries(values)) {
      const [group = "", short = name] = name.split(".");
      let fields = groups.get(group);
      if (fields === undefined) {
        fields = document.createElement("fieldset");
        const legend = document.createElement("legend");
        legend.textContent = group;
        fields.append(legend);
        groups.set(group, fields);
      }
      fields.append(this.#row(name, short, value, this.#rows[name]));
    }
    byId("settings-list").replaceChildren(...groups.values());
    this.#filter();
  }

  #row(name: string, short: string, value: number | string, row: SettingRow | undefined): HTMLElement {
    const label = document.createElement("label");
    label.className = "setting";
    const text = document.createElement("span");
    text.textContent =
      row?.unit === undefined || row.unit === "" ? plainName(short) : `${plainName(short)}, ${row.unit}`;
    const id = document.createElement("code");
    id.textContent = ` ${name}`;
    text.append(id);
    const input = row?.choices === undefined ? document.createElement("input") : selectOf(row.choices);
    if (input instanceof HTMLInputElement && typeof value === "number") {
      input.type = "number";
      input.step = row?.type === "integer" ? "1" : "any";
      if (row?.min !== undefined) input.min = String(row.min);
      if (row?.max !== undefined) input.max = String(row.max);
    }
    input.value = String(value);
    input.name = name;
    const note = document.createElement("small");
    const explain = (now: number | string) => {
      note.textContent = row === undefined ? "" : explained(row, now);
      input.title = note.textContent;
      label.classList.toggle("is-changed", row !== undefined && now !== row.default);
    };
    explain(value);
    const refused = document.createElement("small");
    refused.className = "refused";
    input.addEventListener("change", () => {
      refused.textContent = "";
      this.#change(name, input)
        .catch((error: unknown) => {
          refused.textContent = messageOf(error);
          // The line above the list makes the list shorter.
          label.scrollIntoView({ block: "nearest" });
          return this.#values[name]!;
        })
        .then(explain);
    });
    label.append(text, input, refused, note);
    return label;
  }

  /** Sends an entered value. @returns the value that is valid afterwards. Rejects with the head's refusal, after it is shown above the list */
  async #change(name: string, input: HTMLInputElement | HTMLSelectElement): Promise<number | string> {
    const before = this.#values[name]!;
    const value = typeof before === "number" ? Number(input.value) : input.value;
    try {
      const values = await this.#request({ [name]: value });
      this.#values = values;
      this.#changed(values);
      this.say(`${name} is now ${values[name]}`);
    } catch (error) {
      input.value = String(before);
      this.say(messageOf(error));
      throw error;
    }
    return this.#values[name]!;
  }

  /** Changes settings. The head asks for confirmation of a change that makes the robot stop later, and the page asks the person. */
  async #request(change: Values, question?: string): Promise<Values> {
    try {
      return await this.#ask<Values>({ kind: "settings", change });
    } catch (error) {
      const isAskedBack = error instanceof RefusedError && error.code === "confirm";
      if (!isAskedBack) throw error;
      const asked = question ?? `${error.message.split(";")[0]}.`;
      if (!window.confirm(`${asked} Change it all the same?`)) throw error;
      return this.#ask<Values>({ kind: "settings", change, confirm: true });
    }
  }

  /** Downloads the head's map as a file. */
  async #saveMap(kind: (typeof MAP_FILES)[number]): Promise<void> {
    try {
      const answer = await fetch(new URL(`map.${kind}`, document.baseURI), { headers: authorization() });
      if (!answer.ok) throw new Error((await answer.text()).trim());
      download(await answer.blob(), `map.${kind}`);
    } catch (error) {
      this.say(messageOf(error));
    }
  }

  #save(): void {
    const blob = new Blob([`${JSON.stringify({ settings: this.#values }, null, 2)}\n`], {
      type: "application/json",
    });
    download(blob, "settings.json");
  }
}

/** "groundClearance" as "ground clearance". */
const plainName = (short: string): string => short.replace(/[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`);

function selectOf(choices: readonly string[]): HTMLSelectElement {
  const select = document.createElement("select");
  for (const choice of choices) select.append(new Option(choice));
  return select;
}

/** The help text of a setting, with its bounds, and its default if it was changed. */
function explained({ help, min, max, unit, default: usual }: SettingRow, now: number | string): string {
  const bounds = min === undefined || max === undefined ? "" : `; ${min} to ${max}${unit ? ` ${unit}` : ""}`;
  return `${help}${bounds}${now === usual ? "" : `; default ${usual}`}`;
}
