import { hostname } from "node:os";
import { Bonjour, type ServiceConfig } from "bonjour-service";
import { ENDPOINT, SUBPROTOCOL } from "../wire/messages.ts";

/** The announced service: `_brinkmap._tcp`, with path and sub-protocol of the endpoint. Source: RFC 6763, sections 4 and 6. */
export function announcement(port: number, isTls: boolean): ServiceConfig {
  return {
    name: `Brinkmap head on ${hostname()}`.slice(0, 63),
    type: "brinkmap",
    protocol: "tcp",
    port,
    txt: { v: "1", path: ENDPOINT, sub: SUBPROTOCOL, tls: isTls ? "1" : "0" },
  };
}

/** Announces the head on the local network until it is stopped. */
export class Announcer {
  readonly #bonjour: Bonjour;

  /** @param complain gets errors; the head also works without a network */
  constructor(port: number, isTls: boolean, complain: (why: string) => void) {
    this.#bonjour = new Bonjour({}, (error: Error) => complain(error.message));
    this.#bonjour.publish(announcement(port, isTls));
  }

  async stop(): Promise<void> {
    await new Promise<void>((resolve) => {
      // The last announcement may never complete, if the network is gone.
      setTimeout(resolve, 300).unref();
      this.#bonjour.unpublishAll(() => resolve());
    });
    this.#bonjour.destroy();
  }
}
