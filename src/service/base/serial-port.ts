import { execFile } from "node:child_process";
import { closeSync, constants, fstatSync, openSync, writeSync } from "node:fs";
import { readdir, readFile, realpath } from "node:fs/promises";
import { dirname, join } from "node:path";
import { ReadStream } from "node:tty";
import { promisify } from "node:util";
import { lockLine } from "./line-lock.ts";

// A serial line as the system's character device, without a native library: `stty` (coreutils) sets speed and raw mode, the runtime's own
// event loop reads, and writes go to a descriptor that never blocks.

const run = promisify(execFile);
/** Bits on the wire for each byte: start, eight, stop. */
const BITS = 10;
/** Levels of a device's folders in which its USB ids are looked for. */
const LEVELS = 6;
const SYSTEM = "/sys/class/tty";

export interface UsbId {
  /** As the system prints them: four hexadecimal digits. */
  readonly vendor: string;
  readonly product: string;
}

/** The path of the first serial device with these ids. @throws {Error} that lists those found */
export async function findByUsb({ vendor, product }: UsbId, folder = SYSTEM): Promise<string> {
  const found: string[] = [];
  for (const name of (await readdir(folder)).sort()) {
    const ids = await usbIdsOf(join(folder, name, "device"));
    if (ids === null) continue;
    if (ids.vendor === vendor.toLowerCase() && ids.product === product.toLowerCase()) return `/dev/${name}`;
    found.push(`${name} (${ids.vendor}:${ids.product})`);
  }
  throw new Error(
    `no serial device ${vendor}:${product}; there is ${found.join(", ") || "none with USB ids"}`,
  );
}

async function usbIdsOf(device: string): Promise<UsbId | null> {
  let at: string;
  try {
    at = await realpath(device);
  } catch {
    return null;
  }
  for (let level = 0; level < LEVELS; level++, at = dirname(at)) {
    try {
      const [vendor, product] = await Promise.all(
        ["idVendor", "idProduct"].map(async (name) => (await readFile(join(at, name), "utf8")).trim()),
      );
      return { vendor: vendor!, product: product! };
    } catch {
      // The ids stand in a folder farther up.
    }
  }
  return null;
}

/** Closes a descriptor unless its number is of another file by now: the stream closes it itself where it could not open the device anew. */
function closeIfOpen(descriptor: number, device: number): void {
  try {
    if (fstatSync(descriptor).rdev === device) closeSync(descriptor);
  } catch {
    // It is closed.
  }
}

export interface PortEvents {
  data(bytes: Uint8Array): void;
  /** The line has ended, for this reason. Called once. */
  ended(why: string): void;
}

interface OpenLine {
  readonly descriptor: number;
  /** Ends the lock of the line. */
  readonly release: () => void;
  readonly speed: number;
  readonly events: PortEvents;
}

/** An open serial line. Bytes are read as they come. */
export class SerialPort {
  readonly #descriptor: number;
  readonly #release: () => void;
  readonly #stream: ReadStream;
  /** Milliseconds that a byte takes. */
  readonly #perByte: number;
  readonly #events: PortEvents;
  /** The end of a frame that the system did not take at once. */
  #rest: Uint8Array | null = null;
  /** When the bytes written so far have left, milliseconds, by the speed of the line. */
  #freeAt = 0;
  #isEnded = false;

  private constructor({ descriptor, release, speed, events }: OpenLine) {
    this.#descriptor = descriptor;
    this.#release = release;
    const device = fstatSync(descriptor).rdev;
    this.#perByte = (1000 * BITS) / speed;
    this.#events = events;
    this.#stream = new ReadStream(descriptor);
    this.#stream.on("data", (bytes: Buffer) => events.data(bytes));
    this.#stream.on("error", (error) => this.#end(error.message));
    this.#stream.on("end", () => this.#end("unplugged"));
    this.#stream.on("close", () => {
      this.#end("closed");
      closeIfOpen(descriptor, device);
    });
  }

  /** @throws {Error} that says what is wrong and what to do */
  static async open(path: string, speed: number, events: PortEvents): Promise<SerialPort> {
    let descriptor: number;
    try {
      // O_NONBLOCK: the open waits for no carrier and a write never stalls the head. O_NOCTTY: the line is no terminal of the head.
      descriptor = openSync(path, constants.O_RDWR | constants.O_NOCTTY | constants.O_NONBLOCK);
    } catch (error) {
      const { code, message } = error as NodeJS.ErrnoException;
      if (code === "EACCES")
        throw new Error(`${path}: no permission: add the head's user to the group dialout`);
      if (code === "EBUSY") throw new Error(`${path}: another program has the line for itself; end it first`);
      throw new Error(code === "ENOENT" ? `${path} is not there` : message);
    }
    let release: () => void;
    try {
      release = await lockLine(path);
    } catch (error) {
      closeSync(descriptor);
      throw error;
    }
    try {
      // Raw, eight bits, no parity, no flow control; the board is not reset when the line is closed.
      const mode = ["raw", "-echo", "cs8", "-parenb", "-cstopb", "-crtscts", "clocal", "-hupcl"];
      await run("stty", ["-F", path, `${speed}`, ...mode]);
      return new SerialPort({ descriptor, release, speed, events });
    } catch (error) {
      closeSync(descriptor);
      release();
      const { stderr = "", message } = error as { stderr?: string; message: string };
      throw new Error(`${path}: ${stderr.trim() || message}`);
    }
  }

  /** Milliseconds until the line can take a frame of `size` bytes, so that never more than this one waits behind the one being sent. */
  waitFor(size: number, now: number): number {
    if (this.#rest !== null) {
      this.#write(this.#rest);
      if (this.#rest !== null) return 1;
    }
    return Math.max(0, this.#freeAt - now - size * this.#perByte);
  }

  /** Writes a frame without waiting. Call it when `waitFor` gives 0. @param now milliseconds, as for `waitFor` */
  write(bytes: Uint8Array, now: number): void {
    this.#freeAt = Math.max(now, this.#freeAt) + bytes.length * this.#perByte;
    this.#write(bytes);
  }

  #write(bytes: Uint8Array): void {
    if (this.#isEnded) return;
    try {
      const count = writeSync(this.#descriptor, bytes);
      this.#rest = count < bytes.length ? bytes.subarray(count) : null;
    } catch (error) {
      const { code, message } = error as NodeJS.ErrnoException;
      if (code === "EAGAIN") this.#rest = bytes;
      else this.#end(message);
    }
  }

  #end(why: string): void {
    if (this.#isEnded) return;
    this.#isEnded = true;
    this.#stream.destroy();
    this.#release();
    this.#events.ended(why);
  }

  close(): void {
    this.#end("stopped");
  }
}
