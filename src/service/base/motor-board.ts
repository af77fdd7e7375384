import { stuffedSize } from "../../link/cobs.ts";
import { LONGEST_FRAME } from "../../link/layouts.ts";
import type { Wheels } from "../../link/odometry.ts";
import { WIRE_REPEAT } from "../../terms/freshness.ts";
import type { Draft, FromClient } from "../../wire/messages.ts";
import { Restarter, type Run } from "../sources/restart.ts";
import { BoardLink, type BoardListener } from "./board-link.ts";
import { findByUsb, SerialPort, type UsbId } from "./serial-port.ts";

/** Bytes of the longest frame on the wire, with its two delimiters. */
const LONGEST = stuffedSize(LONGEST_FRAME) + 2;

/** One of `path` and `usb` is given. */
export interface SerialSettings {
  readonly path?: string;
  readonly usb?: UsbId;
  /** Baud. */
  readonly speed: number;
}

export interface MotorBoardParts {
  readonly serial: SerialSettings;
  readonly wheels: Wheels | null;
  /** Whether the events of the head come from sensors. */
  readonly isLive: boolean;
  readonly listener: BoardListener;
  /** The head's clock, microseconds. */
  readonly now: () => number;
}

/** The motor board on a serial line. It is opened again whenever it fails or is unplugged. */
export class MotorBoard {
  readonly #parts: MotorBoardParts;
  readonly #link: BoardLink;
  #restarter: Restarter | null = null;
  #port: SerialPort | null = null;
  #timer: NodeJS.Timeout | null = null;
  #why: string | null = null;
  /** The last reason without the time of the next attempt: a board that stays away is reported once. */
  #noted = "";

  constructor(parts: MotorBoardParts) {
    this.#parts = parts;
    this.#link = new BoardLink(parts.isLive, parts.wheels, parts.listener);
  }

  /** Opens the line. */
  start(): void {
    this.#restarter = new Restarter(
      () => this.#connect(),
      (told, why) => this.#say(told, why),
    );
  }

  /** @param why the same without what changes from attempt to attempt */
  #say(told: string, why = told): void {
    this.#why = told;
    if (why !== this.#noted) this.#parts.listener.note(why);
    this.#noted = why;
  }

  #connect(): Run {
    const stopping = new AbortController();
    const done = this.#run(stopping.signal).catch((error: Error) => error.message);
    return { done, stop: () => stopping.abort() };
  }

  /** Runs one connection. @returns why it ended */
  async #run(signal: AbortSignal): Promise<string> {
    const { serial, now } = this.#parts;
    const path = serial.path ?? (await findByUsb(serial.usb!));
    let end: (why: string) => void = () => {};
    const ended = new Promise<string>((resolve) => {
      end = resolve;
    });
    const port = await SerialPort.open(path, serial.speed, {
      data: (bytes) => {
        this.#link.take(bytes, now());
        this.#pump();
      },
      ended: (why) => end(`${path}: ${why}`),
    });
    signal.addEventListener("abort", () => port.close());
    if (signal.aborted) port.close();
    this.#port = port;
    this.#link.connected();
    this.#say(`${path} is open, ${serial.speed} baud`);
    const repeat = setInterval(() => this.#pump(), 1000 * WIRE_REPEAT);
    try {
      return await ended;
    } finally {
      clearInterval(repeat);
      if (this.#timer !== null) clearTimeout(this.#timer);
      this.#timer = null;
      this.#port = null;
    }
  }

  /** Writes what is due while the line is free, and comes back when it is. */
  #pump(): void {
    const port = this.#port;
    if (port === null || this.#timer !== null) return;
    for (;;) {
      const wait = port.waitFor(LONGEST, performance.now());
      if (wait > 0) {
        this.#timer = setTimeout(() => {
          this.#timer = null;
          this.#pump();
        }, Math.ceil(wait));
        return;
      }
      const frame = this.#link.next(this.#parts.now());
      if (frame === null) return;
      port.write(frame, performance.now());
    }
  }

  /** Sends a reach at once; it replaces one that waits. */
  send(reach: Draft<"reach">): void {
    this.#link.send(reach);
    this.#pump();
  }

  /** Sends a command of a client that drives. */
  command(command: FromClient<"drive">): void {
    this.#link.command(command, this.#parts.now());
    this.#pump();
  }

  /** Sends the head's answer about a floor sensor. */
  answer(finding: Draft<"finding">): void {
    this.#link.answer(finding);
    this.#pump();
  }

  /** For the pulse. */
  status(): NonNullable<Draft<"pulse">["board"]> {
    return { ...this.#link.status(this.#parts.now()), why: this.#why };
  }

  async stop(): Promise<void> {
    await this.#restarter?.stop();
  }
}
