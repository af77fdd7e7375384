import { readCurve } from "../wire/curve.ts";
import type { FromServer } from "../wire/messages.ts";
import { byId, setText } from "./dom.ts";
import type { Curve } from "./run-pairs.ts";
import type { Ask } from "./worker-messages.ts";

type Recording = FromServer<"recording">;

/** A recording that was run to its end. The worker has its map. */
export interface KeptRun extends Pick<Recording, "name" | "world"> {
  readonly curve: Curve;
}

/** The choice of a recording to compare the present one with. The present one is run to its end and kept; then the other one is opened. */
export class OtherRecording {
  readonly #ask: Ask;
  readonly #choice = byId<HTMLSelectElement>("compare-with");
  #recording: Recording | null = null;
  #kept: KeptRun | null = null;
  /** Name of the recording that is being opened. */
  #opening: string | null = null;
  /** Called when the present recording is known to its end. */
  #whenKnown: (() => void) | null = null;
  /** Called when a comparison has begun or ended. */
  onChange: () => void = () => {};

  constructor(ask: Ask) {
    this.#ask = ask;
    byId("comparison-end").addEventListener("click", () => this.#end());
    this.#choice.addEventListener("change", () => {
      const name = this.#choice.value;
      this.#choice.value = "";
      void this.#keepAndOpen(name);
    });
  }

  /** The run to compare with; null: none. */
  get kept(): KeptRun | null {
    return this.#opening === null ? this.#kept : null;
  }

  async #keepAndOpen(name: string): Promise<void> {
    const recording = this.#recording;
    if (recording === null || this.#opening !== null || name === "") return;
    this.#opening = name;
    const own = recording.name;
    const say = (text: string): void => setText("playback-say", text);
    try {
      say(`${own} is run to its end first; then ${name} is opened beside it.`);
      const isKept = await this.#ask<boolean>({ kind: "keep run", frames: recording.frames });
      if (!isKept) throw new Error(`the map of ${own} did not arrive, so nothing is compared`);
      await this.#known();
      const { world, curve } = this.#recording!;
      this.#kept = { name: own, world, curve: readCurve(curve) };
      await this.#ask({ kind: "open", name });
    } catch (error) {
      this.#opening = this.#kept = null;
      say((error as Error).message);
    }
  }

  /** Resolves when the present recording is known to its end. */
  async #known(): Promise<void> {
    if (this.#recording?.known === 1) return;
    await new Promise<void>((resolve) => {
      this.#whenKnown = resolve;
    });
  }

  #end(): void {
    this.#kept = null;
    void this.#ask({ kind: "drop run" });
    this.onChange();
  }

  set(recording: Recording): void {
    this.#recording = recording;
    if (recording.known === 1) this.#whenKnown?.();
    this.#showChoice(recording);
    if (this.#opening !== null) {
      if (this.#opening !== recording.name) return;
      this.#opening = null;
      // Both maps are then whole.
      void this.#ask({ kind: "play", wish: { to: recording.length, speed: 0 } });
      this.onChange();
    } else if (this.#kept?.name === recording.name) this.#end();
  }

  #showChoice({ names, name }: Recording): void {
    const others = names.filter((one) => one !== name);
    const said = others.join();
    // An open list must not close under the pointer.
    if (this.#choice.dataset["names"] === said) return;
    this.#choice.dataset["names"] = said;
    this.#choice.hidden = others.length === 0;
    this.#choice.replaceChildren(
      new Option("Compare with …", ""),
      ...others.map((one) => new Option(one, one)),
    );
  }
}
