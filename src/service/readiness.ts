import type { Logger } from "pino";
import type { Origin } from "../wire/messages.ts";
import type { BodySettings } from "./body-settings.ts";
import type { Health } from "./health.ts";
import type { Condition } from "./http/routes.ts";
import { DOES } from "./mode.ts";
import type { Publisher } from "./publisher.ts";
import type { Clients } from "./sockets/clients.ts";

export interface ReadinessParts {
  readonly log: Logger;
  readonly origin: Origin;
  readonly body: BodySettings;
  readonly clients: Clients;
  readonly health: Health;
  /** The newest reach; null before the first. */
  readonly newest: () => ReturnType<Publisher["newest"]>;
  /** The address for sensors, once the service listens. */
  readonly url: () => string;
}

/** What the head still needs before it can work: frames, and the settings of its own base. */
export class Readiness {
  readonly #parts: ReadinessParts;

  constructor(parts: ReadinessParts) {
    this.#parts = parts;
  }

  /** The condition of the head, for a supervisor. */
  condition(): Condition {
    const { health, body, newest } = this.#parts;
    const last = newest();
    const uptime = health.uptime / 1e6;
    if (last === null) return { state: "waiting", uptime, age: null, hint: this.#howToConnect() };
    const { state, age } = last;
    return state === "unconfigured" ? { state, uptime, age, hint: body.hint } : { state, uptime, age };
  }

  /** Sends notes about missing settings of the base, and how to connect a sensor if none has connected. */
  remind(): void {
    const { log, origin, body, clients, newest } = this.#parts;
    if (origin !== "live") return;
    if (body.missing.length > 0) {
      log.warn({ state: "unconfigured" }, body.hint);
      clients.note("setting", body.hint);
    }
    if (newest() !== null) return;
    log.warn({ state: "waiting" }, this.#howToConnect());
    clients.note("sensor", this.#howToConnect());
  }

  #howToConnect(): string {
    const { origin, url } = this.#parts;
    if (origin !== "live") return `this head ${DOES[origin]}; its first frame is on its way`;
    const driver = `a driver connects to ${url()}?frames=1 as a sensor (docs/protocol.md)`;
    return `no sensor has connected: ${driver}, or a program under "depth" in the settings file gives frames (docs/install-on-a-board.md)`;
  }
}
