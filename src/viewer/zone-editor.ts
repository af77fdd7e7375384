import { joinAreas, splitAreas, type WrittenArea } from "../terms/areas.ts";
import { areaOf } from "../terms/polygon.ts";
import type { ClosedArea } from "./area-layer.ts";
import { outlineOf } from "./body.ts";
import type { CornerHandles } from "./corner-handles.ts";
import { byId, messageOf, setText } from "./dom.ts";
import { RefusedError } from "./head-link.ts";
import type { PlaceTaker } from "./map-picker.ts";
import { areaText } from "./measuring.ts";
import { OutlineDraft } from "./outline-draft.ts";

type Values = Readonly<Record<string, number | string>>;

/** The head's settings, of which the areas are a part. */
export interface SettingsAccess {
  /** Asks the head for all settings as they are now. */
  latest(): Promise<Values>;
  /** Changes settings. @param question asks the person about a change that loosens a stop */
  change(change: Values, question: string): Promise<void>;
}

export interface ZoneEditorParts {
  readonly settings: SettingsAccess;
  readonly handles: CornerHandles;
  /** Shows the areas, and the outline that is being drawn. */
  readonly show: (areas: readonly ClosedArea[], draft: OutlineDraft | null) => void;
  /** Prepares the map for drawing. */
  readonly begin: () => void;
}

const SETTING = "guard.keepOut";
const areasIn = (values: Values): readonly WrittenArea[] => splitAreas(String(values[SETTING] ?? ""));
const isSame = (one: WrittenArea, other: WrittenArea): boolean =>
  one.name === other.name && one.corners.trim() === other.corners.trim();

/** Areas that are closed to the robot: drawn, changed, renamed and deleted on the map of a live head. */
export class ZoneEditor implements PlaceTaker {
  readonly isOnFloor = true;
  readonly #parts: ZoneEditorParts;
  #areas: readonly WrittenArea[] = [];
  /** The outline being drawn, and the area that it changes; null: a new one. */
  #draft: { readonly outline: OutlineDraft; readonly was: WrittenArea | null } | null = null;
  readonly #form = byId<HTMLFormElement>("zone-form");
  readonly #name = byId<HTMLInputElement>("zone-name");
  readonly #save = byId<HTMLButtonElement>("zone-save");

