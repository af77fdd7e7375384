import { createSocket, type Socket } from "node:dgram";
import { isIPv6 } from "node:net";
import type { Logger } from "pino";
import { encodeGlance, glanceOf } from "../wire/datagram.ts";
import type { Draft } from "../wire/messages.ts";

/** Sends each reach as a glance datagram to one motor board. */
export class GlanceSender {
  readonly #socket: Socket;
  readonly #to: { readonly host: string; readonly port: number };
  readonly #isLive: boolean;
  #number = 0;
  #isClosed = false;

  /** @param isLive whether the events come from sensors; each datagram carries it */
  constructor(to: { readonly host: string; readonly port: number }, isLive: boolean, log: Logger) {
    this.#to = to;
    this.#isLive = isLive;
    this.#socket = createSocket(isIPv6(to.host) ? "udp6" : "udp4");
    this.#socket.on("error", (error) => log.warn({ why: error.message }, "glance datagram not sent"));
    this.#socket.unref();
  }

  /** @param now the head's clock, microseconds */
  send(reach: Draft<"reach">, now: number): void {
    if (this.#isClosed) return;
    const bytes = encodeGlance(glanceOf(reach, { number: this.#number++, now, isLive: this.#isLive }));
    this.#socket.send(bytes, this.#to.port, this.#to.host, () => {}); // a newer datagram follows a lost one
  }

  close(): void {
    this.#isClosed = true;
    this.#socket.close();
  }
}
