import { hostname } from "node:os";
import { Bonjour, type ServiceConfig } from "bonjour-service";
import { ENDPOINT, SUBPROTOCOL } from "../wire/messages.ts";

/** What is announced: `_brinkmap._tcp`, with the path and sub-protocol to connect to. Source: RFC 6763, sections 4 and 6. */
export function announcement(port: number, isTls: boolean): ServiceConfig {
  return {
    name: `Brinkmap head on ${hostname()}`.slice(0, 63),
    type: "brinkmap",
    protocol: "tcp",
    port,
    txt: { v: "1", path: ENDPOINT, sub: SUBPROTOCOL, tls: isTls ? "1" : "0" },
  };
}

/** Tells the local network that a head is here, until it is stopped. */
export class Announcer {
  readonly #bonjour: Bonjour;

  /** @param complain gets what goes wrong; without a network the head works as before */
  constructor(port: number, isTls: boolean, complain: (why: string) => void) {
    this.#bonjour = new Bonjour({}, (error: Error) => complain(error.message));
    this.#bonjour.publish(announcement(port, isTls));
  }

  async stop(): Promise<void> {
    await new Promise<void>((resolve) => {
      // Its farewell may find no network any more.
      setTimeout(resolve, 300).unref();
      this.#bonjour.unpublishAll(() => resolve());
    });
    this.#bonjour.destroy();
  }
}
