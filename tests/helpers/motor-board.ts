import { crc32c } from "../../src/coding/crc32c.ts";

/** The receiver of glance datagrams that docs/protocol.md gives in pseudo-code, line by line. Times in milliseconds. */
export class MotorBoard {
  #hasHeard = false;
  #lastNumber = 0;
  #stopAt = 0;
  limitForward = 0;
  limitBackward = 0;

  onDatagram(bytes: Uint8Array, now: number): void {
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    if (bytes.length !== 56 || Buffer.from(bytes.subarray(0, 4)).toString("latin1") !== "BRKR") return;
    if (bytes[4] !== 2 || crc32c(bytes, 0, 52) !== view.getUint32(52, true)) return;
    const flags = view.getUint16(6, true);
    if ((flags & 2) !== 0) return; // a recording or a simulation
    const number = view.getUint32(8, true);
    if (this.#hasHeard && ((number - this.#lastNumber) | 0) <= 0) return;
    this.#lastNumber = number;
    this.#hasHeard = true;
    this.#stopAt = now + view.getUint32(16, true) / 1000;
    const isFit = bytes[5]! <= 1 && (flags & 1) !== 0;
    this.limitForward = isFit ? view.getUint16(44, true) : 0;
    this.limitBackward = isFit ? view.getUint16(46, true) : 0;
  }

  /** Called every 10 ms. */
  tick(now: number): void {
    if (this.#hasHeard && now < this.#stopAt) return;
    this.limitForward = this.limitBackward = 0;
    if (now > this.#stopAt + 500) this.#hasHeard = false;
  }
}
