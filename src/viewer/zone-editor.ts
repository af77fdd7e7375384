import {
  joinZones,
  LEAST_ZONE_SPEED,
  MOST_ZONE_SPEED,
  splitAreas,
  splitZones,
  type WrittenZone,
} from "../terms/areas.ts";
import { areaOf } from "../terms/polygon.ts";
import { parseSpots, type Spot } from "../terms/spots.ts";
import type { ShownZone } from "./area-layer.ts";
import { outlineOf } from "./body.ts";
import type { CornerHandles, Draft } from "./corner-handles.ts";
import { byId, messageOf, setText } from "./dom.ts";
import { RefusedError } from "./head-link.ts";
import type { PlaceTaker } from "./map-picker.ts";
import { areaText } from "./measuring.ts";
import { OutlineDraft } from "./outline-draft.ts";
import { SpotDraft } from "./spot-draft.ts";

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
  /** Shows zones and spots, and what is being drawn. */
  readonly show: (zones: readonly ShownZone[], spots: readonly Spot[], draft: Draft | null) => void;
  /** Prepares the map for drawing. */
  readonly begin: () => void;
}

const CLOSED = "guard.keepOut";
const SLOW = "guard.slowIn";
const SPOTS = "map.spots";
const SETTINGS = [CLOSED, SLOW, SPOTS] as const;

/** A closed area, a slow zone or a spot, as its setting holds it; of a spot, `corners` is its place and heading. */
interface Item extends WrittenZone {
  readonly setting: (typeof SETTINGS)[number];
}

const itemsIn = (values: Values): readonly Item[] => {
  const text = (setting: string): string => String(values[setting] ?? "");
  const plain = (setting: typeof CLOSED | typeof SPOTS): Item[] =>
    splitAreas(text(setting)).map((area) => ({ ...area, speed: null, setting }));
  return [
    ...plain(CLOSED),
    ...splitZones(text(SLOW)).map((zone) => ({ ...zone, setting: SLOW as typeof SLOW })),
    ...plain(SPOTS),
  ];
};
const isSame = (one: Item, other: Item): boolean =>
  one.setting === other.setting &&
  one.name === other.name &&
  one.speed === other.speed &&
  one.corners.trim() === other.corners.trim();

/** What a person is asked before less is closed or slow. */
const questionOf = ({ name, speed }: WrittenZone): string =>
  speed === null
    ? `The robot may then drive where "${name}" was closed.`
    : `The robot may then drive faster where "${name}" was slow.`;

/** Closed areas, slow zones and spots: drawn, changed, renamed and deleted on the map of a live head. */
export class ZoneEditor implements PlaceTaker {
  readonly isOnFloor = true;
  readonly #parts: ZoneEditorParts;
  #items: readonly Item[] = [];
  /** What is being drawn, and the item that it changes; null: a new one. */
  #draft: { readonly outline: Draft; readonly isSpot: boolean; readonly was: Item | null } | null = null;
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
    byId("zone-spot").addEventListener("click", () => this.#begin(null, true));
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
    this.#items = itemsIn(values);
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
    if (this.#draft?.outline.isClosed) this.#close();
    else this.#tell();
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
    const isSlow = this.#kind.value === "slow" && this.#draft?.isSpot === false;
    byId("zone-speed-box").hidden = !isSlow;
    this.#speed.min = String(LEAST_ZONE_SPEED);
    this.#speed.max = String(MOST_ZONE_SPEED);
    this.#speed.required = isSlow;
    this.#speed.disabled = !isSlow;
  }

  /** @param was the item to change; null: a new one is drawn */
  #begin(was: Item | null, isSpot = was?.setting === SPOTS): void {
    this.#parts.begin();
    const outline = isSpot
      ? new SpotDraft(was?.corners ?? null)
      : new OutlineDraft(was === null ? [] : outlineOf(was.corners));
    this.#draft = { outline, isSpot, was };
    this.#name.value = was?.name ?? this.#freeName(isSpot ? "spot" : "zone");
    this.#kind.value = was === null || was.speed === null ? "closed" : "slow";
    if (was !== null && was.speed !== null) this.#speed.value = was.speed;
    this.#showKind();
    this.#press();
    this.#tell();
    this.#draw();
    if (was !== null) this.#name.focus();
    else byId("map").focus();
  }

