import { crc32c } from "../../src/coding/crc32c.ts";

/** The receiver of glance datagrams that docs/protocol.md gives in pseudo-code, line by line. Times in milliseconds. */
export class MotorBoard {
  #hasHeard = false;
  #lastNumber = 0;
  #lastTime = 0;
  limitForward = 0;
  limitBackward = 0;

  onDatagram(bytes: Uint8Array, now: number): void {
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    if (bytes.length !== 48 || Buffer.from(bytes.subarray(0, 4)).toString("latin1") !== "BRKR") return;
    if (bytes[4] !== 1 || crc32c(bytes, 0, 44) !== view.getUint32(44, true)) return;
    const flags = view.getUint16(6, true);
    if ((flags & 2) !== 0) return; // a recording or a simulation
    const number = view.getUint32(8, true);
    if (this.#hasHeard && ((number - this.#lastNumber) | 0) <= 0) return;
    this.#lastNumber = number;
    this.#hasHeard = true;
    this.#lastTime = now;
    const isFit = bytes[5]! <= 1 && view.getUint32(12, true) < 200_000 && (flags & 1) !== 0;
    this.limitForward = isFit ? view.getUint16(40, true) : 0;
    this.limitBackward = isFit ? view.getUint16(42, true) : 0;
  }

  /** Called every 10 ms. */
  tick(now: number): void {
    if (this.#hasHeard && now - this.#lastTime <= 500) return;
    this.limitForward = this.limitBackward = 0;
    this.#hasHeard = false;
  }
}
