import type { FromClient, FromServer } from "../wire/messages.ts";
import { canvasSized } from "./canvas.ts";
import { countText, secondsText } from "./text.ts";
import type { Theme } from "./theme.ts";
import { nameFor, upload } from "./upload.ts";
import type { Request } from "./worker-messages.ts";

type Playing = FromServer<"playing">;
type Recording = FromServer<"recording">;
export type Wish = Omit<FromClient<"play">, "kind" | "id">;

/** Each kind of moment has a letter and a height of its own on the strip, and its word in the list. */
const KINDS: Readonly<Record<Recording["moments"][number]["what"], { letter: string; row: number }>> = {
  brink: { letter: "B", row: 0 },
  knock: { letter: "K", row: 0 },
  lost: { letter: "L", row: 1 },
  found: { letter: "F", row: 1 },
  sight: { letter: "S", row: 1 },
  gap: { letter: "G", row: 2 },
  waiver: { letter: "W", row: 2 },
  floorcheck: { letter: "C", row: 2 },
  track: { letter: "T", row: 1 },
  mark: { letter: "M", row: 3 },
};
const ROW = 13;
const MARGIN = 9;
/** What a key on the strip moves by, microseconds. */
const KEYS: Readonly<Record<string, number>> = {
  ArrowLeft: -1e6,
  ArrowRight: 1e6,
  ArrowDown: -1e6,
  ArrowUp: 1e6,
  PageDown: -10e6,
  PageUp: 10e6,
  Home: Number.NEGATIVE_INFINITY,
  End: Number.POSITIVE_INFINITY,
};
/** Moments this near to where one is are not gone to again, microseconds. */
const HERE = 60_000;

const byId = <T extends HTMLElement>(id: string): T => document.getElementById(id) as T;

/** The way through a recording: where in it the head is, what there is to find, and going there. */
export class Course {
  readonly #canvas = byId<HTMLCanvasElement>("course");
  readonly #context = this.#canvas.getContext("2d")!;
  readonly #request: <T>(what: Request) => Promise<T>;
  readonly #speed = byId<HTMLSelectElement>("speed");
  readonly #repeat = byId<HTMLInputElement>("repeat");
  readonly #names = byId<HTMLSelectElement>("recordings");
  #theme: Theme | null = null;
  #recording: Recording | null = null;
  #playing: Playing | null = null;
  /** Where a pointer is about to go, microseconds. */
  #aim: number | null = null;

  constructor(request: <T>(what: Request) => Promise<T>) {
    this.#request = request;
    byId("play").addEventListener("click", () => this.toggle());
    byId("frame-back").addEventListener("click", () => this.wish({ step: -1 }));
    byId("frame-on").addEventListener("click", () => this.wish({ step: 1 }));
    byId("moment-back").addEventListener("click", () => this.toMoment(-1));
    byId("moment-on").addEventListener("click", () => this.toMoment(1));
    this.#speed.addEventListener("change", () => this.wish({ speed: Number(this.#speed.value) }));
    this.#repeat.addEventListener("change", () => this.wish({ repeat: this.#repeat.checked }));
    this.#names.addEventListener("change", () => this.#open(this.#names.value));
    this.#listenToCanvas();
    this.#listenToFiles();
  }

