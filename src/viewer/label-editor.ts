import type { LabelsFile } from "../wire/label-file.ts";
import { byId, messageOf, setText } from "./dom.ts";
import { download } from "./download.ts";
import type { Marked } from "./label-layer.ts";
import { metresText } from "./text.ts";
import { authorization } from "./token.ts";

type Point = readonly [x: number, y: number];
type Kind = "edge" | "obstacle";

/** One label. The drop of an obstacle is 0. */
interface Label {
  readonly kind: Kind;
  readonly name: string;
  readonly corners: readonly Point[];
  readonly drop: number;
}

/** The labels file beside the recording, and whether the head accepts a new one. */
interface StoredLabels {
  readonly mayKeep: boolean;
  readonly labels: LabelsFile | null;
  readonly trouble: string | null;
}

const LETTER = { edge: "E", obstacle: "O" } as const;
const TITLE = { edge: "floor edge", obstacle: "obstacle" } as const;
/** Metres: a point closer to the last corner is the same corner. It is also the shortest side of a box. */
const LEAST = 0.01;

/**
 * Labels of the played recording: ground truth that a person marks on the map. They stay in this browser until they are saved beside the
 * recording or as a file.
 */
export class LabelEditor {
  readonly #show: (marked: readonly Marked[]) => void;
  readonly #begin: () => void;
  #recording: string | null = null;
  #labels: readonly Label[] = [];
  /** Other fields of an opened file, which are saved unchanged. */
  #rest: Pick<LabelsFile, "note" | "tolerance"> = {};
  #drawn: { readonly kind: Kind; corners: readonly Point[] } | null = null;
  readonly #form = byId<HTMLFormElement>("label-form");
  readonly #name = byId<HTMLInputElement>("label-name");
  readonly #drop = byId<HTMLInputElement>("label-drop");

