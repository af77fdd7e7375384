import { joinZones, splitAreas, splitZones, type WrittenZone } from "../terms/areas.ts";
import { areaOf } from "../terms/polygon.ts";
import type { ShownZone } from "./area-layer.ts";
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
  /** Shows the zones, and the outline that is being drawn. */
  readonly show: (zones: readonly ShownZone[], draft: OutlineDraft | null) => void;
  /** Prepares the map for drawing. */
  readonly begin: () => void;
}

const CLOSED = "guard.keepOut";
const SLOW = "guard.slowIn";

/** Closed areas, without a speed, and then slow zones. */
const zonesIn = (values: Values): readonly WrittenZone[] => [
  ...splitAreas(String(values[CLOSED] ?? "")).map((area) => ({ ...area, speed: null })),
  ...splitZones(String(values[SLOW] ?? "")),
];
const settingOf = ({ speed }: WrittenZone): string => (speed === null ? CLOSED : SLOW);
const isSame = (one: WrittenZone, other: WrittenZone): boolean =>
  one.name === other.name && one.speed === other.speed && one.corners.trim() === other.corners.trim();

/** What a person is asked before less is closed or slow. */
const questionOf = ({ name, speed }: WrittenZone): string =>
  speed === null
    ? `The robot may then drive where "${name}" was closed.`
    : `The robot may then drive faster where "${name}" was slow.`;

/** Closed areas and slow zones: drawn, changed, renamed and deleted on the map of a live head. */
export class ZoneEditor implements PlaceTaker {
  readonly isOnFloor = true;
  readonly #parts: ZoneEditorParts;
  #zones: readonly WrittenZone[] = [];
  /** The outline being drawn, and the zone that it changes; null: a new one. */
  #draft: { readonly outline: OutlineDraft; readonly was: WrittenZone | null } | null = null;
  readonly #form = byId<HTMLFormElement>("zone-form");
  readonly #name = byId<HTMLInputElement>("zone-name");
  readonly #kind = byId<HTMLSelectElement>("zone-kind");
  readonly #speed = byId<HTMLInputElement>("zone-speed");
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
    this.#kind.addEventListener("change", () => this.#showKind());
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
    this.#zones = zonesIn(values);
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

  #showKind(): void {
    const isSlow = this.#kind.value === "slow";
    byId("zone-speed-box").hidden = !isSlow;
    this.#speed.required = isSlow;
    this.#speed.disabled = !isSlow;
  }

  /** @param was the zone to change; null: a new one is drawn */
  #begin(was: WrittenZone | null): void {
    this.#parts.begin();
    this.#draft = { outline: new OutlineDraft(was === null ? [] : outlineOf(was.corners)), was };
    this.#name.value = was?.name ?? this.#freeName();
    this.#kind.value = was === null || was.speed === null ? "closed" : "slow";
    if (was !== null && was.speed !== null) this.#speed.value = was.speed;
    this.#showKind();
    this.#press();
    this.#tell();
    this.#draw();
    if (was !== null) this.#name.focus();
    else byId("map").focus();
  }

  #freeName(): string {
    let n = this.#zones.length + 1;
    while (this.#zones.some(({ name }) => name === `zone ${n}`)) n++;
    return `zone ${n}`;
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
    const speed = this.#kind.value === "slow" ? String(this.#speed.valueAsNumber) : null;
    if (!(await this.#write(was, { name, corners, speed }))) return;
    this.#endDraft("zone-draw");
    const what =
      speed === null
        ? `"${name}" is closed to the robot`
        : `In "${name}" the robot drives at most ${speed} m/s`;
    this.#say(`${what}, until the head restarts. To keep it, save the settings as a file.`);
  }

  async #delete(zone: WrittenZone): Promise<void> {
    if (!(await this.#write(zone, null))) return;
    this.#say(`"${zone.name}" is deleted.`);
    byId("zone-draw").focus();
  }

  /**
   * Puts one zone in place of another in the settings of the head, of which other clients may have changed some meanwhile.
   * @param was null: `now` is new
   * @param now null: `was` is deleted
   * @returns whether the head has taken it; if not, the panel says why
   */
  async #write(was: WrittenZone | null, now: WrittenZone | null): Promise<boolean> {
    const { settings } = this.#parts;
    this.#save.disabled = true;
    try {
      const zones = zonesIn(await settings.latest());
      const at = was === null ? zones.length : zones.findIndex((zone) => isSame(zone, was));
      if (at < 0) {
        throw new Error(`"${was?.name}" was changed or deleted meanwhile. The list shows what holds now.`);
      }
      const all = zones.toSpliced(at, 1, ...(now === null ? [] : [now]));
      const isIn = (setting: string): boolean =>
        [was, now].some((zone) => zone !== null && settingOf(zone) === setting);
      const change = Object.fromEntries(
        [CLOSED, SLOW]
          .filter(isIn)
          .map((setting) => [setting, joinZones(all.filter((zone) => settingOf(zone) === setting))]),
      );
      await settings.change(change, was === null ? "" : questionOf(was));
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
    const rows = this.#zones.map((zone) => {
      const row = document.createElement("li");
      const text = document.createElement("span");
      const name = document.createElement("b");
      name.textContent = zone.name;
      const what = zone.speed === null ? "closed" : `${zone.speed} m/s`;
      text.append(name, `: ${what}, ${areaText(areaOf(outlineOf(zone.corners)))}`);
      const of = (word: string, title: string, run: () => void): HTMLButtonElement => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = word;
        button.title = title;
        button.setAttribute("aria-label", `${word} ${zone.name}`);
        button.addEventListener("click", run);
        return button;
      };
      row.append(
        text,
        of("Change", "Moves its corners, renames it, or changes what the robot may do", () =>
          this.#begin(zone),
        ),
        of("Delete", "Frees it; it asks first", () => void this.#delete(zone)),
      );
      return row;
    });
    byId("zone-list").replaceChildren(...rows);
  }

  #draw(): void {
    const was = this.#draft?.was ?? null;
    document.documentElement.classList.toggle("is-drawing", this.isDrawing);
    const zones = this.#zones
      .filter((zone) => was === null || !isSame(zone, was))
      .map(({ name, corners, speed }) => ({ name, outline: outlineOf(corners), speed }))
      .filter(({ outline }) => outline.length > 0);
    this.#parts.show(zones, this.#draft?.outline ?? null);
  }
}
