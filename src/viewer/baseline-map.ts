import type { MapMirror } from "../client/mirror.ts";
import type { FromServer } from "../wire/messages.ts";
import type { VoxelMap } from "./map-plans.ts";

type Playing = FromServer<"playing">;

/** Milliseconds: after this time a setting is changed without the baseline's map. Chosen by hand: a long recording is run through in less. */
const LONGEST_WAIT = 120_000;

/** The part of the connection that is used. */
export interface Player {
  readonly mirror: MapMirror;
  pause(): Promise<void>;
  resume(speed: number): Promise<void>;
}

/** Its blocks are immutable, so they are not copied. */
export interface TakenMap extends VoxelMap {
  /** Number of the frame in the recording. */
  readonly frame: number;
}

/**
 * The map with the baseline's settings, for the comparison with changed ones. The head keeps no map of the baseline, so the page takes its
 * copy just before the first change. The copy must be the whole map of one frame: the playback is paused, and patches that are still on
 * their way are awaited.
 */
export class BaselineMap {
  readonly #tell: (isAwaited: boolean) => void;
  readonly #longestWait: number;
  #taken: TakenMap | null = null;
  #playing: Playing | null = null;
  #isCompared = false;
  #check: (() => void) | null = null;
  /** Changes are made one after the other. */
  #last: Promise<unknown> = Promise.resolve();

  /** @param tell called when the map has to be awaited, and when the wait is over */
  constructor(tell: (isAwaited: boolean) => void, longestWait = LONGEST_WAIT) {
    this.#tell = tell;
    this.#longestWait = longestWait;
  }

  /** The baseline's map; null without one. */
  get taken(): TakenMap | null {
    return this.#taken;
  }

  /** Takes the position in the recording. */
  setPlaying(playing: Playing): void {
    this.#playing = playing;
    this.#check?.();
  }

  /** @param isCompared whether the head's settings differ from the baseline */
  setCompared(isCompared: boolean): void {
    if (this.#isCompared && !isCompared) this.#taken = null;
    this.#isCompared = isCompared;
  }

  /** Called after each patch. */
  mapChanged(): void {
    this.#check?.();
  }

  /** Whether the copy is the whole map of the frame at which the recording is paused. */
  isWhole({ isComplete, epoch, change }: MapMirror): boolean {
    const playing = this.#playing;
    if (playing === null || playing.speed > 0 || playing.goal !== null) return false;
    return isComplete && epoch === playing.map.epoch && change >= playing.map.change;
  }

  /**
   * Makes a change of settings, after the map of the baseline was taken if this is the first one.
   * @param voxelSize of the present map, metres
   */
  changing<T>(player: Player, voxelSize: number, change: () => Promise<T>): Promise<T> {
    const made = this.#last.then(() => this.#make(player, voxelSize, change));
    this.#last = made.catch(() => {});
    return made;
  }

  async #make<T>(player: Player, voxelSize: number, change: () => Promise<T>): Promise<T> {
    const speed = this.#playing?.speed;
    if (this.#isCompared || speed === undefined) return change();
    try {
      if (speed > 0) await player.pause();
      this.#taken = await this.take(player.mirror, voxelSize);
      // Before the head's own message, or the next change would take its map for the baseline's.
      this.#isCompared = true;
      return await change();
    } catch (error) {
      this.setCompared(false);
      throw error;
    } finally {
      if (speed > 0) await player.resume(speed);
    }
  }

  /**
   * Copies the map once it is the whole map of the frame at which the recording is paused, or of frame `at`.
   * @returns null if it has not arrived after the longest wait
   */
  async take(mirror: MapMirror, voxelSize: number, at?: number): Promise<TakenMap | null> {
    const isThere = (): boolean => this.isWhole(mirror) && (at === undefined || this.#playing?.frame === at);
    await this.#until(isThere);
    return isThere() ? { blocks: new Map(mirror.blocks), voxelSize, frame: this.#playing!.frame } : null;
  }

  /** Resolves once something is so, or after the longest wait. */
  async #until(isThere: () => boolean): Promise<void> {
    if (isThere()) return;
    this.#tell(true);
    await new Promise<void>((resolve) => {
      const timer = setTimeout(resolve, this.#longestWait);
      this.#check = () => {
        if (!isThere()) return;
        clearTimeout(timer);
        resolve();
      };
    });
    this.#check = null;
    this.#tell(false);
  }
}
