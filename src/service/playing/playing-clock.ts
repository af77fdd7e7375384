/** Ties the recording's time to the head's clock: what is shown is stamped as if it happened now. */
export class PlayingClock {
  /** 1 is as it was recorded; 0 stands still. */
  speed = 1;
  #headTime: number;
  #recordingTime: number;

  /** Both in microseconds; they are the same moment. */
  constructor(headTime: number, recordingTime: number) {
    this.#headTime = headTime;
    this.#recordingTime = recordingTime;
  }

  /** From here on both clocks go together, at the present speed. */
  anchor(headTime: number, recordingTime: number): void {
    this.#headTime = headTime;
    this.#recordingTime = recordingTime;
  }

  /** The head's clock when the recording's time is shown. */
  stamp(recordingTime: number): number {
    return Math.round(this.#headTime + (recordingTime - this.#recordingTime) / (this.speed || 1));
  }
}
