/**
 * One change of the map, from its arrival until its last piece is taken over; changes that arrive meanwhile count with it.
 * Times are milliseconds of the page's own thread.
 */
export interface Patch {
  blocks: number;
  ms: number;
  /** The longest piece at once, and how many there were. */
  longest: number;
  slices: number;
  /** Drawing the first picture that shows it. */
  picture: number;
  /** The map became another one. */
  isOther: boolean;
}

const MOST_PATCHES = 1000;

/** What changes of the map cost the page: read by the browser benchmark. */
export class PatchFigures {
  readonly patches: Patch[] = [];
  readonly #afterNextPicture: (then: (milliseconds: number) => void) => void;
  #open: Patch | null = null;

  constructor(afterNextPicture: (then: (milliseconds: number) => void) => void) {
    this.#afterNextPicture = afterNextPicture;
  }

  /** A change arrived. */
  begin(blocks: number, isOther: boolean): void {
    this.#open ??= { blocks: 0, ms: 0, longest: 0, slices: 0, picture: 0, isOther: false };
    this.#open.blocks += blocks;
    this.#open.isOther ||= isOther;
  }

  /** A piece of it was taken over. @param isLast whether none is left */
  addSlice(ms: number, isLast: boolean): void {
    const patch = this.#open;
    if (patch === null) return;
    patch.ms += ms;
    patch.longest = Math.max(patch.longest, ms);
    patch.slices++;
    if (!isLast) return;
    this.#open = null;
    if (document.hidden) return; // nothing is drawn there
    this.#afterNextPicture((picture) => {
      patch.picture = picture;
      this.patches.push(patch);
      if (this.patches.length > MOST_PATCHES) this.patches.shift();
    });
  }
}