  constructor(parts: ZoneEditorParts) {
    this.#parts = parts;
    parts.handles.onChange = () => this.#tell();
    parts.handles.onClose = () => this.#close();
    this.#form.addEventListener("submit", (event) => {
      event.preventDefault();
      void this.#finish();
    });
    this.#form.addEventListener("keydown", ({ key }) => {
      if (key === "Escape") this.#leave();
    });
    byId("corner-handles").addEventListener("keydown", ({ key }) => {
      if (key === "Escape") this.#leave();
    });
    byId("zone-draw").addEventListener("click", () => this.#begin(null));
    byId("zone-undo").addEventListener("click", () => this.#undo());
    byId("zone-cancel").addEventListener("click", () => this.#endDraft("zone-draw"));
    byId("zone-end").addEventListener("click", () => this.end());
  }

  /** Whether an outline is being drawn, so that clicks on the map are its corners. */
  get isDrawing(): boolean {
    return this.#draft !== null && !this.#draft.outline.isClosed;
  }

  get #isOpen(): boolean {
    return !this.#form.hidden;
  }

  /** Takes all settings of the head. */
  take(values: Values): void {
    this.#areas = areasIn(values);
    this.#list();
    this.#draw();
  }

  toggle(): void {
    if (this.#isOpen) {
      this.end();
      return;
    }
    this.#form.hidden = false;
    this.#press();
    this.#say("");
    byId("zone-draw").focus();
  }

  /** Closes the panel, without a change of what is not saved. */
  end(): void {
    if (!this.#isOpen) return;
    this.#form.hidden = true;
    this.#endDraft("zones");
  }

  corner([x = 0, y = 0]: readonly number[]): void {
    this.#draft?.outline.add([x, y]);
    this.#tell();
  }

  key(key: string): boolean {
    if (!this.#isOpen) return false;
    if (key === "Escape") this.#leave();
    else if (this.#draft === null) return false;
    else if (key === "Enter") this.#close();
    else if (key === "Backspace") this.#undo();
    else return false;
    return true;
  }

  /** Leaves the drawing; without one, the panel. */
  #leave(): void {
    if (this.#draft === null) this.end();
    else this.#endDraft("zone-draw");
  }

  /** @param was the area to change; null: a new one is drawn */
  #begin(was: WrittenArea | null): void {
    this.#parts.begin();
    this.#draft = { outline: new OutlineDraft(was === null ? [] : outlineOf(was.corners)), was };
    this.#name.value = was?.name ?? this.#freeName();
    this.#press();
    this.#tell();
    this.#draw();
    if (was !== null) this.#name.focus();
    else byId("map").focus();
  }

  #freeName(): string {
    let n = this.#areas.length + 1;
    while (this.#areas.some(({ name }) => name === `area ${n}`)) n++;
    return `area ${n}`;
  }

  #close(): void {
    const outline = this.#draft?.outline;
    if (outline === undefined) return;
    if (!outline.isClosed && !outline.close()) {
      this.#say(outline.trouble ?? "");
      return;
    }
    this.#tell();
    this.#name.focus();
    this.#name.select();
  }

  #undo(): void {
    const outline = this.#draft?.outline;
    if (outline === undefined || outline.corners.length === 0) return;
    outline.remove(outline.corners.length - 1);
    this.#tell();
  }

  /** @param next id of the element that gets the focus */
  #endDraft(next: string): void {
    this.#draft = null;
    this.#parts.handles.show(null);
    this.#press();
    this.#say("");
    this.#draw();
    byId(next).focus();
  }

  async #finish(): Promise<void> {
    if (this.#draft === null) return;
    const { outline, was } = this.#draft;
    const name = this.#name.value.trim();
    const trouble =
      outline.trouble ??
      (name === "" ? "Give it a name." : name.includes(";") ? "A name cannot contain a semicolon." : null);
    if (trouble !== null) {
      this.#say(trouble, true);
      return;
    }
    const isMoved = was === null || String(outlineOf(was.corners)) !== String(outline.corners);
    const corners = isMoved ? outline.corners.map((corner) => corner.join(",")).join(" ") : was.corners;
    const isDone = await this.#write(
      was,
      { name, corners },
      `The robot may then drive where "${name}" was closed.`,
    );
    if (isDone) this.#endDraft("zone-draw");
    if (isDone)
      this.#say(
        `"${name}" is closed to the robot until the head restarts. To keep it, save the settings as a file.`,
      );
  }

  async #delete(area: WrittenArea): Promise<void> {
    const isDone = await this.#write(area, null, `The robot may then drive where "${area.name}" was closed.`);
    if (!isDone) return;
    this.#say(`"${area.name}" is deleted: the robot may drive there.`);
    byId("zone-draw").focus();
  }

  /**
   * Puts one area in place of another in the settings of the head, of which other clients may have changed some meanwhile.
   * @param was null: `now` is new
   * @param now null: `was` is deleted
   * @returns whether the head has taken it; if not, the panel says why
   */
  async #write(was: WrittenArea | null, now: WrittenArea | null, question: string): Promise<boolean> {
    const { settings } = this.#parts;
    this.#save.disabled = true;
    try {
      const areas = areasIn(await settings.latest());
      const at = was === null ? areas.length : areas.findIndex((area) => isSame(area, was));
      if (at < 0)
        throw new Error(`"${was?.name}" was changed or deleted meanwhile. The list shows what holds now.`);
      const text = joinAreas(areas.toSpliced(at, 1, ...(now === null ? [] : [now])));
      await settings.change({ [SETTING]: text }, question);
      return true;
    } catch (error) {
      const isUnconfirmed = error instanceof RefusedError && error.code === "confirm";
      this.#say(isUnconfirmed ? "Nothing was changed." : messageOf(error), true);
      return false;
    } finally {
      this.#save.disabled = false;
    }
  }

  #press(): void {
    const isDrafting = this.#draft !== null;
    byId("zones").setAttribute("aria-pressed", String(this.#isOpen));
    document.documentElement.classList.toggle("is-zoning", this.#isOpen);
    byId("zone-draft").hidden = !isDrafting;
    byId("zone-all").hidden = isDrafting;
  }

  /** Shows the progress of the drawing, and the next step. */
  #tell(): void {
    const outline = this.#draft?.outline;
    if (outline === undefined) return;
    document.documentElement.classList.toggle("is-drawing", this.isDrawing);
    this.#say(outline.text, outline.corners.length > 2 && outline.trouble !== null);
    this.#parts.handles.show(outline);
    this.#draw();
  }

  #say(text: string, isBad = false): void {
    byId("zone-say").classList.toggle("is-bad", isBad);
    setText("zone-say", text);
  }

  #list(): void {
    const rows = this.#areas.map((area) => {
      const row = document.createElement("li");
      const text = document.createElement("span");
      const name = document.createElement("b");
      name.textContent = area.name;
      text.append(name, `: ${areaText(areaOf(outlineOf(area.corners)))}`);
      const of = (word: string, title: string, run: () => void): HTMLButtonElement => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = word;
        button.title = title;
        button.setAttribute("aria-label", `${word} ${area.name}`);
        button.addEventListener("click", run);
        return button;
      };
      row.append(
        text,
        of("Change", "Moves its corners, or renames it", () => this.#begin(area)),
        of("Delete", "Opens it to the robot; it asks first", () => void this.#delete(area)),
      );
      return row;
    });
    byId("zone-list").replaceChildren(...rows);
  }

  #draw(): void {
    const was = this.#draft?.was ?? null;
    document.documentElement.classList.toggle("is-drawing", this.isDrawing);
    const areas = this.#areas
      .filter((area) => was === null || !isSame(area, was))
      .map(({ name, corners }) => ({ name, outline: outlineOf(corners) }))
      .filter(({ outline }) => outline.length > 0);
    this.#parts.show(areas, this.#draft?.outline ?? null);
  }
}
