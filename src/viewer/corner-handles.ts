/** x, y in metres of the world. */
export type Corner = readonly [x: number, y: number];

/** Metres that an arrow key moves a corner. */
const STEP = 0.05;
/** Pixels: a side shorter than this has no handle in its middle, because the handles of its ends fill it. */
const SHORTEST = 90;
/** Pixels: a press that moves farther is a drag. */
const STILL = 4;

const ARROWS: Readonly<Record<string, Corner>> = {
  ArrowLeft: [-STEP, 0],
  ArrowRight: [STEP, 0],
  ArrowUp: [0, STEP],
  ArrowDown: [0, -STEP],
};

/** What a person draws: an outline, or a spot with its arrow. */
export interface Draft {
  readonly corners: readonly Corner[];
  /** Whether its drawing is finished; it may still be changed. */
  readonly isClosed: boolean;
  /** Number of sides that may be split. */
  readonly sides: number;
  /** Why it cannot be saved; null: it can. */
  readonly trouble: string | null;
  /** What it is, and what to do next. */
  readonly text: string;
  /** As the setting holds it, without its name. */
  readonly written: string;
  /** Name of a corner, for people who hear the page. */
  nameOf(n: number): string;
  add(at: Corner): void;
  close(): boolean;
  move(n: number, to: Corner): void;
  split(n: number): boolean;
  remove(n: number): void;
}

/** The map below the handles; pixels are those of the page, from the upper left corner of the map. */
export interface HandleMap {
  /** Null: out of view. */
  pixelOf(at: Corner): readonly [left: number, top: number] | null;
  /** The floor at a pixel; null: the sky. */
  floorAt(left: number, top: number): Corner | null;
}

/** Handles of the corners of an outline, as buttons over the map: to drag, or to move by arrow keys. A dot on each side adds a corner. */
export class CornerHandles {
  readonly #box: HTMLElement;
  readonly #map: HandleMap;
  /** Called after each change by a handle. */
  onChange: () => void = () => {};
  /** Called when the first corner of an open outline is chosen. */
  onClose: () => void = () => {};
  #draft: Draft | null = null;
  readonly #corners: HTMLButtonElement[] = [];
  readonly #middles: HTMLButtonElement[] = [];

  /** @param box an element over the map, of the same size */
  constructor(box: HTMLElement, map: HandleMap) {
    this.#box = box;
    this.#map = map;
  }

  /** Shows the handles of an outline as it is now. */
  show(draft: Draft | null): void {
    this.#draft = draft;
    const count = draft?.corners.length ?? 0;
    this.#fit(this.#corners, count, (n) => this.#cornerHandle(n));
    this.#fit(this.#middles, draft?.sides ?? 0, (n) => this.#middleHandle(n));
    this.#corners.forEach((handle, n) => {
      const isClosing = n === 0 && draft?.isClosed === false && count > 2;
      handle.classList.toggle("is-closing", isClosing);
      handle.setAttribute("aria-label", draft?.nameOf(n) ?? "");
    });
    this.place();
  }

  /** Puts the handles where their corners are in the picture. */
  place(): void {
    const corners = this.#draft?.corners ?? [];
    if (corners.length === 0) return;
    const pixels = corners.map((at) => this.#map.pixelOf(at));
    for (const [n, handle] of this.#corners.entries()) put(handle, pixels[n] ?? null);
    this.#middles.forEach((handle, n) => {
      const [from, to] = [pixels[n] ?? null, pixels[(n + 1) % pixels.length] ?? null];
      const isShort = from === null || to === null || Math.hypot(to[0] - from[0], to[1] - from[1]) < SHORTEST;
      put(handle, isShort ? null : [(from[0] + to[0]) / 2, (from[1] + to[1]) / 2]);
    });
  }

  #fit(handles: HTMLButtonElement[], count: number, make: (n: number) => HTMLButtonElement): void {
    while (handles.length > count) handles.pop()!.remove();
    while (handles.length < count) {
      const handle = make(handles.length);
      handles.push(handle);
      this.#box.append(handle);
    }
  }

  #cornerHandle(n: number): HTMLButtonElement {
    const handle = button("corner-handle", "Drag it, or move it with the arrow keys; Delete removes it");
    this.#listenToDrags(
      handle,
      () => n,
      () => {
        if (n === 0 && this.#draft?.isClosed === false && this.#draft.corners.length > 2) this.onClose();
      },
    );
    handle.addEventListener("keydown", (event) => {
      const draft = this.#draft;
      if (draft === null) return;
      const by = ARROWS[event.key];
      if (by !== undefined) {
        const [x, y] = draft.corners[n]!;
        draft.move(n, [x + by[0], y + by[1]]);
      } else if (event.key === "Delete" || event.key === "Backspace") {
        draft.remove(n);
        this.#corners[Math.min(n, draft.corners.length - 1)]?.focus();
      } else return;
      event.preventDefault();
      event.stopPropagation();
      this.onChange();
    });
    return handle;
  }

  #middleHandle(n: number): HTMLButtonElement {
    const handle = button("middle-handle", "Adds a corner on this side");
    handle.setAttribute("aria-label", `Add a corner after corner ${n + 1}`);
    const split = () => {
      if (!this.#draft?.split(n)) return null;
      this.onChange();
      return n + 1;
    };
    this.#listenToDrags(handle, split, () => {});
    // By a key: a pointer has split the side already when it was pressed.
    handle.addEventListener("click", ({ detail }) => {
      if (detail === 0 && split() !== null) this.#corners[n + 1]?.focus();
    });
    return handle;
  }

  /**
   * @param begin called by a press. @returns the corner that a drag moves; null: none
   * @param chosen called by a press that is no drag, and by Enter and Space
   */
  #listenToDrags(handle: HTMLButtonElement, begin: () => number | null, chosen: () => void): void {
    let dragged: number | null = null;
    let pressedAt: readonly [number, number] | null = null;
    let wasDragged = false;
    handle.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      handle.setPointerCapture(event.pointerId);
      pressedAt = [event.clientX, event.clientY];
      wasDragged = false;
      dragged = begin();
    });
    handle.addEventListener("pointermove", ({ clientX, clientY }) => {
      if (pressedAt === null || dragged === null || this.#draft === null) return;
      if (Math.hypot(clientX - pressedAt[0], clientY - pressedAt[1]) > STILL) wasDragged = true;
      if (!wasDragged) return;
      const box = this.#box.getBoundingClientRect();
      const at = this.#map.floorAt(clientX - box.left, clientY - box.top);
      if (at === null || dragged >= this.#draft.corners.length) return;
      this.#draft.move(dragged, at);
      this.onChange();
    });
    for (const end of ["pointerup", "pointercancel"] as const) {
      handle.addEventListener(end, () => {
        pressedAt = null;
      });
    }
    handle.addEventListener("click", () => {
      if (!wasDragged) chosen();
      wasDragged = false;
    });
  }
}

function button(name: string, title: string): HTMLButtonElement {
  const handle = document.createElement("button");
  handle.type = "button";
  handle.className = name;
  handle.title = title;
  return handle;
}

function put(handle: HTMLElement, pixel: readonly [number, number] | null): void {
  handle.hidden = pixel === null;
  if (pixel !== null) handle.style.translate = `${pixel[0].toFixed(1)}px ${pixel[1].toFixed(1)}px`;
}
