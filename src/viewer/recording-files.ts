import { byId, messageOf, setText } from "./dom.ts";
import { countText } from "./text.ts";
import { nameFor, upload } from "./upload.ts";

/** Uploads files that are dropped on the page or chosen by its button to the head, and plays them there. */
export class RecordingFiles {
  readonly #open: (name: string) => void;
  /** Bytes that the head takes at most; null: it has no folder for recordings. Undefined: it is live. */
  #most: number | null | undefined;

  /** @param open plays a recording on the head */
  constructor(open: (name: string) => void) {
    this.#open = open;
    const input = byId<HTMLInputElement>("recording-file");
    input.addEventListener("change", () => {
      const file = input.files?.[0];
      if (file !== undefined) void this.#take(file);
      input.value = "";
    });
    byId("recording-choose").addEventListener("click", () => input.click());
    this.#listenToDrops();
  }

  /** Bytes that the head takes at most; null: it has no folder for recordings. Undefined: it is live. */
  set most(most: number | null | undefined) {
    this.#most = most;
    byId<HTMLButtonElement>("recording-choose").hidden = (most ?? null) === null;
  }

  #listenToDrops(): void {
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
    const say = (text: string): void => setText("playback-say", text);
    if (this.#most === undefined) {
      say("This head is live. To play a recording, start one with npm start or serve --recording.");
    } else if (this.#most === null) {
      say("This head has no folder for recordings: start it with --recordings.");
    } else if (file.size > this.#most) {
      say(`${file.name} is too large: the limit is ${countText(this.#most)} bytes.`);
    } else {
      try {
        const name = await upload(file, nameFor(file.name), (share) =>
          say(`${file.name}: ${Math.round(100 * share)} % sent`),
        );
        say(`${name} was sent; the head starts to play it.`);
        this.#open(name);
      } catch (error) {
        say(`${file.name}: ${messageOf(error)}`);
      }
    }
  }
}