  #freeName(word: string): string {
    let n = 1;
    while (this.#items.some(({ name }) => name === `${word} ${n}`)) n++;
    return `${word} ${n}`;
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
    const { outline, isSpot, was } = this.#draft;
    const name = this.#name.value.trim();
    const trouble =
      outline.trouble ??
      (name === "" ? "Give it a name." : name.includes(";") ? "A name cannot contain a semicolon." : null);
    if (trouble !== null) {
      this.#say(trouble, true);
      return;
    }
    const isSlow = !isSpot && this.#kind.value === "slow";
    const speed = isSlow ? String(this.#speed.valueAsNumber) : null;
    const setting = isSpot ? SPOTS : isSlow ? SLOW : CLOSED;
    if (!(await this.#write(was, { setting, name, corners: outline.written, speed }))) return;
    this.#endDraft("zone-draw");
    const what = isSpot
      ? `"${name}" is a goal for ways`
      : isSlow
        ? `In "${name}" the robot drives at most ${speed} m/s`
        : `"${name}" is closed to the robot`;
    this.#say(`${what}, until the head restarts, or for as long as the head keeps this map (map.folder).`);
  }

  async #delete(zone: Item): Promise<void> {
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
  async #write(was: Item | null, now: Item | null): Promise<boolean> {
    const { settings } = this.#parts;
    this.#save.disabled = true;
    try {
      const items = itemsIn(await settings.latest());
      const at = was === null ? items.length : items.findIndex((item) => isSame(item, was));
      if (at < 0) {
        throw new Error(`"${was?.name}" was changed or deleted meanwhile. The list shows what holds now.`);
      }
      const all = items.toSpliced(at, 1, ...(now === null ? [] : [now]));
      const change = Object.fromEntries(
        SETTINGS.filter((setting) => setting === was?.setting || setting === now?.setting).map((setting) => [
          setting,
          joinZones(all.filter((item) => item.setting === setting)),
        ]),
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
    // While corners are set, the panel covers little of the map.
    byId("zone-named").hidden = this.#save.hidden = !outline.isClosed;
    byId("zone-rule").hidden = this.#draft?.isSpot === true;
    this.#say(outline.text, outline.corners.length > 2 && outline.trouble !== null);
    this.#parts.handles.show(outline);
    this.#draw();
  }

  #say(text: string, isBad = false): void {
    byId("zone-say").classList.toggle("is-bad", isBad);
    setText("zone-say", text);
  }

  #list(): void {
    const rows = this.#items.map((zone) => {
      const row = document.createElement("li");
      const text = document.createElement("span");
      const name = document.createElement("b");
      name.textContent = zone.name;
      text.append(name, `: ${ruleOf(zone)}`);
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
    const items = this.#items.filter((item) => was === null || !isSame(item, was));
    const zones = items
      .filter(({ setting }) => setting !== SPOTS)
      .map(({ name, corners, speed }) => ({ name, outline: outlineOf(corners), speed }))
      .filter(({ outline }) => outline.length > 0);
    const spots = parseSpots(joinZones(items.filter(({ setting }) => setting === SPOTS)));
    this.#parts.show(zones, spots, this.#draft?.outline ?? null);
  }
}

/** What holds for an item, in the list. */
function ruleOf({ setting, corners, speed }: Item): string {
  if (setting === SPOTS) {
    const [x, y, heading] = corners.trim().split(",");
    return `spot at ${x}, ${y}${heading === undefined ? "" : `, ${heading}°`}`;
  }
  return `${speed === null ? "closed" : `${speed} m/s`}, ${areaText(areaOf(outlineOf(corners)))}`;
}