  #listenToCanvas(): void {
    const canvas = this.#canvas;
    const timeAt = ({ offsetX }: PointerEvent): number => {
      const share = (offsetX - MARGIN) / Math.max(1, canvas.clientWidth - 2 * MARGIN);
      return Math.round(Math.min(1, Math.max(0, share)) * (this.#recording?.length ?? 0));
    };
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.#aim = timeAt(event);
      this.draw();
    });
    canvas.addEventListener("pointermove", (event) => {
      if (this.#aim === null) return;
      this.#aim = timeAt(event);
      this.draw();
    });
    canvas.addEventListener("pointerup", () => {
      if (this.#aim !== null) this.wish({ to: this.#aim });
      this.#aim = null;
    });
    canvas.addEventListener("pointercancel", () => {
      this.#aim = null;
      this.draw();
    });
    canvas.addEventListener("keydown", (event) => {
      const by = KEYS[event.key];
      if (by === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      const from = this.#playing?.goal ?? this.#playing?.at ?? 0;
      this.wish({ to: Math.min(this.#recording?.length ?? 0, Math.max(0, from + by)) });
    });
  }

  #listenToFiles(): void {
    const input = byId<HTMLInputElement>("recording-file");
    input.addEventListener("change", () => {
      const file = input.files?.[0];
      if (file !== undefined) void this.#take(file);
      input.value = "";
    });
    byId("recording-choose").addEventListener("click", () => input.click());
    const isFile = (event: DragEvent): boolean => event.dataTransfer?.types.includes("Files") ?? false;
    const mark = (isOver: boolean): void => {
      document.documentElement.classList.toggle("is-dropping", isOver);
    };
    document.addEventListener("dragover", (event) => {
      if (!isFile(event)) return;
      event.preventDefault();
      mark(true);
    });
    document.addEventListener("dragleave", (event) => {
      if (event.relatedTarget === null) mark(false);
    });
    document.addEventListener("drop", (event) => {
      mark(false);
      const file = event.dataTransfer?.files[0];
      if (file === undefined) return;
      event.preventDefault();
      void this.#take(file);
    });
  }

  async #take(file: File): Promise<void> {
    const most = this.#recording?.most ?? null;
    if (this.#recording === null)
      this.#say("This head is live. One that plays recordings takes them: npm start.");
    else if (most === null) this.#say("This head has no folder for recordings: start it with --recordings.");
    else if (file.size > most)
      this.#say(`${file.name} is too long: up to ${countText(most)} bytes are taken.`);
    else {
      try {
        const name = await upload(file, nameFor(file.name), (share) =>
          this.#say(`${file.name}: ${Math.round(100 * share)} % sent`),
        );
        this.#say(`${name} is here; the head begins to play it.`);
        this.#open(name);
      } catch (error) {
        this.#say(`${file.name}: ${error instanceof Error ? error.message : String(error)}`);
      }
    }
  }

  #open(name: string): void {
    this.#request({ kind: "open", name }).catch((error: Error) => this.#say(error.message));
  }

  #say(text: string): void {
    byId("course-say").textContent = text;
  }

  /** The head is another one, or gone. */
  forget(): void {
    this.#recording = this.#playing = null;
  }

  get playing(): Playing | null {
    return this.#playing;
  }

  get length(): number {
    return this.#recording?.length ?? 0;
  }

  wish(wish: Wish): void {
    this.#request({ kind: "play", wish }).catch((error: Error) => this.#say(error.message));
  }

  /** Plays when it stands, stands when it plays. */
  toggle(): void {
    const isGoing = (this.#playing?.speed ?? 0) > 0;
    this.wish({ speed: isGoing ? 0 : Number(this.#speed.value) });
  }

  /** To the next moment, or the one before. */
  toMoment(way: 1 | -1): void {
    const at = this.#playing?.goal ?? this.#playing?.at ?? 0;
    const moments = this.#recording?.moments ?? [];
    const next =
      way > 0
        ? moments.find((moment) => moment.at > at + HERE)
        : moments.findLast((moment) => moment.at < at - HERE);
    if (next === undefined) this.#say(way > 0 ? "No moment after this." : "No moment before this.");
    else {
      this.#say(`${secondsText(next.at)}: ${next.what}, ${next.text}`);
      this.wish({ to: next.at });
    }
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  show(playing: Playing): void {
    this.#playing = playing;
    const isGoing = playing.speed > 0;
    const button = byId("play");
    const word = isGoing ? "Stand" : "Play";
    if (button.textContent !== word) button.textContent = word;
    // What was chosen stays chosen while it stands.
    if (isGoing && document.activeElement !== this.#speed) this.#speed.value = String(playing.speed);
    this.#repeat.checked = playing.repeat;
    this.draw();
  }

  list(recording: Recording): void {
    this.#recording = recording;
    const { names, name, moments } = recording;
    const all = names.includes(name) ? names : [name, ...names];
    this.#names.replaceChildren(...all.map((one) => new Option(one, one, false, one === name)));
    byId<HTMLButtonElement>("recording-choose").hidden = recording.most === null;
    const rows = moments.map(({ at, what, text }) => {
      const row = document.createElement("li");
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = `${secondsText(at)} ${what}: ${text}`;
      button.addEventListener("click", () => this.wish({ to: at }));
      row.append(button);
      return row;
    });
    const list = byId("moments");
    // A list that somebody walks through by keys is not pulled from under them.
    if (!list.contains(document.activeElement)) list.replaceChildren(...rows);
    this.draw();
  }

  draw(): void {
    const [theme, recording, playing] = [this.#theme, this.#recording, this.#playing];
    if (theme === null || recording === null || playing === null) return;
    const size = canvasSized(this.#canvas, this.#context);
    if (size === null) return;
    const [wide, high] = size;
    const c = this.#context;
    const base = high - 16;
    const x = (at: number): number => MARGIN + (at / Math.max(1, recording.length)) * (wide - 2 * MARGIN);
    c.font = "11px system-ui, sans-serif";
    c.textBaseline = "alphabetic";
    this.#drawTicks(c, recording.length, x, wide, high, theme);
    c.fillStyle = theme.faint;
    c.fillRect(x(0), base - 7, x(recording.length) - x(0), 6);
    c.fillStyle = theme.obstacle;
    c.fillRect(x(0), base - 7, x(playing.at) - x(0), 6);
    const last = new Map<number, number>();
    for (const { at, what } of recording.moments) {
      const { letter, row } = KINDS[what];
      const isStop = row < 2;
      c.fillStyle = isStop ? theme.brink : theme.mark;
      c.fillRect(x(at) - 0.5, 0, 1, base - 8);
      // Where they are dense, letters would cover each other: the lines remain.
      if (x(at) - (last.get(row) ?? -100) < 11) continue;
      last.set(row, x(at));
      c.textAlign = "center";
      c.fillStyle = theme.paper;
      c.fillRect(x(at) - 5, row * ROW, 10, ROW - 1);
      c.fillStyle = isStop ? theme.brink : theme.mark;
      c.fillText(letter, x(at), row * ROW + 10);
    }
    this.#drawNeedle(c, x(playing.at), base, theme.ink, false);
    const aim = this.#aim ?? playing.goal;
    if (aim !== null) this.#drawNeedle(c, x(aim), base, theme.robot, true);
    const text = `${secondsText(playing.at)} of ${secondsText(recording.length)}`;
    const canvas = this.#canvas;
    canvas.setAttribute("aria-valuemax", (recording.length / 1e6).toFixed(1));
    canvas.setAttribute("aria-valuenow", (playing.at / 1e6).toFixed(1));
    canvas.setAttribute("aria-valuetext", `${text}, frame ${playing.frame} of ${recording.frames}`);
    byId("course-at").textContent =
      `${text}, frame ${countText(playing.frame)} of ${countText(recording.frames)}`;
  }

  #drawTicks(
    c: CanvasRenderingContext2D,
    length: number,
    x: (at: number) => number,
    wide: number,
    high: number,
    theme: Theme,
  ): void {
    const least = (length * 60) / Math.max(60, wide); // as many as there is room for
    const every = [1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600].find((s) => 1e6 * s >= least) ?? 7200;
    for (let at = 0; at <= length; at += 1e6 * every) {
      c.fillStyle = theme.faint;
      c.fillRect(x(at) - 0.5, 0, 1, high - 16);
      c.fillStyle = theme.ink;
      c.textAlign = at === 0 ? "left" : x(at) > wide - 24 ? "right" : "center";
      c.fillText(`${at / 1e6} s`, at === 0 ? 1 : x(at), high - 3);
    }
  }

  #drawNeedle(c: CanvasRenderingContext2D, x: number, base: number, ink: string, isDashed: boolean): void {
    c.strokeStyle = ink;
    c.lineWidth = 2;
    c.setLineDash(isDashed ? [3, 3] : []);
    c.beginPath();
    c.moveTo(x, 0);
    c.lineTo(x, base);
    c.stroke();
    c.setLineDash([]);
    if (isDashed) return;
    c.fillStyle = ink;
    c.beginPath();
    c.moveTo(x - 6, base + 2);
    c.lineTo(x + 6, base + 2);
    c.lineTo(x, base - 7);
    c.closePath();
    c.fill();
  }
}
