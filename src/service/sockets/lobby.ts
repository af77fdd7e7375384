import type { Socket } from "node:net";

/** Most sockets before hello, including those that load the page. The oldest are closed for new ones. */
const MOST_WAITING = 256;
/** Most bytes from a WebSocket before its hello is accepted, and from all of them together. A hello with 16 sensors has 8 KiB. */
const MOST_BYTES_EACH = 64 * 1024;
const MOST_BYTES_TOGETHER = 1024 * 1024;

/** A WebSocket before hello. */
export interface Guest {
  /** Closes it because it has sent too much. Nothing more is read from it. */
  reject(why: string): void;
}

interface Entry {
  readonly guest: Guest;
  bytes: number;
}

/**
 * Connections before their hello is accepted. They are not authenticated yet, so their number and the bytes from them are bounded.
 */
export class Lobby {
  /** Oldest first. */
  readonly #sockets = new Map<string, Socket>();
  readonly #entries = new Map<Guest, Entry>();
  #bytes = 0;

  /** Takes a new TCP connection. */
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

  /** Takes a connection that has become a WebSocket, and counts its bytes until it leaves. */
  addWebSocket(guest: Guest, socket: Pick<Socket, "on" | "off">): void {
    const entry: Entry = { guest, bytes: 0 };
    this.#entries.set(guest, entry);
    const count = (chunk: Uint8Array): void => {
      if (this.#entries.get(guest) === entry) this.#count(entry, chunk.length);
      else socket.off("data", count);
    };
    socket.on("data", count);
  }

  #count(entry: Entry, size: number): void {
    entry.bytes += size;
    this.#bytes += size;
    if (entry.bytes > MOST_BYTES_EACH) {
      this.#reject(entry, `${MOST_BYTES_EACH} bytes may come before welcome: wait for it`);
    } else if (this.#bytes > MOST_BYTES_TOGETHER) {
      const greediest = [...this.#entries.values()].reduce((a, b) => (b.bytes > a.bytes ? b : a));
      this.#reject(greediest, "too many bytes before hello, over all connections");
    }
  }

  #reject({ guest }: Entry, why: string): void {
    this.leave(guest);
    guest.reject(why);
  }

  /** Removes a WebSocket whose hello was accepted, or that is gone. */
  leave(guest: Guest): void {
    const entry = this.#entries.get(guest);
    if (entry === undefined) return;
    this.#entries.delete(guest);
    this.#bytes -= entry.bytes;
  }

  /** Removes a socket whose hello was accepted, so that it is not closed for new ones. */
  admit(socket: Pick<Socket, "remoteAddress" | "remotePort">): void {
    this.#sockets.delete(keyOf(socket));
  }
}

/** A key that is the same for a TCP connection and for the TLS connection on top of it. */
const keyOf = ({ remoteAddress, remotePort }: Pick<Socket, "remoteAddress" | "remotePort">): string =>
  `${remoteAddress} ${remotePort}`;
