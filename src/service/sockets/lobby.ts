import type { Socket } from "node:net";

/** Sockets that have not said hello, pages being loaded included. The oldest make room for new ones. */
const MOST_WAITING = 256;
/** Bytes of a WebSocket before its hello is accepted, and of all such together: a hello with 16 sensors has 8 KiB. */
const MOST_BYTES_EACH = 64 * 1024;
const MOST_BYTES_TOGETHER = 1024 * 1024;

/** A WebSocket that has not said hello. */
export interface Guest {
  /** It has sent too much. Nothing more is read from it. */
  sendAway(why: string): void;
}

interface Seat {
  readonly guest: Guest;
  bytes: number;
}

/**
 * Where connections wait until their hello is accepted. They are not authenticated yet, so their number and the bytes that they may send
 * are bounded.
 */
export class Lobby {
  /** Oldest first. */
  readonly #sockets = new Map<string, Socket>();
  readonly #seats = new Map<Guest, Seat>();
  #bytes = 0;

  /** A TCP connection was opened. */
  enter(socket: Socket): void {
    const key = keyOf(socket);
    this.#sockets.set(key, socket);
    socket.once("close", () => {
      if (this.#sockets.get(key) === socket) this.#sockets.delete(key);
    });
    if (this.#sockets.size <= MOST_WAITING) return;
    const [oldest] = this.#sockets;
    this.#sockets.delete(oldest![0]);
    oldest![1].destroy();
  }

  /** A connection has become a WebSocket: its bytes are counted until it leaves. */
  seat(guest: Guest, socket: Pick<Socket, "on" | "off">): void {
    const seat: Seat = { guest, bytes: 0 };
    this.#seats.set(guest, seat);
    const count = (chunk: Uint8Array): void => {
      if (this.#seats.get(guest) === seat) this.#count(seat, chunk.length);
      else socket.off("data", count);
    };
    socket.on("data", count);
  }

  #count(seat: Seat, size: number): void {
    seat.bytes += size;
    this.#bytes += size;
    if (seat.bytes > MOST_BYTES_EACH) {
      this.#sendAway(seat, `${MOST_BYTES_EACH} bytes may come before welcome: wait for it`);
    } else if (this.#bytes > MOST_BYTES_TOGETHER) {
      const greediest = [...this.#seats.values()].reduce((a, b) => (b.bytes > a.bytes ? b : a));
      this.#sendAway(greediest, "too much comes from connections that have not said hello");
    }
  }

  #sendAway({ guest }: Seat, why: string): void {
    this.leave(guest);
    guest.sendAway(why);
  }

  /** The hello was accepted, or the connection is gone. */
  leave(guest: Guest): void {
    const seat = this.#seats.get(guest);
    if (seat === undefined) return;
    this.#seats.delete(guest);
    this.#bytes -= seat.bytes;
  }

  /** The hello was accepted: this socket does not make room for others any more. */
  admit(socket: Pick<Socket, "remoteAddress" | "remotePort">): void {
    this.#sockets.delete(keyOf(socket));
  }
}

/** The same for a connection and for the encrypted one on top of it. */
const keyOf = ({ remoteAddress, remotePort }: Pick<Socket, "remoteAddress" | "remotePort">): string =>
  `${remoteAddress} ${remotePort}`;
