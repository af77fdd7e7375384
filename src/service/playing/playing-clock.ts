/** Maps the recording's time to the head's clock, so that outputs are stamped as if they happened now. */
export class PlayingClock {
  /** 1 is real time; 0 is paused. */
  speed = 1;
  #headTime: number;
  #recordingTime: number;

  /** Two times of the same moment, in microseconds. */
  constructor(headTime: number, recordingTime: number) {
    this.#headTime = headTime;
    this.#recordingTime = recordingTime;
  }

  /** Ties both clocks together at a moment. From there they run at the present speed. */
  anchor(headTime: number, recordingTime: number): void {
    this.#headTime = headTime;
    this.#recordingTime = recordingTime;
  }

  /** The time of the head's clock for a time of the recording. */
  stamp(recordingTime: number): number {
    return Math.round(this.#headTime + (recordingTime - this.#recordingTime) / (this.speed || 1));
  }
}