  /**
   * @param show  draws the labels
   * @param begin prepares the map for drawing
   */
  constructor(show: (marked: readonly Marked[]) => void, begin: () => void) {
    this.#show = show;
    this.#begin = begin;
    for (const kind of ["edge", "obstacle"] as const) {
      byId(`label-${kind}`).addEventListener("click", () => this.#toggle(kind));
    }
    this.#form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.#finish();
    });
    byId("label-undo").addEventListener("click", () => this.#undo());
    byId("label-cancel").addEventListener("click", () => this.#end());
    byId("labels-save").addEventListener("click", () => this.#save());
    byId("labels-save-beside").addEventListener("click", () => void this.#saveBeside());
    const file = byId<HTMLInputElement>("labels-file");
    byId("labels-open").addEventListener("click", () => file.click());
    file.addEventListener("change", () => {
      const [chosen] = file.files ?? [];
      file.value = "";
      if (chosen !== undefined) void this.#open(chosen);
    });
  }

  /** Whether a label is being drawn. */
  get isDrawing(): boolean {
    return this.#drawn !== null;
  }

  /** Opens the panel of labels. */
  reveal(): void {
    const box = byId<HTMLDetailsElement>("labels-box");
    box.open = true;
    byId("label-edge").focus();
  }

  /** @param name of the recording that is played; null when the head is live */
  async setRecording(name: string | null): Promise<void> {
    if (name === this.#recording) return; // reconnected
    this.#end();
    this.#recording = name;
    this.#labels = [];
    this.#rest = {};
    this.#say("");
    this.#list();
    if (name === null) return;
    const { mayKeep, labels, trouble } = await this.#fetchStored();
    if (this.#recording !== name) return;
    byId("labels-save-beside").hidden = !mayKeep;
    const own = localStorage.getItem(this.#key);
    if (own !== null && this.#take(own)) this.#say("Labels of this browser, not saved yet.");
    else if (labels !== null && this.#take(JSON.stringify(labels)))
      this.#say("Labels of the file beside the recording.");
    else if (trouble !== null) this.#say(trouble);
    this.#list();
  }

  /** Adds a corner, chosen on the map. */
  corner([x, y]: readonly number[]): void {
    const drawn = this.#drawn;
    if (drawn === null) return;
    const at: Point = [round(x!), round(y!)];
    const last = drawn.corners.at(-1);
    if (last !== undefined && apart(last, at) < LEAST) return;
    drawn.corners = [...drawn.corners, at];
    this.#tell();
  }

  /** Handles a key on the map while a label is drawn. @returns whether the key has a meaning */
  key(key: string): boolean {
    if (this.#drawn === null) return false;
    if (key === "Backspace") this.#undo();
    else if (key === "Escape") this.#end();
    else return false;
    return true;
  }

  get #key(): string {
    return `labels ${this.#recording}`;
  }

  #toggle(kind: Kind): void {
    if (this.#drawn?.kind === kind) {
      this.#end();
      return;
    }
    this.#drawn = { kind, corners: [] };
    const same = this.#labels.filter((label) => label.kind === kind).length;
    this.#name.value = `${kind} ${same + 1}`;
    byId("label-drop-box").hidden = kind !== "edge";
    this.#drop.disabled = kind !== "edge";
    this.#form.hidden = false;
    this.#press();
    this.#begin();
    this.#tell();
  }

  #undo(): void {
    if (this.#drawn === null) return;
    this.#drawn.corners = this.#drawn.corners.slice(0, -1);
    this.#tell();
  }

  #finish(): void {
    if (this.#drawn === null) return;
    const { kind } = this.#drawn;
    const corners = kind === "obstacle" ? boxed(this.#drawn.corners) : this.#drawn.corners;
    const least = kind === "edge" ? 2 : 3;
    if (corners.length < least) {
      this.#tell(
        kind === "edge"
          ? "An edge needs at least two corners."
          : "An obstacle needs at least two corners that span a box.",
      );
      return;
    }
    const name = this.#name.value.trim() || kind;
    const drop = kind === "edge" ? this.#drop.valueAsNumber : 0;
    this.#labels = [...this.#labels, { kind, name, corners, drop }];
    this.#end();
    this.#changed(`${tagsOf(this.#labels).at(-1)} added.`);
    byId(`label-${kind}`).focus();
  }

  /** Ends the drawing of a label. */
  #end(): void {
    this.#drawn = null;
    this.#form.hidden = true;
    this.#press();
    this.#draw();
  }

  #press(): void {
    document.documentElement.classList.toggle("is-drawing", this.isDrawing);
    for (const kind of ["edge", "obstacle"] as const) {
      byId(`label-${kind}`).setAttribute("aria-pressed", String(this.#drawn?.kind === kind));
    }
  }

  /** Shows the progress of the drawing, and the next step. */
  #tell(why = ""): void {
    const { kind, corners } = this.#drawn!;
    const count = corners.length;
    const far = metresText(lengthOf(corners));
    const next =
      kind === "obstacle" && count === 2
        ? "Two corners make a box along the map's axes; a third makes an outline."
        : "Click on the map, or move it with the arrow keys and press Enter at the cross.";
    const text = `${count} ${count === 1 ? "corner" : "corners"}${count > 1 ? `, ${far}` : ""}. ${why || next}`;
    setText("label-say", text);
    this.#draw();
  }

  #changed(text: string): void {
    localStorage.setItem(this.#key, JSON.stringify(this.#file));
    this.#say(text);
    this.#list();
  }

  #say(text: string): void {
    setText("labels-say", text);
  }

  #list(): void {
    const tags = tagsOf(this.#labels);
    const rows = this.#labels.map((label, n) => {
      const row = document.createElement("li");
      const remove = document.createElement("button");
      remove.type = "button";
      remove.textContent = "Remove";
      remove.title = "Removes this label";
      remove.setAttribute("aria-label", `Remove ${tags[n]} ${label.name}`);
      remove.addEventListener("click", () => this.#remove(n));
      const text = document.createElement("span");
      const tag = document.createElement("b");
      tag.textContent = tags[n]!;
      text.append(tag, ` ${label.name}: ${describe(label)}`);
      row.append(text, remove);
      return row;
    });
    byId("labels").replaceChildren(...rows);
    for (const id of ["labels-save", "labels-save-beside"]) {
      byId<HTMLButtonElement>(id).disabled = this.#labels.length === 0;
    }
    this.#draw();
  }

  #remove(n: number): void {
    const tag = tagsOf(this.#labels)[n];
    this.#labels = this.#labels.filter((_, k) => k !== n);
    this.#changed(`${tag} removed.`);
    const buttons = document.querySelectorAll<HTMLElement>("#labels button");
    (buttons[Math.min(n, buttons.length - 1)] ?? byId("label-edge")).focus();
  }

  #draw(): void {
    const tags = tagsOf(this.#labels);
    const marked: Marked[] = this.#labels.map(({ kind, corners }, n) => ({
      tag: tags[n]!,
      corners,
      isOutline: kind === "obstacle",
    }));
    if (this.#drawn !== null) {
      const { kind, corners } = this.#drawn;
      const isOutline = kind === "obstacle";
      marked.push({ tag: "new", corners: isOutline ? boxed(corners) : corners, isOutline });
    }
    this.#show(marked);
  }

  /** The labels as a file. */
  get #file(): LabelsFile {
    const of = (kind: Kind) => this.#labels.filter((label) => label.kind === kind);
    return {
      tolerance: 0.15,
      ...this.#rest,
      edges: of("edge").map(({ name, drop, corners }) => ({ name, drop, line: corners })),
      obstacles: of("obstacle").map(({ name, corners }) => ({ name, outline: corners })),
    };
  }

