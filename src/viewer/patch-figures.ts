/**
 * One change of the map, from its arrival until its last piece is applied. Changes that arrive meanwhile are included.
 * Times are milliseconds of the page's thread.
 */
export interface Patch {
  blocks: number;
  ms: number;
  /** The longest piece, and the number of pieces. */
  longest: number;
  slices: number;
  /** Time to draw the first picture that shows it. */
  picture: number;
  /** Whether it replaced the map by another one. */
  isOther: boolean;
}

const MOST_PATCHES = 1000;

/** Cost of map changes for the page. The browser benchmark reads it. */
export class PatchFigures {
  readonly patches: Patch[] = [];
  readonly #afterNextPicture: (then: (milliseconds: number) => void) => void;
  #open: Patch | null = null;

  constructor(afterNextPicture: (then: (milliseconds: number) => void) => void) {
    this.#afterNextPicture = afterNextPicture;
  }

  /** Begins a change. */
  begin(blocks: number, isOther: boolean): void {
    this.#open ??= { blocks: 0, ms: 0, longest: 0, slices: 0, picture: 0, isOther: false };
    this.#open.blocks += blocks;
    this.#open.isOther ||= isOther;
  }

  /** Adds an applied piece. @param isLast whether it is the last one */
  addSlice(ms: number, isLast: boolean): void {
    const patch = this.#open;
    if (patch === null) return;
    patch.ms += ms;
    patch.longest = Math.max(patch.longest, ms);
    patch.slices++;
    if (!isLast) return;
    this.#open = null;
    if (document.hidden) return; // a hidden page draws nothing
    this.#afterNextPicture((picture) => {
      patch.picture = picture;
      this.patches.push(patch);
      if (this.patches.length > MOST_PATCHES) this.patches.shift();
    });
  }
}