  /** Loads a file. @returns whether it is a file of labels */
  #take(text: string): boolean {
    try {
      const { note, tolerance, edges = [], obstacles = [] } = JSON.parse(text) as LabelsFile;
      const labels = [
        ...edges.map(({ name, drop, line }): Label => ({ kind: "edge", name, drop, corners: line })),
        ...obstacles.map(
          (one): Label => ({ kind: "obstacle", name: one.name, drop: 0, corners: one.outline }),
        ),
      ];
      if (!labels.every(isLabel)) return false;
      this.#labels = labels;
      this.#rest = { ...(note !== undefined && { note }), ...(tolerance !== undefined && { tolerance }) };
      return true;
    } catch {
      return false;
    }
  }

  async #open(file: File): Promise<void> {
    if (this.#take(await file.text())) {
      this.#end();
      this.#changed(`${file.name} opened.`);
    } else this.#say(`${file.name} is not a file of labels.`);
  }

  #save(): void {
    const text = `${JSON.stringify(this.#file, null, 2)}\n`;
    download(new Blob([text], { type: "application/json" }), `${this.#recording}.labels.json`);
    this.#say("Put the file beside the recording: tune and compare read it there.");
  }

  get #address(): URL {
    return new URL(`labels/${encodeURIComponent(this.#recording ?? "")}`, document.baseURI);
  }

  async #fetchStored(): Promise<StoredLabels> {
    const none = { mayKeep: false, labels: null, trouble: null };
    const answer = await fetch(this.#address, { headers: authorization() }).catch(() => null);
    return answer?.ok ? ((await answer.json()) as StoredLabels) : none;
  }

  async #saveBeside(): Promise<void> {
    const headers = { ...authorization(), "content-type": "application/json" };
    try {
      const body = JSON.stringify(this.#file);
      const answer = await fetch(this.#address, { method: "PUT", headers, body });
      if (!answer.ok) throw new Error((await answer.text()).trim());
      localStorage.removeItem(this.#key);
      this.#say(`Saved beside the recording as ${this.#recording}.labels.json.`);
    } catch (error) {
      this.#say(messageOf(error));
    }
  }
}

const isLabel = ({ name, drop, corners }: Label): boolean =>
  typeof name === "string" &&
  Number.isFinite(drop) &&
  corners.length > 1 &&
  corners.every(([x, y]) => Number.isFinite(x) && Number.isFinite(y));

/** The tag of each: E1, E2, O1. */
function tagsOf(labels: readonly Label[]): string[] {
  const counts = { edge: 0, obstacle: 0 };
  return labels.map(({ kind }) => `${LETTER[kind]}${++counts[kind]}`);
}

function describe({ kind, corners, drop }: Label): string {
  if (kind === "edge") return `${TITLE.edge}, ${metresText(lengthOf(corners))}, drop ${metresText(drop)}`;
  return `${TITLE.obstacle}, ${metresText(lengthOf([...corners, corners[0]!]))} round`;
}

/** Turns two corners of an obstacle into a box along the axes. More corners are unchanged. */
function boxed(corners: readonly Point[]): readonly Point[] {
  if (corners.length !== 2) return corners;
  const [[ax, ay], [bx, by]] = corners as readonly [Point, Point];
  if (Math.abs(bx - ax) < LEAST || Math.abs(by - ay) < LEAST) return corners;
  return [[ax, ay], [bx, ay], [bx, by], [ax, by]]; // biome-ignore format: one line
}

const apart = ([ax, ay]: Point, [bx, by]: Point): number => Math.hypot(bx - ax, by - ay);
const lengthOf = (corners: readonly Point[]): number =>
  corners.reduce((sum, at, n) => (n === 0 ? 0 : sum + apart(corners[n - 1]!, at)), 0);
/** Rounds to millimetres. */
const round = (metres: number): number => Math.round(1000 * metres) / 1000;
